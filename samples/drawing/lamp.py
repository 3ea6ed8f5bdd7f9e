"""A piece with two sides, 24 mm round: a lamp whose light is seen where neither side has copper."""

from __future__ import annotations

from PIL import Image

from drawing.badges import FERN, MIST, PINE, STRAW, TIN
from drawing.canvas import Canvas, circle_points, crescent_points

_STARS = ((6.2, -2.6, 1.0), (7.4, 1.6, 0.75), (4.4, -5.4, 0.75))
"""Stars beside the lamp, as the front has them; on the back they stand mirrored."""
_LAMP = (-2.4, 0.6)
"""The middle of the lamp's glass, as the front has it."""


def draw_lamp_front() -> Image.Image:
    """The front: a lamp with a round glass of bare laminate, over copper that lets no light through."""
    canvas = Canvas(width_mm=24, height_mm=24, px_per_mm=40, ground=FERN)
    canvas.ring(0, 0, 11.1, 0.5, TIN)
    canvas.text_on_circle("QUILLMERE LAMP", 8.6, 0.0, 1.5, 0.32, MIST, spacing=0.44)
    x, y = _LAMP
    canvas.polygon([(x - 2.6, y + 5.2), (x - 1.6, y + 3.6), (x + 1.6, y + 3.6), (x + 2.6, y + 5.2)], TIN)
    canvas.ring(x, y - 5.0, 1.0, 0.4, TIN)
    canvas.disc(x, y, 4.2, TIN)
    canvas.disc(x, y, 3.5, STRAW)
    for across, down, size in _STARS:
        canvas.star(across, down, size, STRAW, waist=0.4)
    canvas.text("LIGHT ME", 2.9, 6.4, 1.2, 0.28, MIST, spacing=0.44)
    return canvas.finished().convert("RGB")


def draw_lamp_back() -> Image.Image:
    """The back, seen from behind: copper again, but for a crescent behind the glass and rounds behind the stars."""
    canvas = Canvas(width_mm=24, height_mm=24, px_per_mm=40, ground=FERN)
    canvas.ring(0, 0, 11.1, 0.5, MIST)
    x, y = _LAMP
    canvas.polygon(crescent_points(-x, y, 2.9, 2.5, 1.3, -62.0), PINE)
    for across, down, size in _STARS:
        canvas.disc(-across, down, size + 0.2, PINE)
    canvas.text_on_circle("HOLD TO A LIGHT", 8.6, 0.0, 1.5, 0.32, MIST, spacing=0.44)
    canvas.text_on_circle("NIGHT 27", 9.6, 180.0, 1.4, 0.32, TIN, spacing=0.44, inward=True)
    for turn in (-112.0, 112.0):
        across, down = circle_points(0, 0, 9.2, turn, turn)[0]
        canvas.star(across, down, 0.8, TIN, waist=0.35)
    return canvas.finished().convert("RGB")
