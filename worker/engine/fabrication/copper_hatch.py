"""Hatched copper: parallel lines at 45 degrees in a frame, as wide as the fab can make them.

A hatch holds about half of the copper that a solid holds, which evens out the balance and lets gas out of the board.
Planes keep a hatch as solid copper with the bit HATCHED; its gaps are cut when contours are made.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import (
    Bits,
    Frame,
    corner_touches,
    dilate,
    disc,
    disc_within,
    erode,
    frame_for,
    opened,
    unpack,
)
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.border_rule import whole_pixels
from worker.engine.fabrication.free_copper import strips_of
from worker.engine.fabrication.layer_bits import pack_bit, paint
from worker.engine.fabrication.planes import BOARD, COPPER, FREE_COPPER, HATCHED, LayerPlanes
from worker.engine.fabrication.thin_parts import thin_parts
from worker.engine.fabrication.width_rules import limit_px
from worker.engine.threads import row_strips, run_all
from worker.fab_profile import FabProfile

LARGE_LINES = 8
"""Copper is large where a disc as wide as so many lines and gaps of the hatch fits in."""
_TURNS = 4
_STRIP = 128
_ONE = np.uint64(1)


@njit(cache=True, nogil=True, error_model="numpy")
def _stripes(period, gap, pad_px, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Bits of the gaps between lines, which rise to the right, in rows first..last of a packed plane."""
    for y in range(first, last):
        place = (y - pad_px - pad_px) % period
        for j in range(out.shape[1]):
            word = np.uint64(0)
            for i in range(64):
                if place < gap:
                    word |= _ONE << np.uint64(i)
                place += 1
                if place == period:
                    place = 0
            out[y, j] = word


def cut_hatches(planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> LayerPlanes:
    """Planes without HATCHED, in which COPPER is cleared between the lines of every hatch.

    Lines and gaps are as wide as `limits.copper.hatch_mm`, or a pixel or two wider; around each hatch stands a frame of
    a line's width, and no gap is cut where one can't be as wide as the limit, or where it leaves copper thinner than
    the fab's lines.
    """
    if not planes.has(HATCHED):
        return planes
    line_px = whole_pixels(fab.limits["copper", "hatch_mm"].value_mm, planes.pitch_um)
    frame = frame_for(planes.height_px, planes.width_px, largest_px=2 * line_px + 1)
    hatched = pack_bit(planes.stack, HATCHED, frame, threads=threads)
    copper = pack_bit(planes.stack, COPPER, frame, threads=threads)
    hatched &= copper
    inner = erode(hatched, disc_within(float(line_px)), threads=threads)
    gaps = opened(inner & _pattern(line_px, frame, threads), disc(line_px), threads=threads)
    _leave_lines(gaps, copper, pack_bit(planes.stack, BOARD, frame, threads=threads), fab, planes.pitch_um, threads)
    stack = planes.stack & np.uint8(255 & ~HATCHED)
    paint(stack, gaps, np.zeros_like(gaps), COPPER, frame, threads=threads)
    return LayerPlanes(stack=stack, pitch_um=planes.pitch_um)


def _leave_lines(gaps: Bits, copper: Bits, board: Bits, fab: FabProfile, pitch_um: float, threads: int) -> None:
    """Give up gaps between whose rounded ends the copper would be too thin, or touch itself at a corner only."""
    line_px = limit_px(fab.limits["copper", "line_mm"].value_mm, pitch_um)

    def faults(plane: Bits) -> Bits:
        space = plane | ~board
        return thin_parts(plane, space, line_px, threads=threads) | corner_touches(plane, board, threads=threads)

    before = faults(copper)
    for _ in range(_TURNS):
        wrong = faults(copper & ~gaps) & ~before
        if not wrong.any():
            return
        parts = connected_parts(gaps, corners=True, threads=threads)
        near = dilate(wrong, disc_within(float(line_px)), threads=threads)
        gaps &= ~chosen_parts(parts, pixels_in_parts(near, parts) > 0, gaps.shape, threads=threads)


def _pattern(line_px: int, frame: Frame, threads: int) -> Bits:
    # Along a row a line at 45 degrees is sqrt(2) as wide as across; a pixel more makes up for its stairs.
    along = math.ceil(line_px * math.sqrt(2.0)) + 1
    out = np.empty(frame.shape, dtype=np.uint64)
    run_all(lambda a, b: _stripes(2 * along, along, frame.pad_px, a, b, out), row_strips(out.shape[0], _STRIP), threads)
    return out


def hatch_unseen(planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> LayerPlanes:
    """Planes in which large copper that nobody sees is marked as HATCHED, clear of all that is seen."""
    line_px = whole_pixels(fab.limits["copper", "hatch_mm"].value_mm, planes.pitch_um)
    keep_off = strips_of(fab, planes.pitch_um).opening
    frame = frame_for(planes.height_px, planes.width_px, largest_px=2 * keep_off + 1)
    unseen = pack_bit(planes.stack, FREE_COPPER, frame, threads=threads)
    unseen &= pack_bit(planes.stack, COPPER, frame, threads=threads)
    clear = erode(unseen, disc_within(float(keep_off)), threads=threads)
    hatched = clear & _large(clear, frame, 2 * LARGE_LINES * line_px, threads)
    stack = planes.stack.copy()
    paint(stack, hatched, hatched, HATCHED, frame, threads=threads)
    return LayerPlanes(stack=stack, pitch_um=planes.pitch_um)


def _large(plane: Bits, frame: Frame, diameter_px: int, threads: int) -> Bits:
    """Blocks of pixels in reach of a disc of about this diameter that lies in the plane; found on the blocks."""
    size = max(1, diameter_px // 16)
    rows, columns = -(-frame.height_px // size), -(-frame.width_px // size)
    padded = np.zeros((rows * size, columns * size), dtype=np.bool_)
    padded[: frame.height_px, : frame.width_px] = unpack(plane, frame)
    whole = np.asarray(padded.reshape(rows, size, columns, size).all(axis=(1, 3)), dtype=np.uint8)
    across = max(1, diameter_px // size)
    small = frame_for(rows, columns, largest_px=across + 4)
    held = opened(pack_bit(whole, 1, small), disc(across))
    near = unpack(dilate(held, disc_within(1.5)), small).repeat(size, axis=0).repeat(size, axis=1)
    cropped = np.ascontiguousarray(near[: frame.height_px, : frame.width_px]).astype(np.uint8)
    return pack_bit(cropped, 1, frame, threads=threads)
