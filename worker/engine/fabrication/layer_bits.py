"""The layers of one side as packed bits, and back: what can be asked of 64 pixels at once is.

Frames and packed planes are those of `bit_morphology`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit

from worker.engine.arrays import read_only
from worker.engine.fabrication.bit_morphology import Bits, Frame, frame_for
from worker.engine.fabrication.planes import (
    BOARD,
    COPPER,
    FREE_COPPER,
    HATCHED,
    LEGEND,
    OPENING,
    PAD,
    PLATED,
    LayerPlanes,
    Stack,
)
from worker.engine.threads import row_strips, run_all

_STRIP = 128
_LOW = np.uint64(0x0101010101010101)
_GATHER = np.uint64(0x0102040810204080)
_ONE = np.uint64(1)
_KEPT, _FREE, _HOLES = (
    np.uint64(bits * 0x0101010101010101) for bits in (BOARD | FREE_COPPER | PLATED | PAD, FREE_COPPER, PLATED | PAD)
)
"""Bits of each of eight stacks: those that no layer changes, those of free copper, and those of plated holes."""


@njit(cache=True, nogil=True, error_model="numpy")
def _pack_bit(stack, bit, pad_words, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Rows first..last of the picture: which pixels have the bit of this number, 0 to 7."""
    width = stack.shape[1]
    shift = np.uint64(bit)
    eights = width // 8
    for y in range(first, last):
        row = out[pad_words * 64 + y]
        row[:] = np.uint64(0)
        fast = stack[y, : eights * 8].view(np.uint64)
        for j in range(eights):
            # Eight bytes' lowest bits, gathered into the highest byte by one product whose terms never meet.
            byte = (((fast[j] >> shift) & _LOW) * _GATHER) >> np.uint64(56)
            row[pad_words + (j >> 3)] |= byte << np.uint64((j & 7) * 8)
        for x in range(eights * 8, width):
            row[pad_words + (x >> 6)] |= ((np.uint64(stack[y, x]) >> shift) & _ONE) << np.uint64(x & 63)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _gathered(eight, shift):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One bit of each of eight bytes, gathered into one byte as in `_pack_bit`."""
    return (((eight >> np.uint64(shift)) & _LOW) * _GATHER) >> np.uint64(56)


@njit(cache=True, nogil=True, error_model="numpy")
def _pack_layers(  # type: ignore[no-untyped-def]
    stack, pad_words, first, last, copper, opening, legend, board, free, hatched
):  # pragma: no cover - compiled
    """All layers of rows first..last at once."""
    width = stack.shape[1]
    words = (width + 63) // 64
    padded = np.zeros(words * 64, dtype=np.uint8)
    for y in range(first, last):
        padded[:width] = stack[y]
        eights = padded.view(np.uint64)
        row = pad_words * 64 + y
        for j in range(words):
            c = o = p = b = f = h = np.uint64(0)
            for k in range(8):
                eight, up = eights[8 * j + k], np.uint64(8 * k)
                c |= _gathered(eight, 0) << up
                o |= _gathered(eight, 1) << up
                p |= _gathered(eight, 2) << up
                h |= _gathered(eight, 3) << up
                f |= _gathered(eight, 4) << up
                b |= _gathered(eight, 7) << up
            copper[row, pad_words + j], opening[row, pad_words + j], legend[row, pad_words + j] = c, o, p
            board[row, pad_words + j], free[row, pad_words + j], hatched[row, pad_words + j] = b, f, h


assert (COPPER, OPENING, LEGEND, HATCHED, FREE_COPPER, BOARD) == (1, 2, 4, 8, 16, 128)  # shifted by 0 to 4, and 7


def pack_bit(stack: Stack, bit: int, frame: Frame, *, threads: int = 1) -> Bits:
    """The packed plane of one bit of the stack, nothing in the pad."""
    out = np.zeros(frame.shape, dtype=np.uint64)
    number = bit.bit_length() - 1
    strips = row_strips(stack.shape[0], _STRIP)
    stack = read_only(stack)
    run_all(lambda a, b: _pack_bit(stack, number, frame.pad_words, a, b, out), strips, threads)
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LayerBits:
    """Packed planes of one side's layers, nothing in the pad. Not frozen inside: steps write into them.

    hatched : where copper is a hatch, as long as there is copper. plated, pads : as in `planes`; None where
    there is none.
    """

    frame: Frame
    copper: Bits
    opening: Bits
    legend: Bits
    board: Bits
    free: Bits
    hatched: Bits
    plated: Bits | None = None
    pads: Bits | None = None

    def with_drawn(self, copper: Bits, opening: Bits, legend: Bits) -> LayerBits:
        """The same side with other layers drawn on it."""
        return replace(self, copper=copper, opening=opening, legend=legend)


def layer_bits(planes: LayerPlanes, *, largest_px: int, threads: int = 1) -> LayerBits:
    """The layers packed, with a pad for discs of up to `largest_px` in diameter."""
    frame = frame_for(planes.height_px, planes.width_px, largest_px=largest_px)
    copper, opening, legend, board, free, hatched = (np.zeros(frame.shape, dtype=np.uint64) for _ in range(6))
    run_all(
        lambda a, b: _pack_layers(planes.stack, frame.pad_words, a, b, copper, opening, legend, board, free, hatched),
        row_strips(planes.height_px, _STRIP),
        threads,
    )
    return LayerBits(
        frame=frame,
        copper=copper,
        opening=opening,
        legend=legend,
        board=board,
        free=free,
        hatched=hatched,
        plated=pack_bit(planes.stack, PLATED, frame, threads=threads) if planes.has(PLATED) else None,
        pads=pack_bit(planes.stack, PAD, frame, threads=threads) if planes.has(PAD) else None,
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _spread(word, shift):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Eight bits of a word, each in the lowest bit of a byte of its own."""
    byte = (word >> shift) & np.uint64(0xFF)
    # A copy of the byte in each byte, of which byte k keeps bit k; what is not zero carries into the highest bit.
    kept = (byte * _LOW) & np.uint64(0x8040201008040201)
    return ((kept + np.uint64(0x7F7F7F7F7F7F7F7F)) >> np.uint64(7)) & _LOW


