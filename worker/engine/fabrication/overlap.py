"""What a shift within the tolerances could uncover: finishes that stand nowhere near.

A layer's edge may move by its tolerance, and so may the border of a finish that is there. What must not happen is that
a finish appears where none of it was drawn within that distance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import BLOCK, Bits, count, dilate, disc_within, strip_groups
from worker.engine.fabrication.bit_parts import set_bits
from worker.engine.fabrication.border_rule import tolerances_of, whole_pixels
from worker.engine.fabrication.layer_bits import LayerBits, layer_bits
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, NO_FINISH, OPENING, LayerPlanes, finish_by_layers
from worker.engine.fabrication.rims import if_sparse, meeting
from worker.engine.threads import run_all
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


def shifted_px(fab: FabProfile, pitch_um: float) -> int:
    """The widest disc that shifts are looked at with: what the pad of packed layers must hold."""
    tolerances = tolerances_of(fab)
    shifts = tolerances.solder_mask_mm, tolerances.legend_mm
    return 2 * sum(whole_pixels(shift, pitch_um) for shift in shifts) + 1


def overlap_violations(
    planes: LayerPlanes, fab: FabProfile, *, bits: LayerBits | None = None, threads: int = 1
) -> OverlapViolations:
    """Count what shifts within the fab's tolerances would uncover. Zero in `exposed_mm2` where every border holds.

    bits : the same layers packed, with a pad for `shifted_px`, where they are known.
    """
    tolerances = tolerances_of(fab)
    mask = whole_pixels(tolerances.solder_mask_mm, planes.pitch_um)
    legend = whole_pixels(tolerances.legend_mm, planes.pitch_um)
    if bits is None:
        bits = layer_bits(planes, largest_px=shifted_px(fab, planes.pitch_um), threads=threads)
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
    region = meeting(bits.opening, off[0], mask_px) | meeting(bits.legend, off[1], legend_px)
    around = if_sparse(region)

    def grown(plane: Bits, reach_px: int) -> Bits:
        return dilate(plane, disc_within(float(reach_px)), region=around, threads=threads)

    layers = bits.copper, bits.opening, bits.legend, bits.board
    near = [grown(plane, mask_px) for plane in (off[0], bits.opening)]
    near += [grown(plane, legend_px) for plane in (off[1], bits.legend)]
    strips = strip_groups(bits.board.shape[0], threads)
    seen, by_mask, by_legend, union = (np.zeros(bits.board.shape, dtype=np.uint64) for _ in range(4))
    found = {}
    for finish, which in stacks.items():
        shows = np.array([stack in which for stack in range(8)])
        run_all(
            lambda a, b, shows=shows: _looks(  # type: ignore[call-arg, misc, unused-ignore]
                *layers, *near, shows, a, b, seen, by_mask, by_legend
            ),
            strips,
            threads,
        )
        grown_by = grown(seen, mask_px), grown(seen, legend_px)
        totals = np.zeros(len(region), dtype=np.int64)
        run_all(
            lambda a, b, grown_by=grown_by, totals=totals: _exposed(  # type: ignore[call-arg, misc, unused-ignore]
                by_mask, by_legend, *grown_by, bits.board, region, a, b, union, totals
            ),
            strips,
            threads,
        )
        found[finish] = int(totals.sum())
    return found, union


@njit(cache=True, nogil=True, error_model="numpy")
def _looks(  # type: ignore[no-untyped-def]
    copper,
    opening,
    legend,
    board,
    near_mask,
    near_opening,
    near_bare,
    near_legend,
    shows,
    first,
    last,
    seen,
    by_mask,
    by_legend,
):  # pragma: no cover - compiled
    """Rows first..last: where a finish is seen, and where it may be by a shift of the mask, or of the legend.

    shows : bool (8,), the stacks of copper, opening and legend that the finish is. Legend on an opening is counted as
    ink on an opening.
    """
    for y in range(first, last):
        for j in range(board.shape[1]):
            on = board[y, j]
            if on == np.uint64(0):
                seen[y, j] = by_mask[y, j] = by_legend[y, j] = np.uint64(0)
                continue
            s = m = n = np.uint64(0)
            for stack in range(8):
                if not shows[stack]:
                    continue
                c = copper[y, j] if stack & 1 else on & ~copper[y, j]
                o = opening[y, j] if stack & 2 else on & ~opening[y, j]
                p = legend[y, j] if stack & 4 else on & ~legend[y, j]
                s |= c & o & p
                if stack & 2 and stack & 4:
                    continue
                may = c & (near_opening[y, j] if stack & 2 else near_mask[y, j])
                m |= may & p
                n |= may & (near_legend[y, j] if stack & 4 else near_bare[y, j]) & ~p
            seen[y, j], by_mask[y, j], by_legend[y, j] = s, m, n


@njit(cache=True, nogil=True, error_model="numpy")
def _exposed(by_mask, by_legend, seen_by_mask, seen_by_legend, board, region, first, last, union, totals):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Rows first..last: add to the union what shows where none of it is near, and count it by strips."""
    for y in range(first, last):
        flags = region[y // BLOCK]
        for j in range(board.shape[1]):
            if flags[j] == 0:
                continue
            bare = (by_mask[y, j] & ~seen_by_mask[y, j]) | (by_legend[y, j] & ~seen_by_legend[y, j])
            bare &= board[y, j]
            if bare != np.uint64(0):
                union[y, j] |= bare
                totals[y // BLOCK] += set_bits(bare)


assert (COPPER, OPENING, LEGEND) == (1, 2, 4)  # the bits of a stack in `_looks`
