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
    uncovered, union = _uncovered(bits, fab, mask, legend, threads)
    ink = np.zeros_like(bits.board)
    if bits.legend.any() and bits.opening.any():
        region = if_sparse(meeting(bits.opening, bits.legend, mask + legend))
        ink = dilate(bits.opening, disc_within(float(mask)), region=region, threads=threads)
        ink &= dilate(bits.legend, disc_within(float(legend)), region=region, threads=threads)
    ink &= bits.board
    union |= ink
    names = {i: finish.id for i, finish in enumerate(fab.finishes)} | {NO_FINISH: UNKNOWN}
    return OverlapViolations(
        by_finish=tuple((names[i], n) for i, n in sorted(uncovered.items()) if n > 0),
        ink_on_opening_px=count(ink),
        exposed_mm2=count(union) * (planes.pitch_um / 1000.0) ** 2,
    )


def _uncovered(
    bits: LayerBits, fab: FabProfile, mask_px: int, legend_px: int, threads: int
) -> tuple[dict[int, int], Bits]:
    """For each finish, how many pixels a shift could show it at though none of it stands within that shift; and where
    that is true of any."""
    table = finish_by_layers(fab)
    stacks: dict[int, list[int]] = {}
    for stack in range(8):
        stacks.setdefault(int(table[stack | BOARD]), []).append(stack)
    off = bits.board & ~bits.opening, bits.board & ~bits.legend
    # Nothing is uncovered but near an edge of the mask or of the legend.
    region = if_sparse(meeting(bits.opening, off[0], mask_px) | meeting(bits.legend, off[1], legend_px))

    def grown(plane: Bits, reach_px: int) -> Bits:
        return dilate(plane, disc_within(float(reach_px)), region=region, threads=threads)

    openings = [grown(plane, mask_px) for plane in (off[0], bits.opening)]
    legends = [grown(plane, legend_px) for plane in (off[1], bits.legend)]
    found, union = {}, np.zeros_like(bits.board)
    for finish, which in stacks.items():
        seen, by_mask, by_legend = (np.zeros_like(bits.board) for _ in range(3))
        for stack in which:
            copper = bits.copper if stack & COPPER else bits.board & ~bits.copper
            opening = bits.opening if stack & OPENING else off[0]
            legend = bits.legend if stack & LEGEND else off[1]
            seen |= copper & opening & legend
            if stack & OPENING and stack & LEGEND:
                continue  # counted as ink on an opening
            may = copper & openings[bool(stack & OPENING)]
            by_mask |= may & legend
            may &= legends[bool(stack & LEGEND)]
            by_legend |= may & ~legend
        by_mask &= ~grown(seen, mask_px)
        by_legend &= ~grown(seen, legend_px)
        by_mask |= by_legend
        by_mask &= bits.board
        found[finish] = count(by_mask)
        union |= by_mask
    return found, union
