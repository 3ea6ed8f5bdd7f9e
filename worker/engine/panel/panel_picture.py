"""The picture of a panel: what its files show, and over it what no layer shows: scores, tabs, numbers, sizes."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from worker.engine.arrays import Srgb
from worker.engine.fabrication.grid import NM_PER_MM
from worker.engine.fabrication.layer_drawing import drawn_svg
from worker.engine.fabrication.lettering import printable
from worker.engine.fabrication.stroke_font import lay_line, text_width
from worker.engine.panel.panel_files import Panel
from worker.engine.report.png import encode_png

LONGEST_PX = 1800
_MARGIN_PX = 60
_INK, _ALARM, _PAPER = "#1f2937", "#d1006c", "#f4f4f1"
_SPACING = 0.3


def panel_picture(panel: Panel, top: Srgb) -> bytes:
    """PNG bytes. `top` : uint8 (h, w, 3), encoded sRGB, the top side as its files show it."""
    width, height = panel.size_mm
    scale = LONGEST_PX / max(width, height)
    wide, high = round(width * scale), round(height * scale)
    svg = "".join(
        [
            '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" ',
            f'width="{wide + 2 * _MARGIN_PX}" height="{high + 2 * _MARGIN_PX}">',
            f'<rect width="100%" height="100%" fill="{_PAPER}"/>',
            _image(panel, top, scale),
            f'<g transform="matrix({scale} 0 0 {-scale} {_MARGIN_PX} {_MARGIN_PX + high})" fill="none" ',
            'stroke-linejoin="round">',
            *_lines(panel, 1.0 / scale),
            "</g>",
            *_tags(panel, scale, high),
            *_sizes(panel, high),
            "</svg>",
        ]
    )
    return encode_png(np.ascontiguousarray(drawn_svg(svg)[..., :3]), palette=None, bits=8, pixels_per_metre=None)


def _image(panel: Panel, top: Srgb, scale: float) -> str:
    """The files' picture, cut along the profile so that slots show the paper."""
    data = base64.b64encode(encode_png(top, palette=None, bits=8, pixels_per_metre=None)).decode()
    _, _, right, high = panel.laid.board.bounds
    outline = "".join(_path(ring / NM_PER_MM) for ring in panel.cut.rings)
    place = f"matrix({scale} 0 0 {-scale} {_MARGIN_PX} {_MARGIN_PX + high * scale})"
    # The picture begins at the origin, and is as large as whole pixels make it.
    return (
        f'<clipPath id="board"><path transform="{place}" d="{outline}" clip-rule="evenodd"/></clipPath>'
        f'<image clip-path="url(#board)" x="{_MARGIN_PX}" y="{_MARGIN_PX}" width="{right * scale:.3f}" '
        f'height="{high * scale:.3f}" preserveAspectRatio="none" xlink:href="data:image/png;base64,{data}"/>'
    )


def _path(ring: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> str:
    return ("M" + "%.4f %.4f " * len(ring) + "Z") % tuple(ring.ravel().tolist())


def _lines(panel: Panel, px: float) -> Iterator[str]:
    for ring in panel.cut.rings:
        yield f'<path d="{_path(ring / NM_PER_MM)}" stroke="{_INK}" stroke-width="{1.5 * px}"/>'
    for hole in panel.holes:
        yield f'<path d="{_path(hole.ring)}" fill="{_PAPER}" stroke="{_INK}" stroke-width="{px}"/>'
    for score in panel.cut.scores:
        (x0, y0), (x1, y1) = panel.across(score) / NM_PER_MM
        yield (
            f'<path d="M{x0} {y0}L{x1} {y1}" stroke="{_ALARM}" stroke-width="{2 * px}" '
            f'stroke-dasharray="{14 * px} {7 * px}"/>'
        )
    for tab in panel.cut.tabbed.tabs if panel.cut.tabbed else ():
        ring = shapely.get_coordinates(tab.strip.exterior)[:-1]
        yield f'<path d="{_path(ring)}" stroke="{_ALARM}" stroke-width="{1.5 * px}"/>'


def _tags(panel: Panel, scale: float, high: int) -> Iterator[str]:
    """Each piece's number, at its upper left."""
    for piece in panel.laid.placed:
        left, low, right, top = piece.outline.bounds
        cap = min(26.0, max(11.0, 0.12 * min(right - left, top - low) * scale))
        words = str(piece.number)
        wide = text_width(words, _SPACING) * cap
        x = _MARGIN_PX + left * scale
        y = _MARGIN_PX + high - top * scale
        yield (
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide + cap:.1f}" height="{1.8 * cap:.1f}" rx="{0.4 * cap:.1f}" '
            f'fill="{_INK}" fill-opacity="0.85"/>'
        )
        yield _text(words, x + cap / 2.0, y + 0.4 * cap, cap, "#fff")


def _sizes(panel: Panel, high: int) -> Iterator[str]:
    width, height = panel.size_mm
    words = f"{panel.file.name}   {width:g} x {height:g} mm   {len(panel.laid.placed)} pieces"
    yield _text(words, _MARGIN_PX, high + _MARGIN_PX + 22.0, 20.0, _INK)


def _text(words: str, x: float, y: float, cap: float, colour: str) -> str:
    strokes: Sequence[Sequence[tuple[float, float]]] = lay_line(printable(words), _SPACING)
    path = "".join("M" + " ".join(f"{x + px * cap:.2f} {y + py * cap:.2f}" for px, py in stroke) for stroke in strokes)
    return (
        f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{cap / 7:.2f}" stroke-linecap="round" '
        'stroke-linejoin="round"/>'
    )
