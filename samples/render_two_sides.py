"""Draws `samples/pictures/two_sides.png` for the README: a keepsake from the front, from behind, and against the light.

Run in the project's folder: `.venv/bin/python -m samples.render_two_sides`.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image

from worker.engine.two_sides import convert_two_sides
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings

SIDE_PX = 400


def main() -> None:
    """Write the picture."""
    samples = Path(__file__).parent
    piece = convert_two_sides(
        (samples / "artworks" / "lamp-keepsake.png").read_bytes(),
        (samples / "backs" / "lamp-keepsake.png").read_bytes(),
        read_fab_profile((samples / "fabs" / "meadow-tin.toml").read_bytes()),
        read_settings({"width": "24mm", "board": "disc", "pitch": "40um"}),
        names=("lamp-keepsake.png", "lamp-keepsake.png"),
        threads=2,
    )
    files = dict(piece.files())
    front = np.asarray(piece.sides["top"].preview)
    views = [Image.open(io.BytesIO(files[f"views/{name}.png"])) for name in ("from-behind", "through-light")]
    sheet = Image.new("RGB", (3 * SIDE_PX + 80, SIDE_PX + 20), "white")
    for place, view in enumerate([Image.fromarray(front), *views]):
        shown = view.convert("RGB").resize((SIDE_PX, SIDE_PX), Image.Resampling.BOX)
        sheet.paste(shown, (10 + place * (SIDE_PX + 30), 10))
    sheet.quantize(128).save(samples / "pictures" / "two_sides.png", optimize=True)


if __name__ == "__main__":
    main()
