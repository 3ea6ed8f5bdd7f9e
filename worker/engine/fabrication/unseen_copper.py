"""Copper that nobody sees, chosen so that the limits of copper hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import (
    BLOCK,
    Bits,
    Region,
    corner_touches,
    dilate,
    disc,
    disc_within,
    erode,
    everywhere,
    region_of,
    wider,
)
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.board_windows import FEW, Window, in_windows, mask_of
from worker.engine.fabrication.edge_bands import Edges, edge_band, pad_reach_px
from worker.engine.fabrication.free_copper import free_copper, strips_of
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.rims import blocks, if_sparse
from worker.engine.fabrication.sparse_bits import (
    add,
    blocks_changed,
    common,
    copy_where,
    remove,
    take_over,
    without,
)
from worker.engine.fabrication.thin_parts import reach_of, thin_parts
from worker.engine.fabrication.width_rules import edge_px, limit_px
from worker.fab_profile import FabProfile

_TURNS = 6
_APART = 0.4
"""Share of a board's blocks up to which its faults are settled in windows: most of them are settled at once."""
_LAST_PX = (0, 3, 8, 16, 32, 60)
"""How far around the last faults free pixels are filled, or emptied: what lines and gaps can't settle in turns."""


def makeable_reach_px(fab: FabProfile, pitch_um: float) -> int:
    """The widest disc that the choice asks for: what the pad of its planes must hold."""
    line, gap, edge = _limits(fab, pitch_um)
    return max(line, gap, edge, pad_reach_px(fab, "copper", pitch_um), 2 * strips_of(fab, pitch_um).opening) + 2


def _limits(fab: FabProfile, pitch_um: float) -> tuple[int, int, int]:
    """Copper's line, its gap, and how far it keeps from the edge, in pixels."""
    line, gap = (limit_px(fab.limits["copper", key].value_mm, pitch_um) for key in ("line_mm", "gap_mm"))
    return line, gap, edge_px(fab.limits["edge", "routed_mm"].value_mm, pitch_um)


def makeable_copper(bits: LayerBits, fab: FabProfile, pitch_um: float, *, threads: int = 1) -> tuple[Bits, Bits]:
    """The plane of copper with all free pixels chosen, and the pixels of lines and gaps that no choice could mend."""
    if not bits.free.any():
        return bits.copper.copy(), np.zeros_like(bits.copper)
    copper, banned = _chosen(bits, fab, pitch_um, threads)
    line, gap, _ = _limits(fab, pitch_um)
    return copper, _settle(copper, bits.free, bits.board, banned, line, gap, threads)


def _chosen(bits: LayerBits, fab: FabProfile, pitch_um: float, threads: int) -> tuple[Bits, Bits]:
    """Copper as its neighbours ask for it, and where it would be too near to the board's edge."""
    copper = free_copper(bits, strips_of(fab, pitch_um), threads=threads)
    edges = Edges(outside=~bits.board, plated=bits.plated, pads=bits.pads)
    region = if_sparse(region_of(~bits.board, 1))
    banned = edge_band(edges, fab, "copper", pitch_um, region=region, threads=threads)
    banned = edges.outside if banned is None else banned | edges.outside
    copper &= ~(bits.free & banned)
    return copper, banned


def choose_again(
    bits: LayerBits,
    before: LayerBits,
    copper: Bits,
    left: Bits,
    fab: FabProfile,
    pitch_um: float,
    *,
    threads: int = 1,
) -> tuple[Bits, Bits]:
    """The same for layers of which little changed: what lies a block from all changes stays as it was chosen.

    before : the layers as they were. copper, left : what `makeable_copper` made of them; not written into.
    """
    changed = np.zeros_like(everywhere(copper.shape))
    for new, old in ((bits.copper, before.copper), (bits.opening, before.opening), (bits.free, before.free)):
        changed |= blocks_changed(new, old)
    inner = wider(changed)
    own = wider(inner)
    if own.mean() >= FEW:
        return makeable_copper(bits, fab, pitch_um, threads=threads)
    known, copper, left = copper, copper.copy(), left.copy()
    line, gap, _ = _limits(fab, pitch_um)

    def work(window: Window) -> None:
        part = window.cut_layers(bits)
        choosable = part.free & mask_of(window.cut_region(inner), len(part.free))
        kept = window.cut(known) & part.free & ~choosable
        part = replace(part, copper=(part.copper & ~part.free) | kept, free=choosable)
        new, banned = _chosen(part, fab, pitch_um, 1)
        faults = _settle_part(new, choosable, part.board, banned, line, gap, window.own)
        window.paste(copper, new)
        window.paste(left, faults)

    in_windows(work, own, copper.shape, threads)
    return copper, left


