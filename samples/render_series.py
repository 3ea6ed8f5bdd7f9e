"""Draws the invented series of the samples: a moth that flies round a lantern, and its picture for the README.

Run in the project's folder: `.venv/bin/python -m samples.render_series`. It writes
`samples/series/moth-round-lantern.gif`, the same frames as `samples/series/moth-round-lantern.webp`, and
`samples/pictures/series.webp`, the boards in motion.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

SIDE_PX = 160
FRAMES = 8
FRAME_MS = 120
_SCALE = 4
_NIGHT, _GLOW = np.array([18.0, 22.0, 40.0]), np.array([250.0, 214.0, 120.0])


def frames() -> list[Image.Image]:
    """The frames, RGB, from the first wing beat to the last."""
    night = _glowing_night()
    return [_with_moth(night, number) for number in range(FRAMES)]


def _glowing_night() -> Image.Image:
    """A lantern in the middle, its light fading into the night; the same in all frames."""
    y, x = np.mgrid[: SIDE_PX * _SCALE, : SIDE_PX * _SCALE] / (SIDE_PX * _SCALE) - 0.5
    light = np.exp(-((x**2 + y**2) / 0.05))[..., None]
    picture = Image.fromarray(np.rint(_NIGHT + light * (_GLOW - _NIGHT)).astype(np.uint8))
    draw = ImageDraw.Draw(picture)
    unit = SIDE_PX * _SCALE / 100
    draw.rounded_rectangle((42 * unit, 36 * unit, 58 * unit, 64 * unit), 3 * unit, fill=(255, 244, 200))
    for top, bottom in ((32, 37), (63, 68)):
        draw.rectangle((40 * unit, top * unit, 60 * unit, bottom * unit), fill=(40, 34, 30))
    draw.line((50 * unit, 0, 50 * unit, 32 * unit), fill=(40, 34, 30), width=round(1.5 * unit))
    return picture


def _with_moth(night: Image.Image, number: int) -> Image.Image:
    picture = night.copy()
    draw = ImageDraw.Draw(picture)
    unit = SIDE_PX * _SCALE / 100
    turn = 2 * math.pi * number / FRAMES
    x, y = (50 + 33 * math.cos(turn)) * unit, (50 + 33 * math.sin(turn)) * unit
    spread = (7, 4)[number % 2] * unit
    for side in (-1, 1):
        tip = x + side * spread
        wing = [(x, y - unit), (tip, y - 6 * unit), (tip - side * unit / 2, y + 3 * unit), (x, y + unit)]
        draw.polygon(wing, fill=(236, 228, 214))
    draw.ellipse((x - 1.2 * unit, y - 4 * unit, x + 1.2 * unit, y + 4 * unit), fill=(120, 92, 70))
    return picture.resize((SIDE_PX, SIDE_PX), Image.Resampling.BOX)


def main() -> None:
    """Write the files."""
    from worker.engine.report.animation import animation
    from worker.engine.series import Animation, convert_series, piece_frame
    from worker.fab_profile import read_fab_profile
    from worker.job_settings import read_settings

    samples = Path(__file__).parent
    (samples / "series").mkdir(exist_ok=True)
    first, *others = frames()
    gif, webp = (samples / "series" / f"moth-round-lantern.{kind}" for kind in ("gif", "webp"))
    together = Image.new("RGB", (SIDE_PX, SIDE_PX * FRAMES))
    for number, frame in enumerate([first, *others]):
        together.paste(frame, (0, number * SIDE_PX))
    colours = together.quantize(96, dither=Image.Dither.NONE)
    indexed = [frame.quantize(palette=colours, dither=Image.Dither.NONE) for frame in (first, *others)]
    indexed[0].save(gif, save_all=True, append_images=indexed[1:], duration=FRAME_MS, loop=0)
    first.save(webp, save_all=True, append_images=others, duration=FRAME_MS, loop=0, lossless=True, quality=80)
    fab = read_fab_profile((samples / "fabs" / "nocturne-gold.toml").read_bytes())
    settings = read_settings({"width": "20mm", "board": "disc", "edges": "dither", "palette": "shared"})
    art = Animation(webp.read_bytes(), name=webp.name)
    boards = [
        piece_frame(piece.conversion)
        for piece in convert_series(art, fab, settings, threads=2)
        if piece.conversion is not None
    ]
    (samples / "pictures" / "series.webp").write_bytes(animation(boards, art.file.milliseconds, "webp"))


if __name__ == "__main__":
    main()
