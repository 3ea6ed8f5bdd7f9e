"""The fab's distance from routed and scored edges and holes, kept by every layer: near an edge there is mask alone."""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np
import shapely
from numba import njit

from worker.engine.arrays import Floats, Labels, read_only
from worker.engine.fabrication.board import BoardShape, Hole
from worker.engine.fabrication.planes import (
    BOARD,
    COPPER,
    DRAWN,
    FREE_COPPER,
    HATCHED,
    LEGEND,
    NO_FINISH,
    OPENING,
    PAD,
    PLATED,
    LayerPlanes,
    Stack,
    finish_by_layers,
)
from worker.engine.fabrication.raster import grid_rings, rasterise, toggled
from worker.engine.threads import row_strips, run_all
from worker.fab_profile import FabProfile
from worker.outlines import arc_steps

_STRIP = 64
_PIXEL = 2.0**-0.5
"""A pixel's corner is so many pitches from its centre: what is kept by centres is kept by this much more."""


def edge_keep_out(
    shape: BoardShape, planes: LayerPlanes, fab: FabProfile, *, pads_apart: bool = False, threads: int = 1
) -> LayerPlanes:
    """The planes with the fab's distances kept, and a pad round every plated hole.

    Copper ends `limits.edge.routed_mm` from every routed edge and bare hole, and where it was bare metal the mask is
    closed over what takes its place. Openings end `limits.edge.mask_mm` from them, legend `limits.edge.legend_mm`, also
    from plated holes. A plated hole gets a ring of bare copper, `limits.copper.ring_mm` wide, and an opening wider than
    that by the mask's registration; legend is clipped from it as from any opening. Every layer ends
    `limits.edge.scored_mm` and the mask's registration, by which borders are drawn past one another, from every score.

    `pads_apart` : the pads and their openings are not drawn but taken off the board, as PAD, for the art to be repaired
    beside them; `draw_pads` draws them then.

    `planes` must have been made on the shape's grid. Pixels count by their corners: no layer is nearer.
    """
    table = _without_strangers(_table(pads_apart=pads_apart), fab)
    return _kept_out(shape, planes.stack, planes.pitch_um, fab, table, threads)


def drawn_within_edges(
    shape: BoardShape,
    labels: Labels,
    stacks: Stack,
    fab: FabProfile,
    *,
    mirrored: bool = False,
    pads_apart: bool = False,
    threads: int = 1,
) -> LayerPlanes:
    """`edge_keep_out` of the planes that have for each label its stack: `stacks`, uint8 (256,).

    labels : uint8 (H, W), on the shape's grid; `mirrored`, as seen from the other side.
    """
    table = _without_strangers(_table(pads_apart=pads_apart), fab)
    table = np.ascontiguousarray(table[:, stacks])
    return _kept_out(shape, labels, shape.pitch_um, fab, table, threads, mirrored=mirrored)


def draw_pads(
    shape: BoardShape, planes: LayerPlanes, fab: FabProfile, *, covered: bool = False, threads: int = 1
) -> LayerPlanes:
    """Planes of `edge_keep_out` with the pads drawn that had been taken apart; nothing else is touched.

    covered : their rings lie under the mask, as where no metal may be bare.

    What was repaired meanwhile keeps its distances by pixels: to clip it again, by corners, would leave slivers.
    """
    stack = np.where(shape.board & planes.plane(PAD), np.uint8(BOARD), planes.stack & np.uint8(255 - PAD))
    table = _table(clipped=False)
    if covered:
        pads = (np.arange(128)[:, None] & _PAD_OPENING).astype(np.bool_)
        table = np.where(pads, table & np.uint8(255 - OPENING), table)
    return _kept_out(shape, stack, planes.pitch_um, fab, table, threads)


