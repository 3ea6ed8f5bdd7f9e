"""Draws `samples/pictures/plan.png` for the README: an artwork and what eleven invented boards would show of it.

Run in the project's folder: `.venv/bin/python -m samples.render_plan`.
"""

from __future__ import annotations

from pathlib import Path

from worker.engine.plan.plan import plan_artwork
from worker.fab_family import read_family
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings


def main() -> None:
    """Write the picture."""
    samples = Path(__file__).parent
    fabs = [read_fab_profile(path.read_bytes()) for path in sorted((samples / "fabs").glob("*.toml"))]
    fabs += read_family((samples / "families" / "heron.toml").read_bytes())
    plan = plan_artwork((samples / "artworks" / "owl.png").read_bytes(), fabs, read_settings({"width": "40mm"}))
    (samples / "pictures" / "plan.png").write_bytes(dict(plan.files())["boards.png"])


if __name__ == "__main__":
    main()
