"""Draws `samples/pictures/board_shape.png` for the README: the owl as a board of its own shape.

Run in the project's folder: `.venv/bin/python -m samples.render_board_shape`.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image

from worker.board_file import read_board_file
from worker.engine.pipeline import convert
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings

HOLES = b"""
[[holes]]
x = 7.5
y = 41.9
diameter = 1
plated = true

[[holes]]
x = 32
y = 41.9
diameter = 1
plated = false
"""
WIDTH_PX = 420


def main() -> None:
    """Write the picture."""
    samples = Path(__file__).parent
    conversion = convert(
        (samples / "artworks" / "owl.png").read_bytes(),
        read_fab_profile((samples / "fabs" / "meadow-tin.toml").read_bytes()),
        read_settings({"height": "52mm", "board": "silhouette:1.5mm", "pitch": "40um"}),
        name="owl.png",
        board_file=read_board_file(HOLES),
        threads=2,
    )
    for warning in conversion.shape.warnings:
        print(warning)
    with Image.open(io.BytesIO((samples / "artworks" / "owl.png").read_bytes())) as opened:
        art = opened.convert("RGBA").resize((WIDTH_PX, round(WIDTH_PX * opened.height / opened.width)))
    board = Image.fromarray(np.asarray(conversion.preview))
    scale = WIDTH_PX / (conversion.picture.width_px - conversion.shape.margins.left - conversion.shape.margins.right)
    board = board.resize((round(board.width * scale), round(board.height * scale)), Image.Resampling.BOX)
    sheet = Image.new("RGB", (art.width + board.width + 60, max(art.height, board.height) + 20), "white")
    sheet.paste(art, (10, (sheet.height - art.height) // 2), art)
    sheet.paste(board, (art.width + 50, 10))
    sheet.quantize(64).save(samples / "pictures" / "board_shape.png", optimize=True)


if __name__ == "__main__":
    main()
