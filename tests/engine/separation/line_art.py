"""Lines and letters over a shaded ground, from a seed: as far apart as cells can keep them."""

from __future__ import annotations

import math

import numpy as np
from PIL import Image, ImageDraw, ImageFont
from scipy.ndimage import gaussian_filter

from tests.engine.fabrication.stress_art import PITCH_UM, SOURCE_UM, Stroke, draw_line, some_stroke
from worker.engine.arrays import Srgb
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.palette.finish_colours import finish_colours
from worker.fab_profile import FabProfile

LIMIT_MM = 0.15
SIDE_MM = 10.0
APART_MM = 0.6
_SIDE_PX = round(SIDE_MM * 1000 / PITCH_UM)


def _shaded(rng: np.random.Generator, fab: FabProfile, dark: bool = True) -> Srgb:
    """A soft gradient with noise like a sensor's, between the lightnesses of two finishes: the darkest or lightest."""
    y, x = np.mgrid[:_SIDE_PX, :_SIDE_PX] / _SIDE_PX
    low, high = np.sort(finish_colours(fab).lab[:, 0])[:2] if dark else np.sort(finish_colours(fab).lab[:, 0])[-2:]
    noise = gaussian_filter(rng.normal(size=(_SIDE_PX, _SIDE_PX)), 8.0) * 20.0
    lightness = low + (high - low) * (0.5 + 0.5 * np.sin(3.0 * x + 2.0 * y)) + noise
    return np.asarray(lab_to_srgb(np.stack([lightness, 0.0 * x + 1.0, 0.0 * x + 2.0], axis=-1)))


def _as_drawn(shown: Srgb) -> Srgb:
    """Anti-aliased, as `stress_art` has it."""
    side = _SIDE_PX * PITCH_UM // SOURCE_UM
    return np.asarray(Image.fromarray(shown).resize((side, side), Image.Resampling.BOX))


def lines(
    seed: int, fab: FabProfile, *, dark: bool = True, limits: tuple[float, float] = (1.0, 2.0)
) -> tuple[Srgb, tuple[Stroke, ...]]:
    """The art, uint8 (H, W, 3), and its lines, all nearly of the lightest finish's colour, or of the darkest on a light
    ground. limits : how wide they are, from and to, in smallest features.
    """
    rng = np.random.default_rng(seed)
    shown = _shaded(rng, fab, dark).copy()
    lab = finish_colours(fab).lab
    finish = int(lab[:, 0].argmax() if dark else lab[:, 0].argmin())
    ink = lab_to_srgb(lab[finish] + [0.0 if dark else 3.0, 2.0, -2.0])
    taken = np.zeros((_SIDE_PX, _SIDE_PX), np.uint8)
    strokes: list[Stroke] = []
    for _ in range(200):
        width = float(np.exp(rng.uniform(math.log(limits[0] * LIMIT_MM), math.log(limits[1] * LIMIT_MM))))
        x, y = rng.uniform(2.0, SIDE_MM - 2.0, 2)
        stroke = some_stroke(rng, x, y, rng.uniform(1.5, 3.0), width, finish, 0)
        drawn, room = np.zeros_like(taken), np.zeros_like(taken)
        draw_line(drawn, stroke, 1)
        if (taken & drawn).any():
            continue
        draw_line(room, Stroke(path=stroke.path, width_mm=width + 2 * APART_MM, finish=finish, ground=0), 1)
        taken |= room
        shown[drawn == 1] = ink
        strokes.append(stroke)
    return _as_drawn(shown), tuple(strokes)


def text(seed: int, fab: FabProfile, stem_mm: float) -> tuple[Srgb, Srgb]:
    """Letters of Pillow's own font in the lightest finish's colour, and where they are, uint8 (H, W), 255 in them."""
    rng = np.random.default_rng(seed)
    art, where = Image.fromarray(_shaded(rng, fab)), Image.new("L", (_SIDE_PX, _SIDE_PX), 0)
    lab = finish_colours(fab).lab
    ink = tuple(int(v) for v in lab_to_srgb(lab[int(lab[:, 0].argmax())]))
    # Stems of this font are about a tenth of its size wide (measured here).
    font = ImageFont.load_default(size=stem_mm * 1000 / PITCH_UM / 0.1)
    for row in range(4):
        place = (100, 60 + row * round(2.3 * 1000 / PITCH_UM))
        ImageDraw.Draw(art).text(place, "HILTFE", fill=ink, font=font)
        ImageDraw.Draw(where).text(place, "HILTFE", fill=255, font=font)
    return _as_drawn(np.asarray(art)), np.asarray(where)
