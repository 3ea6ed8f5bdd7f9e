"""Draw the sample artworks into a folder: python samples/render_artworks.py [FOLDER]

The same numbers every time; `orrery.svg` is written by hand and stays as it is.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from drawing import badges, lamp, scenes
from PIL import Image

Drawing = Callable[[], Image.Image]

ARTWORKS: dict[str, tuple[Drawing, dict[str, Any]]] = {
    "quillmere-badge.png": (badges.draw_badge, {"optimize": True}),
    "night-watch-token.png": (badges.draw_token, {"optimize": True}),
    "star-chart.png": (badges.draw_star_chart, {"optimize": True}),
    "open-night-card.gif": (badges.draw_open_night_card, {"optimize": True}),
    "owl.png": (badges.draw_owl, {"optimize": True}),
    "rosette.tif": (badges.draw_rosette, {"compression": "group4", "dpi": (609.6, 609.6)}),
    "small-rover.bmp": (badges.draw_small_rover, {}),
    "comet-over-ridge.jpg": (scenes.draw_comet_over_ridge, {"quality": 88, "optimize": True}),
    "gibbous-moon.webp": (scenes.draw_gibbous_moon, {"quality": 90, "method": 6}),
    "lamp-keepsake.png": (lamp.draw_lamp_front, {"optimize": True}),
    "../backs/lamp-keepsake.png": (lamp.draw_lamp_back, {"optimize": True}),
}
"""File name: what draws it, and how it is saved."""

PALETTE = 128


def keep_frequent_colours(picture: Image.Image) -> Image.Image:
    """A palette picture of the most frequent colours; the rims' rarer ones go to the nearest. Flat areas stay exact."""
    colours, counts = np.unique(np.asarray(picture).reshape(-1, 3), axis=0, return_counts=True)
    frequent = colours[np.argsort(-counts, kind="stable")[:PALETTE]]
    palette = Image.new("P", (1, 1))
    palette.putpalette(frequent.ravel().tolist())
    return picture.quantize(palette=palette, dither=Image.Dither.NONE)


def render(folder: Path) -> None:
    """Write every artwork into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, (draw, options) in ARTWORKS.items():
        picture = draw()
        if picture.mode == "RGB" and name.endswith((".png", ".gif")):
            picture = keep_frequent_colours(picture)
        (folder / name).parent.mkdir(exist_ok=True)
        picture.save(folder / name, **options)
        print(f"{name}: {picture.width} x {picture.height} px, {(folder / name).stat().st_size:,} bytes")


if __name__ == "__main__":
    render(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "artworks")
