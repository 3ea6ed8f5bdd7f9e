"""The assembly drawing as SVG, in mm: one group for each fabrication layer, seen from the top.

Areas are filled by the even-odd rule, on the same contours as in the Gerber files; the profile is a line. SVG's y runs
downward, so the drawing's upper left corner is the grid's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import Bytes, Ints
from worker.engine.fabrication.digits import MOST_BYTES, mm_text, put_mm
from worker.engine.fabrication.drill import DrilledHole
from worker.engine.fabrication.gerber import PROFILE_LINE_NM, closed_outline
from worker.engine.fabrication.grid import Grid, Points, nanometres, x_nm, y_nm
from worker.engine.fabrication.rings import Rings, put_ring, room_for

PROFILE, SCORES, PLATED_HOLES, BARE_HOLES = "profile", "score-lines", "holes-plated", "holes-unplated"
"""Names of the groups that are not a layer's."""

_LAYER_COLOURS = {"copper": "#c98b4a", "solder-mask": "#2e8b57", "legend": "#b0b0b0"}
_M, _L, _Z, _SPACE, _LINE = 77, 76, 90, 32, 10


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnLayer:
    """A layer of the drawing. name : layer and side in words, such as "copper-top". All seen from the top."""

    name: str
    rings: Rings


def assembly_svg(
    layers: Sequence[DrawnLayer],
    outlines: Sequence[Points],
    holes: Sequence[DrilledHole],
    scores: Sequence[Points] = (),
    *,
    grid: Grid,
    title: str,
    origin_nm: tuple[int, int] = (0, 0),
) -> Iterator[bytes]:
    """The drawing in pieces of about a megabyte.

    `outlines` : the board's and its cut-outs', int64 (n, 2) nm. `scores` : lines, int64 (2, 2) nm. `origin_nm` : where
    the grid's lower left corner lies in the coordinates of a larger drawing; x is as there, and y as there below 0.
    """
    width, height = mm_text(grid.width_nm), mm_text(grid.height_nm)
    moved = origin_nm != (0, 0)
    left, top = (mm_text(origin_nm[0]), mm_text(-origin_nm[1] - grid.height_nm)) if moved else ("0", "0")
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="{left} {top} {width} {height}">\n<title>{escape(title)}</title>\n'
    ).encode()
    if moved:
        yield f'<g transform="translate({left} {top})">\n'.encode()
    for layer in layers:
        colour = next((c for word, c in _LAYER_COLOURS.items() if layer.name.startswith(word)), "#808080")
        yield (
            f'<g id={quoteattr(layer.name)} fill={quoteattr(colour)} fill-rule="evenodd" fill-opacity="0.6">\n'
        ).encode()
        yield from _areas(layer.rings)
        yield b"</g>\n"
    yield _profile(outlines, grid).encode()
    if scores:
        yield _scores(scores, grid).encode()
    for name, plated in ((PLATED_HOLES, True), (BARE_HOLES, False)):
        mine = [hole for hole in holes if hole.plated == plated]
        if mine:
            yield f'<g id="{name}" fill="#000000">\n{"".join(_hole(hole, grid) for hole in mine)}</g>\n'.encode()
    yield b"</g>\n</svg>\n" if moved else b"</svg>\n"


def _areas(rings: Rings) -> Iterator[bytes]:
    """One path for all rings of a layer: the even-odd rule needs holes and what they lie in together."""
    if not len(rings):
        return
    yield b'<path d="'
    for some in rings.in_chunks(np.arange(len(rings))):
        points, starts = rings.contours.points, rings.contours.starts
        grid = rings.contours.grid
        yield _path_bytes(rings.arcs, rings.starts, some, points, starts, grid.height_px, grid.pitch_nm).tobytes()
    yield b'"/>\n'


@njit(cache=True, nogil=True, error_model="numpy")
def _path_bytes(
    arcs: Ints,
    starts: npt.NDArray[np.int64],
    chosen: npt.NDArray[np.int64],
    points: Ints,
    arc_starts: npt.NDArray[np.int64],
    height_px: int,
    pitch_nm: int,
) -> Bytes:
    total, longest = room_for(arcs, starts, chosen, arc_starts)
    out = np.empty(total * (2 * MOST_BYTES + 2) + 2 * len(chosen), np.uint8)
    ring_of = np.empty((longest, 2), np.int32)
    n = 0
    for ring in chosen:
        size = put_ring(arcs, starts[ring], starts[ring + 1], points, arc_starts, ring_of)
        for i in range(size):
            out[n] = _M if i == 0 else _L
            n = put_mm(out, n + 1, x_nm(ring_of[i, 0], pitch_nm))
            out[n] = _SPACE
            down = height_px * pitch_nm - y_nm(ring_of[i, 1], height_px, pitch_nm)
            n = put_mm(out, n + 1, down)
        out[n], out[n + 1] = _Z, _LINE
        n += 2
    return out[:n]


def _profile(outlines: Sequence[Points], grid: Grid) -> str:
    paths = []
    for outline in outlines:
        closed = closed_outline(outline)[:-1]
        places = " ".join(f"{mm_text(x)} {mm_text(grid.height_nm - y)}" for x, y in closed.tolist())
        paths.append(f"M{places}Z")
    line = mm_text(PROFILE_LINE_NM)
    group = f'<g id="{PROFILE}" fill="none" stroke="#000000" stroke-width="{line}">'
    return f'{group}\n<path d="{"".join(paths)}"/>\n</g>\n'


def _scores(scores: Sequence[Points], grid: Grid) -> str:
    lines = "".join(
        f'<line x1="{mm_text(x)}" y1="{mm_text(grid.height_nm - y)}" x2="{mm_text(to_x)}" '
        f'y2="{mm_text(grid.height_nm - to_y)}"/>\n'
        for (x, y), (to_x, to_y) in (line.tolist() for line in scores)
    )
    return f'<g id="{SCORES}" stroke="#0000ff" stroke-width="{mm_text(PROFILE_LINE_NM)}">\n{lines}</g>\n'


def _hole(hole: DrilledHole, grid: Grid) -> str:
    x, y = mm_text(nanometres(hole.x_mm)), mm_text(grid.height_nm - nanometres(hole.y_mm))
    if hole.slot_to is None:
        return f'<circle cx="{x}" cy="{y}" r="{hole.diameter_mm / 2:g}"/>\n'
    to_x, to_y = mm_text(nanometres(hole.slot_to[0])), mm_text(grid.height_nm - nanometres(hole.slot_to[1]))
    return (
        f'<line x1="{x}" y1="{y}" x2="{to_x}" y2="{to_y}" stroke="#000000" stroke-linecap="round" '
        f'stroke-width="{mm_text(nanometres(hole.diameter_mm))}"/>\n'
    )
