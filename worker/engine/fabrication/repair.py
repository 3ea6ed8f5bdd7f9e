"""Layers that the fab can make, from layers that it can't: at the least cost to the look.

First thin parts: given up, or widened to the limit where there is room. Then legend and openings are parted. Where
something is wrong still, each place takes the cheapest of several changes that leaves nothing wrong there. What no
change could mend goes one way: one finish, under mask and without legend, grows over it. So it ends, with no fault
left: that finish covers more in every turn, and a board all of one finish breaks no rule.

The planes are handed on, not labels: copper that nobody sees is chosen last, so that no limit of copper is broken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.fabrication.bit_morphology import Bits, Frame, Region, count, dilate, disc, region_of, unpack, wider
from worker.engine.fabrication.board_windows import FEW, Window, in_windows
from worker.engine.fabrication.clearance import keep_clear, pull_back, swap_narrow, swap_strips
from worker.engine.fabrication.compensation import compensate
from worker.engine.fabrication.layer_bits import paint, stack_of
from worker.engine.fabrication.partition import Partition
from worker.engine.fabrication.plane_moves import Planes
from worker.engine.fabrication.planes import PAD, PLATED, LayerPlanes, finish_by_layers
from worker.engine.fabrication.settling import grow_joints, settle
from worker.engine.fabrication.unseen_copper import choose_again, makeable_copper
from worker.engine.fabrication.widening import give_up, widen
from worker.engine.painted import PixelColours
from worker.fab_profile import FabProfile

_TURNS = 8
_TRIES = 12
_LATE_TRIES = 36
"""Turns in which changes are tried, and in which every other one is after that: what a blot breaks can be mended again,
and blots begin small again. Covered only, ever farther, a drawing full of rims was lost to its last 49 faults."""
_APART = 3
_ROOM = 3
"""In how many turns faults are finished off in windows, and how many blocks are around them there."""
_COVER_MM, _COVER_MORE_MM = 0.04, 0.04
"""How far the safe finish grows over a fault that nothing mends, and how much farther in every turn; on a grid finer
than 20 micrometres as many pixels as there. In pixels alone, blots on a coarse grid broke more than they mended."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repaired:
    """planes : the layers; they break no limit, unless the profile has no finish that could mend it. changed_bits :
    pixels that show another finish than before, of this frame."""

    planes: LayerPlanes
    changed_bits: Bits
    frame: Frame

    @property
    def changed(self) -> npt.NDArray[np.bool_]:
        """bool (H, W): pixels that show another finish than before."""
        return unpack(self.changed_bits, self.frame)

    @property
    def changed_px(self) -> int:
        """How many they are."""
        return count(self.changed_bits)


def repair(
    planes: LayerPlanes,
    fab: FabProfile,
    lab: npt.NDArray[np.float64],
    *,
    srgb: PixelColours | None = None,
    threads: int = 1,
) -> Repaired:
    """Mend every limit that is broken.

    Parameters
    ----------
    planes : LayerPlanes
        Each pixel must show a finish of the profile, or be off the board.
    lab : float64 (n, 3)
        CIELAB of the profile's finishes: what a change costs is the CIEDE2000 between them.
    srgb : encoded sRGB of (H, W, 3)
        The picture that is wanted, on the grid of the planes; else what the planes show before.
    """
    return repair_board(partition_of(planes, fab, lab, threads=threads), srgb)


def partition_of(planes: LayerPlanes, fab: FabProfile, lab: npt.NDArray[np.float64], *, threads: int = 1) -> Partition:
    """The finishes that the layers show, to be repaired; parameters as in `repair`."""
    finishes = finish_by_layers(fab)
    return Partition(
        planes.stack, fab, lab, pitch_um=planes.pitch_um, threads=threads, planes=planes, finish_of=finishes
    )


