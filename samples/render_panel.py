"""Draws `samples/pictures/panel.png` for the README: the panel of `samples/panels/tokens.toml`, at a third of its size.

Run in the project's folder: `.venv/bin/python -m samples.render_panel`.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from PIL import Image

from worker.cli import main

WIDTH_PX = 900


def render() -> None:
    """Make the panel as anybody would, and keep its picture."""
    samples = Path(__file__).parent
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "panel"
        if main(["panel", str(samples / "panels" / "tokens.toml"), "--out", str(out)]) != 0:
            raise SystemExit(1)
        picture = Image.open(io.BytesIO((out / "panel.png").read_bytes()))
    height = round(picture.height * WIDTH_PX / picture.width)
    small = picture.resize((WIDTH_PX, height), Image.Resampling.LANCZOS).quantize(128, dither=Image.Dither.NONE)
    small.save(samples / "pictures" / "panel.png", optimize=True)


if __name__ == "__main__":
    render()
