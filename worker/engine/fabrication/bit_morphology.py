"""Morphology on packed bits, 64 pixels a word: what a disc can and can't reach, for whole boards in milliseconds.

A packed plane is uint64 (rows, words): bit i of word j is column 64 j + i of the padded picture. Planes are padded on
all sides by at least as many pixels as a disc reaches twice, so that an opening near the picture's edge sees the pad's
value beyond it, and no loop needs a case for edges.

A disc of diameter k is the set of pixels whose centres lie within k / 2 of its centre: the middle of a pixel where k
is odd, a corner where k is even. So it just fits into a line of k pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.threads import row_strips, run_all

Bits = npt.NDArray[np.uint64]
"""uint64 (rows, words), packed and padded."""

WORD = 64
_STRIP = 64
_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)
_ONE = np.uint64(1)
_TOP = np.uint64(63)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """How a picture of `height_px` by `width_px` lies in its packed planes: `pad_words` words and 64 times as many rows
    of pad on each side, and what is left of the last word."""

    height_px: int
    width_px: int
    pad_words: int

    @property
    def pad_px(self) -> int:
        return self.pad_words * WORD

    @property
    def shape(self) -> tuple[int, int]:
        words = -(-self.width_px // WORD) + 2 * self.pad_words
        return self.height_px + 2 * self.pad_px, words


def frame_for(height_px: int, width_px: int, *, largest_px: int) -> Frame:
    """A frame whose pad holds two discs of diameter `largest_px`."""
    return Frame(height_px=height_px, width_px=width_px, pad_words=max(1, -(-(2 * largest_px + 4) // WORD)))


@dataclass(frozen=True, slots=True, eq=False)
class Disc:
    """Half widths of a disc's rows, from the middle outwards: int64 (n,). `odd`: its middle is a pixel's."""

    half_px: npt.NDArray[np.int64]
    odd: bool


def disc(diameter_px: int) -> Disc:
    """The disc of this diameter in pixels, 1 at least."""
    radius = diameter_px / 2.0
    odd = diameter_px % 2 == 1
    off = 0.0 if odd else 0.5
    rows = np.arange((diameter_px + 1) // 2) + off
    half = np.floor(np.sqrt(np.maximum(radius * radius - rows * rows, 0.0)) - off + 1e-9)
    return Disc(half.astype(np.int64), odd)


def disc_within(radius_px: float) -> Disc:
    """All pixels whose centres are no farther than `radius_px` from a pixel's centre."""
    rows = np.arange(math.floor(radius_px + 1e-9) + 1)
    return Disc(np.floor(np.sqrt(np.maximum(radius_px**2 - rows * rows, 0.0)) + 1e-9).astype(np.int64), True)


