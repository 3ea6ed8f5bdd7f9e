"""error.png: where the eye will see a difference, in the colours of a fixed scale, with the scale below it."""

from __future__ import annotations

import numpy as np

from worker.engine.arrays import Labels
from worker.engine.report.colour_scale import COLOURS, GREYS, LARGEST, WHITE_INDEX, scale_indices, scale_palette
from worker.engine.report.lettering import lettering, line_height_px
from worker.engine.report.png import encode_png
from worker.engine.report.scaling import enlarge
from worker.engine.report.score import Score

_SHORTEST_LONG_SIDE_PX = 640
_NARROWEST_PX = 360
_TEXT_PX = 13
_BAR_PX = 14
_GAP_PX = 6
_TICKS = (0, 5, 10, 15, 20)
BAR_HEIGHT_PX = 2 * _GAP_PX + _BAR_PX + 2 * line_height_px(_TEXT_PX)


def error_png(score: Score, pitch_um: float) -> bytes:
    """The error map as an indexed PNG; a small map is enlarged by a whole factor, so that it can be read."""
    indices = scale_indices(score.error_map)
    factor = max(1, -(-_SHORTEST_LONG_SIDE_PX // max(indices.shape)))
    indices = enlarge(indices, factor)
    height, width = indices.shape
    canvas = np.full((height + BAR_HEIGHT_PX, max(width, _NARROWEST_PX)), WHITE_INDEX, dtype=np.uint8)
    left = (canvas.shape[1] - width) // 2
    canvas[:height, left : left + width] = indices
    canvas[height:] = scale_bar(canvas.shape[1], score.viewing_distance_mm)
    per_metre = round(1e6 * factor / (pitch_um * score.error_map_step_px))
    return encode_png(canvas, palette=scale_palette().tobytes(), bits=8, pixels_per_metre=per_metre)


def scale_bar(width_px: int, viewing_distance_mm: float) -> Labels:
    """The scale with its figures and what they mean: indices into `scale_palette`, uint8 (BAR_HEIGHT_PX, width_px)."""
    bar = np.full((BAR_HEIGHT_PX, width_px), WHITE_INDEX, dtype=np.uint8)
    first, length = 2 * _GAP_PX, max(2, width_px - 6 * _GAP_PX)
    bar[_GAP_PX : _GAP_PX + _BAR_PX, first : first + length] = np.linspace(0, COLOURS - 1, length).astype(np.uint8)
    below = _GAP_PX + _BAR_PX + 2
    for tick in _TICKS:
        text = f"{tick}+" if tick == LARGEST else str(tick)
        place = first + round(tick / LARGEST * (length - 1))
        bar[below - 4 : below, place] = WHITE_INDEX - GREYS + 1
        _write(bar, text, below, place - lettering(text, _TEXT_PX).shape[1] // 2)
    meaning = f"S-CIELAB: CIEDE2000 as the eye blurs it at {viewing_distance_mm:g} mm"
    _write(bar, meaning, below + line_height_px(_TEXT_PX), first)
    return bar


def _write(bar: Labels, text: str, top: int, left: int) -> None:
    """Write dark text over white, as greys of the palette; what does not fit is cut off."""
    cover = lettering(text, _TEXT_PX)[: bar.shape[0] - top, : max(0, bar.shape[1] - left)]
    greys = WHITE_INDEX - (cover.astype(np.uint16) * (GREYS - 1) // 255).astype(np.uint8)
    place = bar[top : top + cover.shape[0], left : left + cover.shape[1]]
    np.minimum(place, greys, out=place)