class _Thin:
    """The too thin pixels of copper's lines, or of its gaps: measured again only where copper changed since."""

    def __init__(self, board: Bits, diameter_px: int, threads: int, own: Region | None, *, gaps: bool) -> None:
        self._board, self._diameter_px, self._threads, self._gaps, self._own = board, diameter_px, threads, gaps, own
        self._beside = blocks(reach_of(diameter_px).before)
        self._copper, self._part, self._space = (np.empty_like(board) for _ in range(3))
        self._found: Bits | None = None

    def __call__(self, copper: Bits) -> Bits:
        """Not to be written into."""
        first = self._found is None
        changed = everywhere(copper.shape) if first else blocks_changed(copper, self._copper)
        if self._found is None or changed.any():
            _refresh(copper, self._board, self._gaps, changed, self._copper, self._part, self._space)
            region = self._own if first else changed
            if region is not None and not first:
                for _ in range(self._beside):
                    region = wider(region)
                region = region if self._own is None else region & self._own
            found = thin_parts(self._part, self._space, self._diameter_px, region=region, threads=self._threads)
            if self._found is None or region is None:
                self._found = found
            else:
                take_over(self._found, found, region)
        return self._found


@njit(cache=True, nogil=True, error_model="numpy")
def _refresh(copper, board, gaps, region, known, part, space):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What is copper, or none, on the board (`part`), and where discs may lie (`space`), in the region."""
    for y in range(copper.shape[0]):
        flags = region[y // BLOCK]
        for j in range(copper.shape[1]):
            if flags[j] != 0:
                here, on = copper[y, j], board[y, j]
                known[y, j] = here
                space[y, j] = ~here if gaps else here | ~on
                part[y, j] = (~here if gaps else here) & on


def _settle(copper: Bits, free: Bits, board: Bits, banned: Bits, line: int, gap: int, threads: int) -> Bits:
    """Choose free pixels anew where a line or a gap is too thin, in place; the faults that are left.

    As soon as few are, windows are settled, each by itself.
    """
    settling = _Settling(copper, free, board, banned, line, gap, threads, None)
    faults = settling.faults(copper)
    for turn in range(_TURNS):
        inner = region_of(faults, 2)
        own = wider(inner)
        if own.mean() < _APART:
            break
        settling.turn(copper, turn)
        faults = settling.faults(copper)
    else:
        return settling.last(copper, faults)
    del settling  # its planes, beside which windows need room
    before, left = copper.copy(), np.zeros(copper.shape, dtype=np.uint64)

    def work(window: Window) -> None:
        part = window.cut(before)
        choosable = window.cut(free) & mask_of(window.cut_region(inner), len(part))
        limits = window.cut(board), window.cut(banned), line, gap
        found = _settle_part(part, choosable, *limits, window.own, first_turn=turn)
        window.paste(copper, part)
        window.paste(left, found)

    in_windows(work, own, copper.shape, threads)
    return left


def _settle_part(
    copper: Bits, free: Bits, board: Bits, banned: Bits, line: int, gap: int, own: Region, *, first_turn: int = 0
) -> Bits:
    """The same in a window, until nothing changes, from a later turn on; the faults left. own : where faults count."""
    settling = _Settling(copper, free, board, banned, line, gap, 1, own)
    faults = settling.faults(copper)
    for turn in range(first_turn, _TURNS):
        if not faults.any():
            return faults
        settling.turn(copper, turn)
        faults = settling.faults(copper)
    return settling.last(copper, faults)


class _Settling:
    """Free pixels chosen anew where a line or a gap is too thin, on a board or in a window of it.

    What is seen is too thin only where discs could lie in free pixels beside it: they are put there. Thin lines and
    gaps among the free pixels themselves go.
    """

    def __init__(
        self,
        copper: Bits,
        free: Bits,
        board: Bits,
        banned: Bits,
        line: int,
        gap: int,
        threads: int,
        own: Region | None,
    ) -> None:
        """banned : where copper would be too near to the board's edge. own : where faults count."""
        self._free, self._board, self._line, self._gap, self._threads, self._own = free, board, line, gap, threads, own
        self._fillable = free & ~banned
        self._may_have, self._may_lack = copper | self._fillable | ~board, ~copper | free
        self._thin_lines = _Thin(board, line, threads, own, gaps=False)
        self._thin_gaps = _Thin(board, gap, threads, own, gaps=True)

    def faults(self, copper: Bits) -> Bits:
        """Lines and gaps of copper too thin, and where it touches itself at a corner only."""
        faults = corner_touches(copper, self._board, region=self._own, threads=self._threads)
        for thin in (self._thin_lines(copper), self._thin_gaps(copper)):
            add(faults, thin, region_of(thin, 0))
        return faults

    def _discs(self, thin: Bits, space: Bits, diameter_px: int, choosable: Bits) -> tuple[Bits, Region]:
        """What discs beside seen faults ask for of the pixels that may be chosen, and where."""
        seen = without(thin, self._free, region_of(thin, 0))
        region = region_of(seen, 1)
        return common(_discs(seen, space, diameter_px, self._threads), choosable, region), region

    def turn(self, copper: Bits, turn: int) -> None:
        """Change what the faults ask for, in place."""
        free = self._free
        add(copper, *self._discs(self._thin_lines(copper), self._may_have, self._line, self._fillable))
        remove(copper, *self._discs(self._thin_gaps(copper), self._may_lack, self._gap, free))
        if turn < _TURNS // 2:
            gaps = self._thin_gaps(copper)
            region = region_of(gaps, 0)
            add(copper, common(gaps, self._fillable, region), region)
        lines = self._thin_lines(copper).copy()
        touches = corner_touches(copper, self._board, region=self._own, threads=self._threads)
        if touches.any():
            lines |= _beside(touches, self._threads)
        region = region_of(lines, 0)
        remove(copper, common(lines, free, region), region)

    def last(self, copper: Bits, faults: Bits) -> Bits:
        """Fill free pixels around the last faults, or empty them, in place, where that leaves fewer; what is left."""
        for reach in _LAST_PX:
            for fill in (True, False):
                if not faults.any():
                    return faults
                near = dilate(faults, disc_within(reach), region=region_of(faults, 1), threads=self._threads)
                region = region_of(near, 0)
                near = common(near, self._fillable if fill else self._free, region)
                tried = copper.copy()
                (add if fill else remove)(tried, near, region)
                better = _better_places(faults, self.faults(tried), near, max(self._line, self._gap), self._threads)
                if better.any():
                    copy_where(copper, tried, better, region)
                    faults = self.faults(copper)
        return faults


def _better_places(faults: Bits, left: Bits, changed: Bits, diameter_px: int, threads: int) -> Bits:
    """Where a change leaves fewer faults, each place by itself, with all that its discs reach."""
    around = faults | changed
    far = disc_within(min(reach_of(diameter_px).before, BLOCK - 4))
    around = dilate(around, far, region=region_of(around, 1), threads=threads)
    places = connected_parts(around, corners=True, threads=threads)
    better = pixels_in_parts(left, places) < pixels_in_parts(faults, places)
    return chosen_parts(places, better, around.shape, threads=threads)


def _beside(touches: Bits, threads: int) -> Bits:
    return dilate(touches, disc(3), region=region_of(touches, 1), threads=threads)


def _discs(faults: Bits, space: Bits, diameter_px: int, threads: int) -> Bits:
    """All discs in the space that reach the faults."""
    if not faults.any():
        return faults
    region = region_of(faults, 1)
    centres = erode(space, disc(diameter_px), region=region, threads=threads)
    centres &= dilate(faults, disc_within(diameter_px / 2.0), region=region, threads=threads)
    return dilate(centres, disc(diameter_px), region=region, threads=threads)