@njit(cache=True, nogil=True, error_model="numpy")
def _pack(labels, table, pad_words, outside, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows first..last of the padded plane: bit set where table[label]; `outside` in the pad."""
    height, width = labels.shape
    pad = pad_words * 64
    for r in range(first, last):
        row = out[r]
        y = r - pad
        if y < 0 or y >= height:
            row[:] = outside
            continue
        for j in range(row.shape[0]):
            x = (j - pad_words) * 64
            if x < 0 or x >= width:
                row[j] = outside
                continue
            word = np.uint64(0)
            n = min(64, width - x)
            for i in range(n):
                word |= np.uint64(table[labels[y, x + i]]) << np.uint64(i)
            if n < 64:
                word |= outside << np.uint64(n)
            row[j] = word


def pack(
    values: npt.NDArray[np.uint8], chosen: npt.NDArray[np.uint8], frame: Frame, *, outside: bool, threads: int = 1
) -> Bits:
    """The plane of pixels whose value is chosen.

    Parameters
    ----------
    values : uint8 (H, W)
    chosen : uint8 (256,), 1 for values that count.
    outside : what the pad holds.
    """
    out = np.empty(frame.shape, dtype=np.uint64)
    fill = _ONES if outside else np.uint64(0)
    calls = row_strips(out.shape[0], _STRIP)
    run_all(lambda a, b: _pack(values, chosen, frame.pad_words, fill, a, b, out), calls, threads)
    return out


def unpack(bits: Bits, frame: Frame) -> npt.NDArray[np.bool_]:
    """bool (H, W): the picture without its pad."""
    inner = bits[frame.pad_px : frame.pad_px + frame.height_px, frame.pad_words : bits.shape[1] - frame.pad_words]
    little = np.ascontiguousarray(inner).astype("<u8", copy=False).view(np.uint8)
    return np.unpackbits(little, axis=1, bitorder="little", count=frame.width_px).view(np.bool_)


@njit(cache=True, nogil=True, error_model="numpy")
def _widen(row, spare, dilate):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """spare = row combined with itself shifted one pixel to either side, without the middle."""
    n = row.shape[0]
    for j in range(1, n - 1):
        left = (row[j] << _ONE) | (row[j - 1] >> _TOP)
        right = (row[j] >> _ONE) | (row[j + 1] << _TOP)
        spare[j] = (left | right) if dilate else (left & right)
    edge = row[0]
    left = (edge << _ONE) | (edge & _ONE)
    right = (edge >> _ONE) | (row[1] << _TOP)
    spare[0] = (left | right) if dilate else (left & right)
    edge = row[n - 1]
    left = (edge << _ONE) | (row[n - 2] >> _TOP)
    right = (edge >> _ONE) | (edge & (_ONE << _TOP))
    spare[n - 1] = (left | right) if dilate else (left & right)


@njit(cache=True, nogil=True, error_model="numpy")
def _reach(source, half, odd, dilate, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Erosion, or dilation by the mirrored disc, of rows first..last: see `erode` and `dilate`."""
    height, words = source.shape
    far = half.shape[0] - 1
    steps = half[0]
    for y in range(first, last):
        for j in range(words):
            out[y, j] = np.uint64(0) if dilate else _ONES
    here = np.empty(words, dtype=np.uint64)
    spare = np.empty(words, dtype=np.uint64)
    below = far if odd else far + 1
    top, bottom = first - below, last + below
    for r in range(top, bottom):
        row = source[min(max(r, 0), height - 1)]
        # An empty row adds nothing to a dilation, a full one nothing to an erosion.
        nothing = np.uint64(0) if dilate else _ONES
        mixed = np.uint64(0)
        for j in range(words):
            mixed |= row[j] ^ nothing
        if mixed == np.uint64(0):
            continue
        if odd:
            for j in range(words):
                here[j] = row[j]
        elif dilate:
            for j in range(words - 1):
                here[j] = row[j] | (row[j] >> _ONE) | (row[j + 1] << _TOP)
            here[words - 1] = row[words - 1] | (row[words - 1] >> _ONE) | (row[words - 1] & (_ONE << _TOP))
        else:
            for j in range(1, words):
                here[j] = row[j] & ((row[j] << _ONE) | (row[j - 1] >> _TOP))
            here[0] = row[0] & ((row[0] << _ONE) | (row[0] & _ONE))
        for w in range(steps + 1):
            if w > 0:
                _widen(here, spare, dilate)
                if w == 1 and odd:
                    for j in range(words):
                        here[j] = (here[j] | spare[j]) if dilate else (here[j] & spare[j])
                else:
                    here, spare = spare, here
            for d in range(far, -1, -1):
                if half[d] != w:
                    continue
                # Rows of the disc at +d and, mirrored, at -d (-d-1 where the disc's middle is a corner).
                one = r - d if not dilate else r + d
                other = r + d if not dilate else r - d
                if not odd:
                    other = other + 1 if not dilate else other - 1
                if first <= one < last:
                    target = out[one]
                    if dilate:
                        for j in range(words):
                            target[j] |= here[j]
                    else:
                        for j in range(words):
                            target[j] &= here[j]
                if other != one and first <= other < last:
                    target = out[other]
                    if dilate:
                        for j in range(words):
                            target[j] |= here[j]
                    else:
                        for j in range(words):
                            target[j] &= here[j]


def _run(source: Bits, shape: Disc, grow: bool, threads: int) -> Bits:
    out = np.empty_like(source)
    calls = row_strips(source.shape[0], _STRIP)
    run_all(lambda a, b: _reach(source, shape.half_px, shape.odd, grow, a, b, out), calls, threads)
    return out


def erode(source: Bits, shape: Disc, *, threads: int = 1) -> Bits:
    """Where the whole disc lies in the plane. Beyond the pad the plane goes on as at its edge."""
    return _run(source, shape, False, threads)


def dilate(source: Bits, shape: Disc, *, threads: int = 1) -> Bits:
    """What discs around the plane's pixels cover: after `erode` by the same disc, the opening."""
    return _run(source, shape, True, threads)


def opened(source: Bits, shape: Disc, *, threads: int = 1) -> Bits:
    """What the discs that lie in the plane cover."""
    return dilate(erode(source, shape, threads=threads), shape, threads=threads)


@njit(cache=True, nogil=True, error_model="numpy")
def _touches(plane, known, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """out: upper left pixel of each square of four known pixels of which two opposite ones alone are set."""
    height, words = plane.shape
    for y in range(first, last):
        if y + 1 >= height:
            out[y, :] = np.uint64(0)
            continue
        for j in range(words):
            k = min(j + 1, words - 1)
            a, c = plane[y, j], plane[y + 1, j]
            b = (a >> _ONE) | (plane[y, k] << _TOP)
            d = (c >> _ONE) | (plane[y + 1, k] << _TOP)
            n, m = known[y, j], known[y + 1, j]
            whole = n & m & ((n >> _ONE) | (known[y, k] << _TOP)) & ((m >> _ONE) | (known[y + 1, k] << _TOP))
            out[y, j] = ~(a ^ d) & ~(b ^ c) & (a ^ b) & whole


def corner_touches(plane: Bits, known: Bits, *, threads: int = 1) -> Bits:
    """Upper left pixels of all squares of four pixels, all of them in `known`, in which the plane touches itself at a
    corner only."""
    out = np.empty_like(plane)
    run_all(lambda a, b: _touches(plane, known, a, b, out), row_strips(plane.shape[0], _STRIP), threads)
    return out


def count(bits: Bits) -> int:
    """How many bits are set."""
    return int(np.bitwise_count(bits).sum(dtype=np.int64))