def repair_board(board: Partition, srgb: PixelColours | None) -> Repaired:
    """The same of a partition, which is changed. The layers that it was made from may be gone."""
    fab, pitch_um, threads = board.fab, board.pitch_um, board.threads
    wanted = board.planes.copy()
    mend(board, wanted)
    compensate(board, wanted, srgb)
    layers = board.layers()
    copper, left = makeable_copper(layers, fab, pitch_um, threads=threads)
    for turn in range(_TURNS):
        if not left.any():
            break
        # Nothing was wrong before, and what is covered lies within a block.
        around = region_of(left, 2)
        cover(board, left, turn)
        finish_off(board, wanted, around)
        before, layers = layers, board.layers()
        copper, left = choose_again(layers, before, copper, left, fab, pitch_um, threads=threads)
    layers = layers.with_drawn(copper, layers.opening, layers.legend)
    stack = stack_of(layers, threads=threads)
    for bit, bits in ((PLATED, board.plated), (PAD, board.pads)):
        if bits is not None:
            paint(stack, bits, bits, bit, board.frame, threads=threads)
    result = LayerPlanes(stack=stack, pitch_um=pitch_um)
    changed = board.empty()
    for old, new in zip(wanted, board.planes, strict=True):
        changed |= old ^ new
    return Repaired(planes=result, changed_bits=changed, frame=board.frame)


def mend(board: Partition, wanted: Planes) -> None:
    """Change a partition until no rule is broken."""
    board.keep_from_edge()
    board.remember_thin()
    faults = board.faults()
    if faults.any():
        _mend(board, wanted, faults)
    board.measured = None


def _mend(board: Partition, wanted: Planes, faults: Bits) -> None:
    region = region_of(faults, 1)
    swap_strips(board, region)
    give_up(board, region)
    widen(board, region, more_px=(0, 2))
    swap_narrow(board, region)
    pull_back(board, region)
    keep_clear(board, region)
    grow_joints(board, faults, region)
    finish_off(board, wanted)


def finish_off(board: Partition, wanted: Planes, region: Region | None = None) -> None:
    """Settle the last faults, all of them in the region; where that comes to nothing, the safe finish grows over them.

    Few faults are finished off in windows, each by itself; what that breaks where windows end is looked for after it.
    """
    board.remember_thin()
    faults = board.faults(region)
    turn = 0
    while faults.any():
        room = region_of(faults, _ROOM)
        if turn < _APART and room.mean() < FEW:
            before = board.planes
            board.planes = before.copy()

            def work(window: Window, before: Planes = before) -> None:
                part = board.window(before, window.rows, window.words, threads=window.threads)
                asked, left, own_turn = window.cut(wanted), part.faults(window.own), 0
                while left.any() and own_turn < _TRIES:
                    left, own_turn = _finish_turn(part, asked, left, own_turn, window.own), own_turn + 1
                window.paste(board.planes, part.planes)

            in_windows(work, room, board.shape, board.threads, splits=True)
            board.note_changes(room, before)
            faults = board.faults(wider(room))
        else:
            faults = _finish_turn(board, wanted, faults, turn, None)
        turn += 1


def _finish_turn(board: Partition, wanted: Planes, faults: Bits, turn: int, own: Region | None) -> Bits:
    """Change what is around faults; the faults that are left. own : blocks that faults may lie in; None for all."""

    def inside(region: Region) -> Region:
        return region if own is None else region & own

    # What is changed lies within a block of the faults, and what that breaks no more than one block farther.
    around = region_of(faults, 2)
    if turn < _TRIES or (turn < _LATE_TRIES and turn % 2):
        settle(board, wanted, faults, thorough=2 <= turn <= 4)
    left = board.faults(inside(around))
    if left.any() and (turn >= _TRIES or (turn > 0 and count(left) > 0.5 * count(faults))):
        cover(board, left, turn if turn < _TRIES else turn - _TRIES)
        left = board.faults(inside(wider(wider(around))))
    return left


def cover(board: Partition, faults: Bits, turn: int) -> None:
    """Let the safe finish grow over faults, farther in every turn."""
    reach_px = math.ceil((_COVER_MM + _COVER_MORE_MM * turn) * 1000.0 / board.pitch_um)
    where = dilate(faults, disc(min(2 * reach_px + 1, 5 + 4 * turn, 63)), threads=board.threads)
    board.move(where & ~board.outside, safe_finish(board))


def safe_finish(board: Partition) -> int:
    """The finish that may stand anywhere: under mask, without legend, best without copper; the background of these."""
    choices = board.edge_safe or board.plain or tuple(range(board.count))
    background = [finish.id for finish in board.fab.finishes].index(board.fab.background)
    return background if background in choices else choices[0]