@njit(cache=True, nogil=True, error_model="numpy")
def _stack_rows(copper, opening, legend, hatched, free, board, pad_words, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    width = out.shape[1]
    words = (width + 63) // 64
    row = np.empty(words * 64, dtype=np.uint8)
    eights = row.view(np.uint64)
    for y in range(first, last):
        r = pad_words * 64 + y
        for j in range(words):
            w = pad_words + j
            c, o, p, h, f, b = copper[r, w], opening[r, w], legend[r, w], hatched[r, w], free[r, w], board[r, w]
            for k in range(8):
                s = np.uint64(8 * k)
                eights[8 * j + k] = (
                    _spread(c, s)
                    | (_spread(o, s) << np.uint64(1))
                    | (_spread(p, s) << np.uint64(2))
                    | (_spread(h, s) << np.uint64(3))
                    | (_spread(f, s) << np.uint64(4))
                    | (_spread(b, s) << np.uint64(7))
                )
        out[y] = row[:width]


def stack_of(bits: LayerBits, *, threads: int = 1) -> Stack:
    """The stack of bits of every pixel: what `layer_bits` packs, unpacked."""
    out = np.empty((bits.frame.height_px, bits.frame.width_px), dtype=np.uint8)
    planes = bits.copper, bits.opening, bits.legend, bits.hatched, bits.free, bits.board
    run_all(lambda a, b: _stack_rows(*planes, bits.frame.pad_words, a, b, out), row_strips(len(out), _STRIP), threads)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _paint(where, value, bit, keep, pad_words, first, last, stack):  # type: ignore[no-untyped-def]  # pragma: no cover
    width = stack.shape[1]
    for y in range(first, last):
        marks, wanted = where[pad_words * 64 + y], value[pad_words * 64 + y]
        for j in range((width + 63) // 64):
            left = marks[pad_words + j]
            if left == np.uint64(0):
                continue
            word = wanted[pad_words + j]
            for i in range(min(64, width - j * 64)):
                if (left >> np.uint64(i)) & _ONE:
                    x = j * 64 + i
                    stack[y, x] = (stack[y, x] & keep) | (bit if (word >> np.uint64(i)) & _ONE else np.uint8(0))


def paint(stack: Stack, where: Bits, value: Bits, bit: int, frame: Frame, *, clear: int = 0, threads: int = 1) -> None:
    """Set `bit` to `value`, and clear the bits `clear`, at every pixel of `where`, in place."""
    keep = np.uint8(255 & ~(bit | clear))
    strips = row_strips(stack.shape[0], _STRIP)
    run_all(lambda a, b: _paint(where, value, np.uint8(bit), keep, frame.pad_words, a, b, stack), strips, threads)


@njit(cache=True, nogil=True, error_model="numpy")
def _write(stack, copper, opening, legend, table, pad_words, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    width = stack.shape[1]
    words = (width + 63) // 64
    row = np.zeros(words * 64, dtype=np.uint8)
    eights = row.view(np.uint64)
    for y in range(first, last):
        row[:width] = stack[y]
        c, o, p = copper[pad_words * 64 + y], opening[pad_words * 64 + y], legend[pad_words * 64 + y]
        for j in range(words):
            cc, oo, ll = c[pad_words + j], o[pad_words + j], p[pad_words + j]
            for k in range(8):
                shift = np.uint64(8 * k)
                before = eights[8 * j + k]
                now = _spread(cc, shift)
                # Where copper is as it was, a hatch stays one.
                same = ((~(now ^ before)) & _LOW) << np.uint64(3)
                now |= (_spread(oo, shift) << np.uint64(1)) | (_spread(ll, shift) << np.uint64(2))
                now |= before & (_KEPT | same)
                if now & _FREE:
                    now = _looked_up(now, table) | (before & _HOLES)
                eights[8 * j + k] = now
        out[y] = row[:width]


@njit(cache=True, nogil=True, error_model="numpy")
def _looked_up(eight, table):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The table's entries for eight stacks."""
    out = np.uint64(0)
    for i in range(8):
        shift = np.uint64(8 * i)
        out |= np.uint64(table[(eight >> shift) & np.uint64(0xFF & ~(PLATED | PAD))]) << shift
    return out


def with_layers(stack: Stack, bits: LayerBits, table: Stack, *, threads: int = 1) -> Stack:
    """The stack with the copper, openings and legend of `bits`; free copper then looked up in `table`, uint8 (256,).

    Where copper changed it is no hatch any more.
    """
    out = np.empty_like(stack)
    run_all(
        lambda a, b: _write(stack, bits.copper, bits.opening, bits.legend, table, bits.frame.pad_words, a, b, out),
        row_strips(stack.shape[0], _STRIP),
        threads,
    )
    return out
