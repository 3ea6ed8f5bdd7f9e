"""The assembly drawing as DXF, in mm: one layer for each fabrication layer, seen from the top, y upward.

DXF of release 12, the oldest that is still written: nearly every program reads it. Contours are closed polylines, the
same as in the Gerber files; a hole in an area is a polyline as well, on the same layer. Holes are circles, slots closed
polylines with round ends. Layers are named in words; release 12 knows capitals only.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import Bytes, Ints
from worker.engine.fabrication.digits import MOST_BYTES, mm_text, put_mm, put_text
from worker.engine.fabrication.drawing_svg import BARE_HOLES, PLATED_HOLES, PROFILE, SCORES, DrawnLayer
from worker.engine.fabrication.drill import DrilledHole
from worker.engine.fabrication.gerber import closed_outline
from worker.engine.fabrication.grid import Grid, Points, nanometres, x_nm, y_nm
from worker.engine.fabrication.rings import Rings, put_ring, room_for

_LINE = 10
_COLOURS = {
    "COPPER": 30,
    "SOLDER": 3,
    "LEGEND": 8,
    "PROFIL": 7,
    "SCORE-": 5,
    "HOLES-": 1,
}  # by the format's fixed colour numbers


def assembly_dxf(
    layers: Sequence[DrawnLayer],
    outlines: Sequence[Points],
    holes: Sequence[DrilledHole],
    scores: Sequence[Points] = (),
    *,
    grid: Grid,
    origin_nm: tuple[int, int] = (0, 0),
) -> Iterator[bytes]:
    """The drawing in pieces of about a megabyte.

    `outlines` : the board's and its cut-outs', int64 (n, 2) nm. `scores` : lines, int64 (2, 2) nm. `origin_nm` : where
    the grid's lower left corner lies in the drawing; outlines, holes and scores must lie there already.
    """
    names = [layer.name.upper() for layer in layers]
    names += [name.upper() for name in (PROFILE, SCORES, PLATED_HOLES, BARE_HOLES)]
    yield _head(names, grid, origin_nm).encode("ascii")
    for layer in layers:
        yield from _contours(layer.rings, layer.name.upper(), origin_nm)
    for outline in outlines:
        yield _polyline([(x, y, 0.0) for x, y in closed_outline(outline)[:-1].tolist()], PROFILE.upper()).encode(
            "ascii"
        )
    for score in scores:
        (x, y), (to_x, to_y) = score.tolist()
        yield _tags(
            (0, "LINE"),
            (8, SCORES.upper()),
            (10, mm_text(x)),
            (20, mm_text(y)),
            (11, mm_text(to_x)),
            (21, mm_text(to_y)),
        ).encode("ascii")
    for hole in holes:
        yield _hole(hole, (PLATED_HOLES if hole.plated else BARE_HOLES).upper()).encode("ascii")
    yield _tags((0, "ENDSEC"), (0, "EOF")).encode("ascii")


def _tags(*pairs: tuple[int, object]) -> str:
    """Group codes and values, one a line."""
    return "".join(f"{code}\n{value}\n" for code, value in pairs)


def _head(names: Sequence[str], grid: Grid, origin_nm: tuple[int, int]) -> str:
    left, low = origin_nm
    head = _tags(
        (999, "All lengths in millimetres, seen from the top."),
        (0, "SECTION"),
        (2, "HEADER"),
        (9, "$ACADVER"),
        (1, "AC1009"),
        (9, "$INSUNITS"),
        (70, 4),  # millimetres
        (9, "$EXTMIN"),
        (10, mm_text(left) if left else "0.0"),
        (20, mm_text(low) if low else "0.0"),
        (30, "0.0"),
        (9, "$EXTMAX"),
        (10, mm_text(left + grid.width_nm)),
        (20, mm_text(low + grid.height_nm)),
        (30, "0.0"),
        (0, "ENDSEC"),
        (0, "SECTION"),
        (2, "TABLES"),
        (0, "TABLE"),
        (2, "LTYPE"),
        (70, 1),
        (0, "LTYPE"),
        (2, "CONTINUOUS"),
        (70, 0),
        (3, "Solid line"),
        (72, 65),
        (73, 0),
        (40, "0.0"),
        (0, "ENDTAB"),
        (0, "TABLE"),
        (2, "LAYER"),
        (70, len(names) + 1),
    )
    for name in ("0", *names):
        head += _tags((0, "LAYER"), (2, name), (70, 0), (62, _COLOURS.get(name[:6], 7)), (6, "CONTINUOUS"))
    return head + _tags((0, "ENDTAB"), (0, "ENDSEC"), (0, "SECTION"), (2, "ENTITIES"))


def _begin(layer: str) -> str:
    return _tags((0, "POLYLINE"), (8, layer), (66, 1), (10, "0.0"), (20, "0.0"), (30, "0.0"), (70, 1))


def _polyline(vertices: Sequence[tuple[int, int, float]], layer: str) -> str:
    """A closed polyline through x, y in nm; the third value bulges the piece that follows."""
    text = _begin(layer)
    for x, y, bulge in vertices:
        text += _tags((0, "VERTEX"), (8, layer), (10, mm_text(x)), (20, mm_text(y)))
        if bulge:
            text += _tags((42, f"{bulge:g}"))
    return text + _tags((0, "SEQEND"))


def _hole(hole: DrilledHole, layer: str) -> str:
    x, y, radius = nanometres(hole.x_mm), nanometres(hole.y_mm), hole.diameter_mm / 2.0
    if hole.slot_to is None:
        return _tags((0, "CIRCLE"), (8, layer), (10, mm_text(x)), (20, mm_text(y)), (40, f"{radius:.6f}"))
    to_x, to_y = (nanometres(value) for value in hole.slot_to)
    angle = math.atan2(to_y - y, to_x - x)
    across_x, across_y = round(-math.sin(angle) * radius * 1e6), round(math.cos(angle) * radius * 1e6)
    return _polyline(
        [
            (x - across_x, y - across_y, 0.0),
            (to_x - across_x, to_y - across_y, 1.0),  # a bulge of 1 is half a circle, to the left
            (to_x + across_x, to_y + across_y, 0.0),
            (x + across_x, y + across_y, 1.0),
        ],
        layer,
    )


def _contours(rings: Rings, layer: str, origin_nm: tuple[int, int]) -> Iterator[bytes]:
    grid = rings.contours.grid
    begin, end = (np.frombuffer(text.encode("ascii"), np.uint8) for text in (_begin(layer), _tags((0, "SEQEND"))))
    vertex = np.frombuffer(_tags((0, "VERTEX"), (8, layer)).encode("ascii") + b"10\n", np.uint8)
    for some in rings.in_chunks(np.arange(len(rings))):
        yield _polyline_bytes(
            rings.arcs,
            rings.starts,
            some,
            rings.contours.points,
            rings.contours.starts,
            grid.height_px,
            grid.pitch_nm,
            *origin_nm,
            begin,
            vertex,
            end,
        ).tobytes()


@njit(cache=True, nogil=True, error_model="numpy")
def _polyline_bytes(
    arcs: Ints,
    starts: npt.NDArray[np.int64],
    chosen: npt.NDArray[np.int64],
    points: Ints,
    arc_starts: npt.NDArray[np.int64],
    height_px: int,
    pitch_nm: int,
    left_nm: int,
    low_nm: int,
    begin: Bytes,
    vertex: Bytes,
    end: Bytes,
) -> Bytes:
    total, longest = room_for(arcs, starts, chosen, arc_starts)
    out = np.empty(total * (2 * MOST_BYTES + len(vertex) + 6) + len(chosen) * (len(begin) + len(end)), np.uint8)
    ring_of = np.empty((longest, 2), np.int32)
    n = 0
    for ring in chosen:
        n = put_text(out, n, begin)
        size = put_ring(arcs, starts[ring], starts[ring + 1], points, arc_starts, ring_of)
        for i in range(size):
            n = put_text(out, n, vertex)
            n = put_mm(out, n, left_nm + x_nm(ring_of[i, 0], pitch_nm))
            out[n], out[n + 1], out[n + 2], out[n + 3] = _LINE, 50, 48, _LINE  # group 20: y
            n = put_mm(out, n + 4, low_nm + y_nm(ring_of[i, 1], height_px, pitch_nm))
            out[n] = _LINE
            n += 1
        n = put_text(out, n, end)
    return out[:n]
