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
BLOCK = 64
"""Rows of a block of a region; its other side is a word."""
_STRIP = BLOCK
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
    if dilate:
        for j in range(1, n - 1):
            spare[j] = (row[j] << _ONE) | (row[j - 1] >> _TOP) | (row[j] >> _ONE) | (row[j + 1] << _TOP)
    else:
        for j in range(1, n - 1):
            spare[j] = ((row[j] << _ONE) | (row[j - 1] >> _TOP)) & ((row[j] >> _ONE) | (row[j + 1] << _TOP))
    # Beyond its ends the row goes on as at its outermost pixels. What is wrong by that stays in the outermost words.
    head, tail = row[0], row[n - 1]
    left, right = (head << _ONE) | (head & _ONE), (head >> _ONE) | (row[min(1, n - 1)] << _TOP)
    spare[0] = (left | right) if dilate else (left & right)
    if n > 1:
        left, right = (tail << _ONE) | (row[n - 2] >> _TOP), (tail >> _ONE) | (tail & (_ONE << _TOP))
        spare[n - 1] = (left | right) if dilate else (left & right)


@njit(cache=True, nogil=True, error_model="numpy")
def _merge(target, row, dilate):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    if dilate:
        for j in range(target.shape[0]):
            target[j] |= row[j]
    else:
        for j in range(target.shape[0]):
            target[j] &= row[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _reach(source, half, odd, dilate, active, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Erosion, or dilation by the mirrored disc, of one strip's active words: see `erode` and `dilate`."""
    words = source.shape[1]
    flags = active[first // _STRIP]
    for y in range(first, last):
        out[y, :] = np.uint64(0)
    j = 0
    while j < words:
        if flags[j] == 0:
            j += 1
            continue
        begin = j
        while j < words and flags[j] != 0:
            j += 1
        _reach_words(source, half, odd, dilate, begin, j, first, last, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _reach_words(source, half, odd, dilate, begin, end, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    height, words = source.shape
    low, high = max(begin - 1, 0), min(end + 1, words)
    off, n = begin - low, end - begin
    far = half.shape[0] - 1
    nothing = np.uint64(0) if dilate else _ONES
    if not dilate:
        for y in range(first, last):
            out[y, begin:end] = _ONES
    here = np.empty(high - low, dtype=np.uint64)
    spare = np.empty(high - low, dtype=np.uint64)
    beyond = far if odd else far + 1
    for r in range(first - beyond, last + beyond):
        row = source[min(max(r, 0), height - 1), low:high]
        # An empty row adds nothing to a dilation, a full one nothing to an erosion.
        mixed = np.uint64(0)
        for j in range(row.shape[0]):
            mixed |= row[j] ^ nothing
        if mixed == np.uint64(0):
            continue
        here[:] = row
        if not odd:
            if dilate:
                for j in range(row.shape[0] - 1):
                    here[j] = row[j] | (row[j] >> _ONE) | (row[j + 1] << _TOP)
                here[row.shape[0] - 1] |= row[row.shape[0] - 1] >> _ONE
            else:
                here[0] = row[0] & ((row[0] << _ONE) | (row[0] & _ONE))
                for j in range(1, row.shape[0]):
                    here[j] = row[j] & ((row[j] << _ONE) | (row[j - 1] >> _TOP))
        for w in range(half[0] + 1):
            if w > 0:
                _widen(here, spare, dilate)
                if w == 1 and odd:
                    if dilate:
                        for j in range(here.shape[0]):
                            here[j] |= spare[j]
                    else:
                        for j in range(here.shape[0]):
                            here[j] &= spare[j]
                else:
                    here, spare = spare, here
            for d in range(far, -1, -1):
                if half[d] != w:
                    continue
                # Rows of the disc at +d and, mirrored, at -d (-d-1 where the disc's middle is a corner).
                one = r + d if dilate else r - d
                other = r - d if dilate else r + d
                if not odd:
                    other += -1 if dilate else 1
                for turn in range(2):
                    y = one if turn == 0 else other
                    if y < first or y >= last or (turn == 1 and other == one):
                        continue
                    _merge(out[y, begin:end], here[off : off + n], dilate)


Region = npt.NDArray[np.uint8]
"""uint8 (strips, words): 1 for blocks of 64 rows by one word that are worked on. Elsewhere results are empty."""


def everywhere(shape: tuple[int, int]) -> Region:
    """The region of a whole plane of this shape."""
    return np.ones((-(-shape[0] // _STRIP), shape[1]), dtype=np.uint8)


def region_of(bits: Bits, blocks: int) -> Region:
    """Blocks that hold a set bit, and `blocks` more to every side."""
    rows, words = bits.shape
    strips = -(-rows // _STRIP)
    out = np.zeros((strips, words), dtype=np.uint8)
    _flag(bits, out)
    for _ in range(blocks):
        wide = out.copy()
        wide[1:] |= out[:-1]
        wide[:-1] |= out[1:]
        out = wide.copy()
        out[:, 1:] |= wide[:, :-1]
        out[:, :-1] |= wide[:, 1:]
    return out


def wider(region: Region) -> Region:
    """The region and one block more to every side."""
    wide = region.copy()
    wide[1:] |= region[:-1]
    wide[:-1] |= region[1:]
    out = wide.copy()
    out[:, 1:] |= wide[:, :-1]
    out[:, :-1] |= wide[:, 1:]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _flag(bits, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(bits.shape[0]):
        row = out[y // _STRIP]
        for j in range(bits.shape[1]):
            if bits[y, j] != np.uint64(0):
                row[j] = 1


def _run(source: Bits, shape: Disc, grow: bool, region: Region | None, threads: int) -> Bits:
    out = np.empty_like(source)
    active = everywhere(source.shape) if region is None else region
    calls = row_strips(source.shape[0], _STRIP)
    run_all(lambda a, b: _reach(source, shape.half_px, shape.odd, grow, active, a, b, out), calls, threads)
    return out


def erode(source: Bits, shape: Disc, *, region: Region | None = None, threads: int = 1) -> Bits:
    """Where the whole disc lies in the plane. Beyond the pad the plane goes on as at its edge."""
    return _run(source, shape, False, region, threads)


def dilate(source: Bits, shape: Disc, *, region: Region | None = None, threads: int = 1) -> Bits:
    """What discs around the plane's pixels cover: after `erode` by the same disc, the opening."""
    return _run(source, shape, True, region, threads)


def opened(source: Bits, shape: Disc, *, region: Region | None = None, threads: int = 1) -> Bits:
    """What the discs that lie in the plane cover. Discs must be no wider than a block."""
    around = None if region is None else wider(region)
    return dilate(erode(source, shape, region=around, threads=threads), shape, region=region, threads=threads)


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