def _kept_out(
    shape: BoardShape,
    picture: Stack | Labels,
    pitch_um: float,
    fab: FabProfile,
    table: Stack,
    threads: int,
    *,
    mirrored: bool = False,
) -> LayerPlanes:
    """Planes of what `table`, uint8 (128, 256), says of the zone and the value of each pixel of a picture."""
    pitch_mm = pitch_um / 1000.0
    height, width = picture.shape
    crossings = grid_rings(_zones(shape, fab, pitch_mm), height, pitch_mm)
    out = np.empty((height, width), dtype=np.uint8)
    picture = read_only(picture)

    def work(first: int, last: int) -> None:
        # Zones are laid down for a few rows at a time: no picture of them all is needed.
        zones = toggled(crossings, first, last, -(-width // 8) * 8)
        _apply(zones, picture[first:last], table, mirrored, out[first:last])

    table = read_only(table)
    run_all(work, row_strips(height, _STRIP), threads)
    return LayerPlanes(stack=out, pitch_um=pitch_um)


_COPPER_ZONE, _OPENING_ZONE, _LEGEND_ZONE, _PAD, _PAD_OPENING, _PAD_CLIP, _HOLE = (1 << i for i in range(7))


def _zones(shape: BoardShape, fab: FabProfile, pitch_mm: float) -> list[list[Floats]]:
    """Where copper, openings and legend may be; the plated holes' pads, their openings, what these clip, and they."""
    limits = {name: limit.value for name, limit in fab.limits.items()}
    reserve = _PIXEL * pitch_mm
    plated = [hole for hole in shape.holes if hole.plated]
    routed = shape.polygon.difference(_union([hole for hole in shape.holes if not hole.plated]))
    drilled = routed.difference(_union(plated))
    ring, shift = limits["copper", "ring_mm"] + reserve, limits["solder_mask", "registration_mm"]
    clip = ring + shift + limits["legend", "clearance_mm"] + reserve
    scored = _scored(shape, limits["edge", "scored_mm"] + limits["solder_mask", "registration_mm"] + reserve)
    kept = (
        _grown(routed, -limits["edge", "routed_mm"] - reserve),
        _grown(routed, -limits["edge", "mask_mm"] - reserve) if limits["edge", "mask_mm"] else routed,
        _grown(drilled, -limits["edge", "legend_mm"] - reserve),
    )
    return [
        *(_rings(shapely.difference(region, scored)) for region in kept),
        *(_rings(_union(plated, by)) for by in (ring, ring + shift, clip, reserve)),
    ]


def _pad_mm(fab: FabProfile) -> float:
    """How far a pad's opening reaches from its hole's wall."""
    return fab.limits["copper", "ring_mm"].value_mm + fab.limits["solder_mask", "registration_mm"].value_mm


def _scored(shape: BoardShape, by: float) -> shapely.Geometry:
    """What lies nearer to a score."""
    bands = []
    for score in shape.scores:
        (left, low), (right, high) = shape.across(score)
        bands.append(shapely.box(left - by, low - by, right + by, high + by))
    return shapely.union_all(bands)


def near_scores(shape: BoardShape, planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> float:
    """mm2 of copper, openings and legend whose pixels' centres are nearer to a score than the fab allows.

    Without the pads of plated holes, which stay wherever they are (`pad_checks.py`).
    """
    if not shape.scores:
        return 0.0
    pitch_mm = planes.pitch_um / 1000.0
    pads = _union([hole for hole in shape.holes if hole.plated], _pad_mm(fab) + 2.0 * _PIXEL * pitch_mm)
    rings = _rings(_scored(shape, fab.limits["edge", "scored_mm"].value_mm).difference(pads))
    near = rasterise([rings], height_px=planes.height_px, width_px=planes.width_px, pitch_mm=pitch_mm, threads=threads)
    return int(np.count_nonzero((planes.stack & np.uint8(DRAWN)) * near)) * pitch_mm**2


def _grown(region: shapely.Geometry, by: float) -> shapely.Geometry:
    return region.buffer(by, quad_segs=arc_steps(abs(by), np.pi / 2.0))


def _union(holes: Sequence[Hole], by: float = 0.0) -> shapely.Geometry:
    return shapely.union_all([_grown(hole.polygon, by) if by else hole.polygon for hole in holes])


def _rings(region: shapely.Geometry) -> list[Floats]:
    rings = []
    for part in shapely.get_parts(region):
        for ring in (part.exterior, *part.interiors):
            rings.append(shapely.get_coordinates(ring)[:-1])
    return rings


@functools.cache
def _table(*, pads_apart: bool = False, clipped: bool = True) -> Stack:
    """uint8 (128, 256): the stack that comes of a stack in a zone; not `clipped`, pads are drawn and no more."""
    everywhere = _COPPER_ZONE | _OPENING_ZONE | _LEGEND_ZONE
    table = np.zeros((128, 256), dtype=np.uint8)
    for zone in range(128):
        for bits in range(256):
            apart = pads_apart and (zone & _HOLE or (bits & BOARD and zone & _PAD_OPENING))
            table[zone, bits] = PAD if apart else _kept(zone if clipped else (zone | everywhere) & ~_PAD_CLIP, bits)
    table.setflags(write=False)
    return table


def _without_strangers(table: Stack, fab: FabProfile) -> Stack:
    """The table with legend left out where, with its copper gone, the profile has no finish for it any more."""
    seen, bare = finish_by_layers(fab), table & np.uint8(255 - LEGEND)
    lost = (seen[table] == NO_FINISH) & (seen[bare] < NO_FINISH) & (seen[None] < NO_FINISH)
    return np.where(lost, bare, table)


def _kept(zone: int, bits: int) -> int:
    if not bits & BOARD:
        return bits | PLATED if zone & _HOLE else bits
    if not zone & _COPPER_ZONE:
        if bits & COPPER and bits & OPENING:
            bits &= ~OPENING
        bits &= ~(COPPER | HATCHED | FREE_COPPER)
    if not zone & _OPENING_ZONE:
        bits &= ~OPENING
    if not zone & _LEGEND_ZONE or zone & (_PAD_CLIP | _PAD_OPENING):
        bits &= ~LEGEND
    if zone & _PAD:
        bits = (bits | COPPER) & ~(HATCHED | FREE_COPPER)
    if zone & _PAD_OPENING:
        bits |= OPENING
    return bits & 255


@njit(cache=True, nogil=True, error_model="numpy")
def _apply(zones, picture, table, mirrored, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """`zones` : where rows enter and leave the zones, as `toggled` gives it, in whole eights of pixels."""
    height, width = picture.shape
    for y in range(height):
        toggles, values, to = zones[y], picture[y], out[y]
        eights = toggles.view(np.uint64)
        inside = np.uint8(0)
        begin = 0
        while begin < width:
            inside ^= toggles[begin]
            end = begin + 1
            while end < width and toggles[end] == 0:
                end += 8 if end % 8 == 0 and eights[end // 8] == np.uint64(0) else 1
            end = min(end, width)
            here = table[inside]
            if mirrored:
                part, back = to[begin:end], values[width - end : width - begin]
                last = end - begin - 1
                for x in range(end - begin):
                    part[last - x] = here[back[x]]
            else:
                for x in range(begin, end):
                    to[x] = here[values[x]]
            begin = end
