"""What a shift within the tolerances could uncover: finishes that stand nowhere near.

A layer's edge may move by its tolerance, and so may the border of a finish that is there. What must not happen is that
a finish appears where none of it was drawn within that distance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.fabrication.bit_morphology import Bits, count, dilate, disc_within
from worker.engine.fabrication.border_rule import tolerances_of, whole_pixels
from worker.engine.fabrication.layer_bits import LayerBits, layer_bits
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, NO_FINISH, OPENING, LayerPlanes, finish_by_layers
from worker.engine.fabrication.rims import if_sparse, meeting
from worker.fab_profile import FabProfile

UNKNOWN = "no finish"


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlapViolations:
    """Pixels at which some shift of mask or legend within the tolerances would uncover a finish that isn't near.

    by_finish : (finish id, pixels), "no finish" for stacks that the profile has none for. ink_on_opening_px : where
    legend could land in an opening. exposed_mm2 : area of the union of both.
    """

    by_finish: tuple[tuple[str, int], ...]
    ink_on_opening_px: int
    exposed_mm2: float


def overlap_violations(planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> OverlapViolations:
    """Count what shifts within the fab's tolerances would uncover. Zero in `exposed_mm2` where every border holds."""
    tolerances = tolerances_of(fab)
    mask = whole_pixels(tolerances.solder_mask_mm, planes.pitch_um)
    legend = whole_pixels(tolerances.legend_mm, planes.pitch_um)
    bits = layer_bits(planes, largest_px=2 * (mask + legend) + 1, threads=threads)
    found = _uncovered(bits, fab, mask, legend, threads)
    ink = np.zeros_like(bits.board)
    if bits.legend.any() and bits.opening.any():
        region = if_sparse(meeting(bits.opening, bits.legend, mask + legend))
        ink = dilate(bits.opening, disc_within(float(mask)), region=region, threads=threads)
        ink &= dilate(bits.legend, disc_within(float(legend)), region=region, threads=threads)
    union = ink & bits.board
    for plane in found.values():
        union = union | plane
    names = {i: finish.id for i, finish in enumerate(fab.finishes)} | {NO_FINISH: UNKNOWN}
    return OverlapViolations(
        by_finish=tuple((names[i], n) for i, plane in sorted(found.items()) if (n := count(plane)) > 0),
        ink_on_opening_px=count(ink & bits.board),
        exposed_mm2=count(union) * (planes.pitch_um / 1000.0) ** 2,
    )


def _uncovered(bits: LayerBits, fab: FabProfile, mask_px: int, legend_px: int, threads: int) -> dict[int, Bits]:
    """For each finish, where a shift could show it though none of it stands within that shift."""
    table = finish_by_layers(fab)
    seen: dict[int, Bits] = {}
    by_mask: dict[int, Bits] = {}
    by_legend: dict[int, Bits] = {}
    off = bits.board & ~bits.opening, bits.board & ~bits.legend
    # Nothing is uncovered but near an edge of the mask or of the legend.
    region = if_sparse(meeting(bits.opening, off[0], mask_px) | meeting(bits.legend, off[1], legend_px))

    def grown(plane: Bits, reach_px: int) -> Bits:
        return dilate(plane, disc_within(float(reach_px)), region=region, threads=threads)

    openings = [grown(plane, mask_px) for plane in (off[0], bits.opening)]
    legends = [grown(plane, legend_px) for plane in (off[1], bits.legend)]
    for stack in range(8):
        finish = int(table[stack | BOARD])
        copper = bits.copper if stack & COPPER else bits.board & ~bits.copper
        opening = bits.opening if stack & OPENING else off[0]
        legend = bits.legend if stack & LEGEND else off[1]
        may_open, may_print = openings[bool(stack & OPENING)], legends[bool(stack & LEGEND)]
        _add(seen, finish, copper & opening & legend)
        if stack & OPENING and stack & LEGEND:
            continue  # counted as ink on an opening
        _add(by_mask, finish, copper & legend & may_open)
        _add(by_legend, finish, copper & may_open & may_print & ~legend)
    found: dict[int, Bits] = {}
    for reach, possible in ((mask_px, by_mask), (legend_px, by_legend)):
        for finish, plane in possible.items():
            foreign = plane & ~grown(seen[finish], reach) & bits.board
            _add(found, finish, foreign)
    return found


def _add(planes: dict[int, Bits], finish: int, plane: Bits) -> None:
    planes[finish] = planes[finish] | plane if finish in planes else plane
