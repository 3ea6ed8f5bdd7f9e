"""What is left after widening: at each place the cheapest of several changes that leaves nothing wrong there.

Places are where faults lie, with as much around them as a change may reach. A change is tried at all places at once;
each place keeps the one that leaves fewest faults, and of these the one that takes least from the look, by the
CIEDE2000 between the finish that was asked for and the one that is shown, summed over its pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.bit_morphology import Bits, Region, dilate, disc, region_of
from worker.engine.fabrication.bit_parts import Parts, chosen_parts, connected_parts, pixels_in_parts, run_mask
from worker.engine.fabrication.board_windows import Window, in_windows
from worker.engine.fabrication.clearance import keep_clear
from worker.engine.fabrication.partition import FinishRule, Partition
from worker.engine.fabrication.plane_moves import Planes, take_over
from worker.engine.fabrication.widening import fill, grown, worth_keeping

_FAULT_PRICE = 400.0
"""What a faulty pixel that stays costs: more than any change of its surroundings."""

_FILLS = 3

_CUT_PRICE = 200.0
"""What it costs more to change a pixel of a piece that holds two parts together."""

Change = Callable[[Partition, Bits, Region], None]


def fill_thin(board: Partition, faults: Bits, region: Region) -> None:
    """Thin parts go to their neighbours, rule by rule."""
    for _ in range(_FILLS):
        board.keep_from_edge()
        keep_clear(board, region)
        found = False
        for rule in board.rules:
            thin = board.thin(rule, region)
            if thin.any():
                found = True
                fill(board, thin, rule.others, rule.diameter_px)
        if not found:
            break


def grow_worthy(board: Partition, region: Region) -> None:
    """Thin pieces that hold parts together, and strokes, grow, whatever that makes too thin."""
    for rule in board.rules:
        thin = board.thin(rule, region)
        if not thin.any():
            continue
        _, space = board.space(rule, region)
        joints = worth_keeping(board, rule, thin, space)
        if joints.any():
            wish = grown(board, rule, joints, space) & ~board.outside
            fill(board, wish, rule.part, 2 * rule.diameter_px)


def grow_joints(board: Partition, faults: Bits, region: Region) -> None:
    """Thin pieces worth keeping grow; what is thin then goes."""
    grow_worthy(board, region)
    fill_thin(board, faults, region)


def grow_thin(board: Partition, faults: Bits, region: Region) -> None:
    """Thin parts grow, whatever that makes too thin, and that goes."""
    for rule in board.rules:
        thin = board.thin(rule, region)
        if thin.any():
            _, space = board.space(rule, region_of(thin, 0))
            wish = grown(board, rule, thin, space) & ~board.outside
            fill(board, wish, rule.part, 2 * rule.diameter_px)
    fill_thin(board, faults, region)


def _blot(finish: int, diameter_px: int) -> Change:
    def change(board: Partition, faults: Bits, region: Region) -> None:
        where = dilate(faults, disc(diameter_px), region=region, threads=board.threads)
        board.move(where & ~board.outside, finish)
        fill_thin(board, faults, region)

    return change


def settle(board: Partition, wanted: Planes, faults: Bits, *, thorough: bool) -> None:
    """Change the surroundings of faults so that fewer are left, window by window.

    wanted : the planes as they were asked for. thorough : try blots of every finish, too.
    """
    # A change reaches no farther than the blocks; rules look one block farther.
    before, region = board.planes, region_of(faults, 1)
    board.planes = before.copy()

    def work(window: Window) -> None:
        part = board.window(before, window.rows, window.words)
        _settle_window(part, window.cut(wanted), window.own.copy(), thorough)
        window.paste(board.planes, part.planes)

    in_windows(work, region, board.shape, board.threads)
    board.note_changes(region, before)


def _settle_window(board: Partition, wanted: Planes, region: Region, thorough: bool) -> None:
    faults = board.faults(region)
    reach = 2 * max(rule.diameter_px for rule in board.rules) + 1
    around = dilate(faults, disc(min(reach, 63)), threads=1)
    places = connected_parts(around, corners=True)
    region = region & region_of(around, 0)
    joints = [_joints(board, rule, region) for rule in board.rules]
    before, known = board.planes, board.measured
    chosen = before.copy()
    best = _FAULT_PRICE * pixels_in_parts(faults, places)
    unclean = np.ones(places.count, dtype=np.bool_)
    for changes in _changes(board, thorough):
        for change in changes:
            board.planes, board.measured = before.copy(), None if known is None else known.copy()
            change(board, faults, region)
            left = pixels_in_parts(board.faults(region), places)
            cost = _costs(places, before, board.planes, wanted, board.distance) + _FAULT_PRICE * left
            cut = np.zeros(places.count)
            for rule, bits in zip(board.rules, joints, strict=True):
                if bits.any():
                    cut += pixels_in_parts(bits & ~board.union(rule.part + rule.spare), places)
            cost += _CUT_PRICE * cut
            better = cost < best
            if better.any():
                best[better] = cost[better]
                unclean[better] = (left[better] > 0) | (cut[better] > 0)
                take_over(chosen, chosen_parts(places, better, faults.shape), board.planes)
        if not unclean.any():
            break
        region = region & region_of(chosen_parts(places, unclean, faults.shape), 0)
    board.planes, board.measured = chosen, None


def _changes(board: Partition, thorough: bool) -> Iterator[tuple[Change, ...]]:
    """Groups of changes: a later group is tried where no earlier one leaves a place clean and whole."""
    yield (fill_thin,)
    yield grow_joints, grow_thin
    if thorough:
        widest = max(rule.diameter_px for rule in board.rules)
        yield tuple(_blot(finish, max(1, widest // 2)) for finish in range(board.count))


def _joints(board: Partition, rule: FinishRule, region: Region) -> Bits:
    thin = board.thin(rule, region)
    return worth_keeping(board, rule, thin, board.space(rule, region)[1]) if thin.any() else thin


def _costs(
    places: Parts,
    before: Planes,
    after: Planes,
    wanted: Planes,
    distance: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    out = np.zeros(places.count)
    _sum_costs(places.first_run, places.starts, places.ends, places.part, before, after, wanted, distance, out)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _sum_costs(first_run, starts, ends, part, before, after, wanted, distance, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """What the changed pixels of each place cost more than they did."""
    count = before.shape[0]
    for y in range(first_run.shape[0] - 1):
        for i in range(first_run[y], first_run[y + 1]):
            for j in range(starts[i] >> 6, (ends[i] + 63) >> 6):
                changed = np.uint64(0)
                for f in range(count):
                    changed |= before[f, y, j] ^ after[f, y, j]
                changed &= run_mask(starts[i], ends[i], j)
                if changed == np.uint64(0):
                    continue
                for w in range(count):
                    asked = changed & wanted[w, y, j]
                    if asked == np.uint64(0):
                        continue
                    for f in range(count):
                        for sign in range(2):
                            bits = asked & (after[f, y, j] if sign == 0 else before[f, y, j])
                            pixels = 0
                            while bits != np.uint64(0):
                                bits &= bits - np.uint64(1)
                                pixels += 1
                            out[part[i]] += (distance[w, f] if sign == 0 else -distance[w, f]) * pixels
