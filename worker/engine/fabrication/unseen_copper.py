"""Copper that nobody sees, chosen so that the limits of copper hold."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.fabrication.bit_morphology import (
    BLOCK,
    Bits,
    corner_touches,
    dilate,
    disc,
    disc_within,
    erode,
    frame_for,
    pack,
    region_of,
    replace,
    unpack,
)
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.free_copper import Contested, choose_free_copper
from worker.engine.fabrication.planes import BOARD, COPPER, FREE_COPPER, LayerPlanes, planes_of
from worker.engine.fabrication.rims import blocks
from worker.engine.fabrication.thin_parts import reach_of, thin_parts
from worker.engine.fabrication.width_rules import edge_px, limit_px
from worker.fab_profile import FabProfile

_TURNS = 6
_LAST_PX = (0, 3, 8, 16, 32, 60)
"""How far around the last faults free pixels are filled, or emptied: what lines and gaps can't settle in turns."""


def with_makeable_copper(
    labels: Labels, planes: LayerPlanes, fab: FabProfile, *, contested: Contested | None = None, threads: int = 1
) -> tuple[LayerPlanes, npt.NDArray[np.bool_]]:
    """The planes of these labels, and bool (H, W): pixels of copper's lines and gaps that no choice could mend.

    planes : as they were before: where free copper had been chosen and still is free, that choice is kept at first.
    contested : as in `choose_free_copper`.
    """
    drawn = planes_of(np.where(labels == OUTSIDE, 0, labels), fab, pitch_um=planes.pitch_um).stack.copy()
    drawn[labels == OUTSIDE] = 0
    free = (drawn & FREE_COPPER) != 0
    if not free.any():
        return LayerPlanes(stack=drawn, pitch_um=planes.pitch_um), np.zeros(labels.shape, dtype=np.bool_)
    drawn_planes = LayerPlanes(stack=drawn, pitch_um=planes.pitch_um)
    stack = choose_free_copper(drawn_planes, fab, contested=contested, threads=threads).stack.copy()
    line, gap = (limit_px(fab.limits["copper", key].value_mm, planes.pitch_um) for key in ("line_mm", "gap_mm"))
    edge = edge_px(fab.limits["edge", "routed_mm"].value_mm, planes.pitch_um)
    frame = frame_for(*labels.shape, largest_px=max(line, gap, edge) + 2)

    def plane(bits: int) -> Bits:
        table = np.array([(value & bits) != 0 for value in range(256)], dtype=np.uint8)
        return pack(stack, table, frame, outside=False, threads=threads)

    board = plane(BOARD)
    choice = plane(FREE_COPPER)
    copper = plane(COPPER) & ~(choice & dilate(~board, disc_within(edge), threads=threads))
    left = _settle(copper, choice, board, line, gap, edge, threads)
    stack &= np.uint8(0xFF ^ COPPER)
    stack |= np.where(unpack(copper, frame), np.uint8(COPPER), np.uint8(0))
    return LayerPlanes(stack=stack, pitch_um=planes.pitch_um), unpack(left, frame)


class _Thin:
    """The too thin pixels of copper's lines, or of its gaps: measured again only where copper changed since."""

    def __init__(self, board: Bits, diameter_px: int, threads: int, *, gaps: bool) -> None:
        self._board, self._diameter_px, self._threads, self._gaps = board, diameter_px, threads, gaps
        self._beside = blocks(reach_of(diameter_px).before)
        self._copper: Bits | None = None
        self._found = board

    def __call__(self, copper: Bits) -> Bits:
        space = ~copper if self._gaps else copper | ~self._board
        region = None if self._copper is None else region_of(copper ^ self._copper, self._beside)
        if region is None or region.any():
            part = space & self._board
            found = thin_parts(part, space, self._diameter_px, region=region, threads=self._threads)
            if region is None:
                self._found = found
            else:
                replace(self._found, found, region)
            self._copper = copper.copy()
        return self._found


def _settle(copper: Bits, free: Bits, board: Bits, line: int, gap: int, edge: int, threads: int) -> Bits:
    """Choose free pixels anew where a line or a gap is too thin, in place, until nothing changes; the faults left.

    What is seen is too thin only where discs could lie in free pixels beside it: they are put there. Thin lines and
    gaps among the free pixels themselves go.
    """
    banned = dilate(~board, disc_within(edge), threads=threads)
    may_have = (copper | free) & ~(free & banned) | ~board
    may_lack = ~copper | free
    thin_lines, thin_gaps = _Thin(board, line, threads, gaps=False), _Thin(board, gap, threads, gaps=True)

    def faults_of(copper: Bits) -> Bits:
        """Lines and gaps of copper too thin, and where it touches itself at a corner only."""
        return thin_lines(copper) | thin_gaps(copper) | corner_touches(copper, board, threads=threads)

    for turn in range(_TURNS):
        copper |= _discs(thin_lines(copper) & ~free, may_have, line, threads) & free & ~banned
        copper &= ~(_discs(thin_gaps(copper) & ~free, may_lack, gap, threads) & free)
        if turn < _TURNS // 2:
            copper |= thin_gaps(copper) & free & ~banned
        touches = corner_touches(copper, board, threads=threads)
        copper &= ~(free & (thin_lines(copper) | (_beside(touches, threads) if touches.any() else touches)))
        faults = faults_of(copper)
        if not faults.any():
            return faults
    for reach in _LAST_PX:
        for fill in (True, False):
            if not faults.any():
                return faults
            near = dilate(faults, disc_within(reach), region=region_of(faults, 1), threads=threads) & free
            tried = copper | (near & ~banned) if fill else copper & ~near
            better = _better_places(faults, faults_of(tried), near, max(line, gap), threads)
            if better.any():
                copper ^= (copper ^ tried) & better
                faults = faults_of(copper)
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
