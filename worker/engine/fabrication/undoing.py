"""What is drawn upon layers that broke no limit, undone around the faults that it makes.

What is undone is as it was before, and that breaks no limit: so it ends without faults, and with as much of the drawing
as fits in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import (
    BLOCK,
    Bits,
    Region,
    blocks_held,
    count,
    dilate,
    disc_within,
    needed_runs,
    reached,
    region_of,
    strip_groups,
    wider,
)
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.board_windows import FEW, Window, in_windows, mask_of
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.layer_faults import LayerFaults
from worker.engine.fabrication.rims import widened
from worker.engine.fabrication.sparse_bits import copy_where, remove
from worker.engine.threads import run_all
from worker.fab_profile import FabProfile

_CREEP = (0.03,) * 8
_CUT = (0.24, 0.0, 0.0)
_BITES = (0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)
_WIDE_BITES = (1.0,)
_REACHES_MM = (
    0.0,
    0.0,
    *_CREEP[:4],
    *_CUT,
    *_CUT,
    *_CUT,
    *_CREEP,
    *(reach for bite in _BITES for reach in (bite, *_CREEP)),
)
"""How far around a broken limit the drawing is undone, turn by turn; after them whole parts of it are. Many small steps
keep far more of a border than a few large ones: each cut leaves spikes, and what mends them is small. But along a
straight border small steps may creep on and on: a cut far wider than the rim ends it squarely."""
_ROOM = 3
"""How many blocks are around faults in windows: what is undone creeps along a border."""
_BESIDE_PX = 4.0
"""A fault so near to a drawn one waits for what the undoing of that one does."""


def undo_faults(
    bits: LayerBits,
    before: LayerBits,
    fab: FabProfile,
    pitch_um: float,
    *,
    excuse_before: bool = False,
    threads: int = 1,
) -> int:
    """Draw layers as they were before, wherever what was drawn since then breaks a limit, in place.

    What is too thin by itself goes first; then what lies around a fault, farther each time it is still there.
    Returns how many pixels were undone. `before` must break no limit, else what it breaks stays; with `excuse_before`
    it may, and nothing is undone for that; then a fault may stay that is still there when all is undone around it.
    """
    faults_in = LayerFaults(bits, fab, pitch_um, threads=threads)
    if excuse_before:
        faults_in.excuse(before)
    drawn = drawn_since(bits, before)
    at_first = count(drawn)
    outside = faults_in.too_far_out(bits) & drawn
    _undo(bits, before, outside, drawn, region_of(outside, 0))
    board = _Undoing(
        bits=bits,
        before=before,
        drawn=drawn,
        faults_in=faults_in,
        pitch_um=pitch_um,
        threads=threads,
        scratch=_scratch(drawn.shape),
    )
    region = reached(drawn, region_of(drawn, 0), faults_in.reach_px)
    faults = faults_in(bits, region)
    apart = False
    for turn in range(len(_REACHES_MM)):
        room = widened(blocks_held(faults, region), _ROOM)
        if turn > 0 and not apart and room.mean() < FEW:
            # What is left then hangs together over more than a window, or lies where two of them end.
            apart, region = True, wider(room)
            board.apart(faults, room, turn)
            faults = faults_in(bits, region)
        if not blocks_held(faults, region).any():
            return at_first - count(drawn)
        region = board.turn(faults, region, _REACHES_MM[turn], None)
    if excuse_before:
        # What is drawn may hang on all of what it was drawn upon, so that its whole parts are most of it.
        for reach_mm in _WIDE_BITES:
            if not faults.any():
                break
            wide = _grown(faults, region_of(faults, 0), reach_mm * 1000.0 / pitch_um, threads)[0] & drawn
            _undo(bits, before, wide, drawn, region_of(wide, 0))
            faults = faults_in(bits)
        return at_first - count(drawn)
    while faults.any():
        near = _grown(faults, region_of(faults, 0), _BITES[-1] * 1000.0 / pitch_um, threads)[0] & drawn
        if not near.any():
            break
        whole = _whole_parts(near, drawn, threads)
        _undo(bits, before, whole, drawn, region_of(whole, 0))
        faults = faults_in(bits)
    return at_first - count(drawn)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Undoing:
    """Layers that are drawn as they were before around their faults: a board's, or those of a window on it.

    drawn : what differs from before. scratch : three planes for what a turn works out, empty between turns: to empty a
    region of them costs less than three new planes.
    """

    bits: LayerBits
    before: LayerBits
    drawn: Bits
    faults_in: LayerFaults
    pitch_um: float
    threads: int
    scratch: tuple[Bits, Bits, Bits]

    def turn(self, faults: Bits, region: Region, reach_mm: float, own: Region | None) -> Region:
        """Undo what lies around the faults, all in the region; the blocks that may hold faults then. `faults` are what
        is left, in place; `own` : where they count."""
        itself, seeds, near = self.scratch
        at = np.zeros(region.shape, dtype=np.uint8)
        self._run(_fault_pixels, faults, self.drawn, region, itself, at)
        dilate(itself, disc_within(_BESIDE_PX), region=at, threads=self.threads, out=near)
        self._run(_not_waiting, faults, near, at, seeds)
        far, reach_px = at, reach_mm * 1000.0 / self.pitch_um
        while reach_px > 0.0:
            step, held = min(reach_px, BLOCK - 4.0), far
            far = wider(far)
            dilate(seeds, disc_within(step), region=far, threads=self.threads, out=near)
            self._run(_clear, seeds, held)
            seeds, near = near, seeds
            reach_px -= step
        undone = np.zeros(region.shape, dtype=np.uint8)
        layers = [plane for bits in (self.bits, self.before) for plane in (bits.copper, bits.opening, bits.legend)]
        self._run(_undo_beside, seeds, itself, *layers, far, self.drawn, undone)
        far_held, held = (
            reached(seeds, undone, px) if own is None else reached(seeds, undone, px) & own
            for px in (self.faults_in.reach_px, self.faults_in.near_reach_px)
        )
        held |= far_held & at  # elsewhere no rule found anything that could be lost
        self._run(_clear, seeds, far)
        self._run(_clear, itself, at)
        self._run(_clear, faults, far_held)
        self.faults_in.add(self.bits, held, faults, far=far_held)
        return far_held | at

    def _run(self, work, *arguments) -> None:  # type: ignore[no-untyped-def]
        """Let a loop work on all rows."""
        strips = strip_groups(self.drawn.shape[0], self.threads)
        run_all(lambda first, last: work(*arguments, first, last), strips, self.threads)

    def apart(self, faults: Bits, room: Region, first_turn: int) -> None:
        """Undo what lies around the faults in windows, each by itself and turn by turn."""
        planes = self.bits.copper, self.bits.opening, self.bits.legend, self.drawn
        start = self.bits.with_drawn(*(plane.copy() for plane in planes[:3]))
        drawn = self.drawn.copy()

        def work(window: Window) -> None:
            own_drawn = window.cut(drawn)
            part = _Undoing(
                bits=window.cut_layers(start),
                before=window.cut_layers(self.before),
                drawn=own_drawn,
                faults_in=self.faults_in.window(window),
                pitch_um=self.pitch_um,
                threads=1,
                scratch=_scratch(own_drawn.shape),
            )
            left = window.cut(faults) & mask_of(window.own, len(part.drawn))
            region = window.own
            for reach_mm in _REACHES_MM[first_turn:]:
                if not left.any():
                    break
                region = part.turn(left, region, reach_mm, window.own)
            for plane, made in zip(
                planes, (part.bits.copper, part.bits.opening, part.bits.legend, part.drawn), strict=True
            ):
                window.paste(plane, made)

        in_windows(work, room, self.drawn.shape, self.threads)


def _scratch(shape: tuple[int, ...]) -> tuple[Bits, Bits, Bits]:
    one, two, three = (np.zeros(shape, dtype=np.uint64) for _ in range(3))
    return one, two, three


@njit(cache=True, nogil=True, error_model="numpy")
def _clear(bits, region, first, last):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for top in range(first, last, BLOCK):
        runs = needed_runs(region[top // BLOCK], 0)
        for y in range(top, min(top + BLOCK, last)):
            for n in range(runs.shape[0]):
                bits[y, runs[n, 0] : runs[n, 1]] = np.uint64(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _fault_pixels(faults, drawn, region, itself, at, first, last):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Faulty pixels that are drawn, and the blocks that hold faults."""
    for top in range(first, last, BLOCK):
        runs = needed_runs(region[top // BLOCK], 0)
        for y in range(top, min(top + BLOCK, last)):
            for n in range(runs.shape[0]):
                for j in range(runs[n, 0], runs[n, 1]):
                    word = faults[y, j]
                    if word != np.uint64(0):
                        at[top // BLOCK, j] = 1
                        itself[y, j] = word & drawn[y, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _not_waiting(faults, near, at, seeds, first, last):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Faults that no drawn one is near; and what is near is emptied."""
    for top in range(first, last, BLOCK):
        runs = needed_runs(at[top // BLOCK], 0)
        for y in range(top, min(top + BLOCK, last)):
            for n in range(runs.shape[0]):
                for j in range(runs[n, 0], runs[n, 1]):
                    seeds[y, j] = faults[y, j] & ~near[y, j]
                    near[y, j] = np.uint64(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _undo_beside(  # type: ignore[no-untyped-def]
    near, itself, copper, opening, legend, old_copper, old_opening, old_legend, far, drawn, undone, first, last
):  # pragma: no cover - compiled
    """Draw what is drawn near to faults, and they themselves, as it was before; `near` is left as what that was."""
    for top in range(first, last, BLOCK):
        runs = needed_runs(far[top // BLOCK], 0)
        for y in range(top, min(top + BLOCK, last)):
            for n in range(runs.shape[0]):
                for j in range(runs[n, 0], runs[n, 1]):
                    where = (near[y, j] & drawn[y, j]) | itself[y, j]
                    near[y, j] = where
                    if where != np.uint64(0):
                        undone[top // BLOCK, j] = 1
                        copper[y, j] ^= (copper[y, j] ^ old_copper[y, j]) & where
                        opening[y, j] ^= (opening[y, j] ^ old_opening[y, j]) & where
                        legend[y, j] ^= (legend[y, j] ^ old_legend[y, j]) & where
                        drawn[y, j] &= ~where


def _grown(bits: Bits, held: Region, reach_px: float, threads: int) -> tuple[Bits, Region]:
    """What lies within reach, and blocks that hold all of it. held : blocks that hold all bits."""
    while reach_px > 0.0:
        step, held = min(reach_px, BLOCK - 4.0), wider(held)
        bits = dilate(bits, disc_within(step), region=held, threads=threads)
        reach_px -= step
    return bits, held


def _whole_parts(near: Bits, drawn: Bits, threads: int) -> Bits:
    parts = connected_parts(drawn, corners=True, threads=threads)
    return chosen_parts(parts, pixels_in_parts(near, parts) > 0, drawn.shape, threads=threads)


def _undo(bits: LayerBits, before: LayerBits, where: Bits, drawn: Bits, region: Region) -> None:
    """Draw these pixels, all in the region, as they were before, in place, and take them off what is drawn."""
    for plane, old in (
        (bits.copper, before.copper),
        (bits.opening, before.opening),
        (bits.legend, before.legend),
    ):
        copy_where(plane, old, where, region)
    remove(drawn, where, region)


def drawn_since(bits: LayerBits, before: LayerBits) -> Bits:
    """Pixels at which some layer is not as it was before."""
    return np.asarray((bits.copper ^ before.copper) | (bits.opening ^ before.opening) | (bits.legend ^ before.legend))
