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

from worker.engine.arrays import read_only
from worker.engine.threads import row_strips, run_all

Bits = npt.NDArray[np.uint64]
"""uint64 (rows, words), packed and padded."""

WORD = 64
BLOCK = 64
"""Rows of a block of a region; its other side is a word."""
_STRIP = BLOCK
_CHUNK = 16
"""Words of a strip that are worked on at a time: they stay in the cache."""
_STEP_OVER = 12
"""Words: as long as it takes to begin another run of a row."""
_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)
_ONE = np.uint64(1)
_TOP = np.uint64(63)
_GATHER = np.uint64(0x0102040810204080)


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
    pad, words = pad_words * 64, (width + 63) // 64
    bytes_of_row = np.zeros(64 * words, dtype=np.uint8)
    eights = bytes_of_row.view(np.uint64)
    for r in range(first, last):
        row = out[r]
        y = r - pad
        if y < 0 or y >= height:
            row[:] = outside
            continue
        row[:pad_words] = outside
        row[pad_words + words :] = outside
        for x in range(width):
            bytes_of_row[x] = table[labels[y, x]]
        _gather_bits(eights, words, row[pad_words : pad_words + words])
        if width % 64:
            row[pad_words + words - 1] |= outside << np.uint64(width % 64)


@njit(cache=True, nogil=True, error_model="numpy")
def _gather_bits(eights, words, row):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Words of the lowest bits of bytes, eight of them in each of `eights`."""
    for j in range(words):
        word = np.uint64(0)
        for i in range(8):
            # The product brings the lowest bits of eight bytes together in the highest byte.
            eight = eights[np.uint64(j * 8 + i)] * _GATHER >> np.uint64(56)
            word |= eight << np.uint64(8 * i)
        row[j] = word


@njit(cache=True, nogil=True, error_model="numpy")
def _pack_each(values, number_of, beyond, pad_words, first, last, planes, rest):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows first..last of the padded planes; `rest`, the plane of the number `beyond`, holds the pad."""
    height, width = values.shape
    pad, words, count = pad_words * 64, (width + 63) // 64, planes.shape[0]
    numbers, chosen = np.zeros(width, dtype=np.uint8), np.zeros(64 * words, dtype=np.uint8)
    eights = chosen.view(np.uint64)
    planes[:, first:last, :pad_words] = np.uint64(0)
    planes[:, first:last, pad_words + words :] = np.uint64(0)
    rest[first:last] = _ONES
    for r in range(first, last):
        y = r - pad
        if y < 0 or y >= height:
            planes[:, r] = np.uint64(0)
            continue
        for x in range(width):
            numbers[x] = number_of[values[y, x]]
        for k in range(count):
            for x in range(width):
                chosen[x] = numbers[x] == k
            _gather_bits(eights, words, planes[k, r, pad_words : pad_words + words])
        for x in range(width):
            chosen[x] = numbers[x] == beyond
        _gather_bits(eights, words, rest[r, pad_words : pad_words + words])
        if width % 64:
            rest[r, pad_words + words - 1] |= _ONES << np.uint64(width % 64)


def pack_each(
    values: npt.NDArray[np.uint8],
    number_of: npt.NDArray[np.uint8],
    count: int,
    beyond: int,
    frame: Frame,
    *,
    threads: int = 1,
) -> tuple[npt.NDArray[np.uint64], Bits]:
    """A plane for each number, uint64 (count, rows, words), with an empty pad, and that of one more with a full one.

    Parameters
    ----------
    values : uint8 (H, W)
    number_of : uint8 (256,), the number of each value.
    beyond : the one more.
    """
    planes, rest = np.empty((count, *frame.shape), dtype=np.uint64), np.empty(frame.shape, dtype=np.uint64)
    calls = strip_groups(frame.shape[0], threads)
    values, number_of = read_only(values), read_only(number_of)
    run_all(
        lambda a, b: _pack_each(values, number_of, np.uint8(beyond), frame.pad_words, a, b, planes, rest),
        calls,
        threads,
    )
    return planes, rest


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
    calls = strip_groups(out.shape[0], threads)
    values = read_only(values)
    run_all(lambda a, b: _pack(values, chosen, frame.pad_words, fill, a, b, out), calls, threads)
    return out


def unpack(bits: Bits, frame: Frame) -> npt.NDArray[np.bool_]:
    """bool (H, W): the picture without its pad."""
    inner = bits[frame.pad_px : frame.pad_px + frame.height_px, frame.pad_words : bits.shape[1] - frame.pad_words]
    little = np.ascontiguousarray(inner).astype("<u8", copy=False).view(np.uint8)
    return np.unpackbits(little, axis=1, bitorder="little", count=frame.width_px).view(np.bool_)


@njit(cache=True, nogil=True, error_model="numpy")
def _reach(source, half, odd, dilate, active, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Erosion, or dilation by the mirrored disc, of one strip's active words: see `erode` and `dilate`."""
    words = source.shape[1]
    flags = active[first // _STRIP]
    beyond, margin = half.shape[0], 1 + half[0] // 64
    rows = last - first + 2 * beyond
    most = (_CHUNK + 2 * margin) * rows
    # A word lies before the rows and another after them, so that no shift needs a case for ends.
    here, spare = np.zeros(most + 2, dtype=np.uint64), np.zeros(most + 2, dtype=np.uint64)
    total = np.empty(most, dtype=np.uint64)
    j = 0
    while j < words:
        if flags[j] == 0:
            j += 1
            continue
        begin = j
        while j < words and flags[j] != 0 and j - begin < _CHUNK:
            j += 1
        m = j - begin + 2 * margin
        kind = load(source, begin, j, margin, first - beyond, rows, dilate, here)
        if kind < 2:
            fill = _ONES if (kind == 1) == dilate else np.uint64(0)
            for y in range(first, last):
                for x in range(begin, j):
                    out[y, x] = fill
            continue
        spread(here, spare, total, half, odd, dilate, m, last - first, beyond)
        for y in range(first, last):
            for x in range(begin, j):
                word = total[(y - first) * m + x - begin + margin]
                out[y, x] = word if dilate else ~word


@njit(cache=True, nogil=True, error_model="numpy")
def load(source, begin, end, margin, top, rows, dilate, here):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows of words begin..end and a margin on each side, turned over for an erosion; beyond the plane it goes on as at
    its edge. 0 where no bit of `here` is set then, 1 where all are, else 2."""
    height, words = source.shape
    m = end - begin + 2 * margin
    turn = np.uint64(0) if dilate else _ONES
    any_set, all_set = np.uint64(0), _ONES
    for r in range(rows):
        row = source[min(max(top + r, 0), height - 1)]
        k = 1 + r * m
        left = _ONES if row[0] & _ONE else np.uint64(0)
        right = _ONES if row[words - 1] >> _TOP else np.uint64(0)
        if begin >= margin and end + margin <= words:
            inner = row[begin - margin : end + margin]
            for x in range(m):
                word = inner[x] ^ turn
                here[k + x] = word
                any_set |= word
                all_set &= word
            continue
        for x in range(m):
            j = begin - margin + x
            word = (left if j < 0 else right if j >= words else row[j]) ^ turn
            here[k + x] = word
            any_set |= word
            all_set &= word
    if any_set == np.uint64(0):
        return 0
    return 1 if all_set == _ONES else 2


@njit(cache=True, nogil=True, error_model="numpy")
def spread(here, spare, total, half, odd, dilate, m, rows, beyond):  # type: ignore[no-untyped-def]  # pragma: no cover
    """total = what discs around the bits of `here` reach, `rows` rows of `m` words. Both buffers are used up.

    Rows lie behind each other in one piece: a shift carries bits over from row to row, but no farther than into the
    outermost words, which nobody reads.
    """
    size = m * (rows + 2 * beyond)
    total[: m * rows] = np.uint64(0)
    if not odd:
        a, b, c = here[:size], here[1 : size + 1], here[2 : size + 2]
        to = spare[1 : size + 1]
        if dilate:
            for k in range(size):
                to[k] = b[k] | (b[k] >> _ONE) | (c[k] << _TOP)
        else:
            for k in range(size):
                to[k] = b[k] | (b[k] << _ONE) | (a[k] >> _TOP)
        here, spare = spare, here
    w = 0
    for d in range(half.shape[0] - 1, -1, -1):
        while w < half[d]:
            step = min(half[d] - w, 2 * w + 1, 63)
            up, down = np.uint64(step), np.uint64(64 - step)
            a, b, c = here[:size], here[1 : size + 1], here[2 : size + 2]
            to = spare[1 : size + 1]
            for k in range(size):
                to[k] = b[k] | (b[k] << up) | (a[k] >> down) | (b[k] >> up) | (c[k] << down)
            here, spare = spare, here
            w += step
        # Rows of the disc at +d and, mirrored, at -d (-d-1 where the disc's middle is a corner).
        above, below = beyond - d, beyond + d
        if not odd:
            if dilate:
                below += 1
            else:
                above -= 1
        n = m * rows
        one, other = here[1 + above * m : 1 + above * m + n], here[1 + below * m : 1 + below * m + n]
        for k in range(n):
            total[k] |= one[k] | other[k]


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
        out = wider(out)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _widen(region, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    rows, words = region.shape
    for y in range(rows):
        for j in range(words):
            if region[y, j] != 0:
                out[max(0, y - 1) : y + 2, max(0, j - 1) : j + 2] = 1


def wider(region: Region) -> Region:
    """The region and one block more to every side."""
    out = np.zeros(region.shape, dtype=np.uint8)
    _widen(region, out)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def needed_runs(active, words_more):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """int64 (n, 2): first word, and past the last one, of the active words with so many more on each side."""
    words = active.shape[0]
    out = np.empty((words, 2), dtype=np.int64)
    n = 0
    for j in range(words):
        if active[j] != 0:
            first, last = max(0, j - words_more), min(words, j + words_more + 1)
            if n > 0 and first <= out[n - 1, 1]:
                out[n - 1, 1] = last
            else:
                out[n, 0], out[n, 1] = first, last
                n += 1
    return out[:n]


@njit(cache=True, nogil=True, error_model="numpy")
def joined_runs(runs):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The same with the gaps between them that cost less to work on than to step over, row by row."""
    out = np.empty(runs.shape, dtype=np.int64)
    n = 0
    for k in range(runs.shape[0]):
        if n > 0 and runs[k, 0] <= out[n - 1, 1] + _STEP_OVER:
            out[n - 1, 1] = runs[k, 1]
        else:
            out[n] = runs[k]
            n += 1
    return out[:n]


@njit(cache=True, nogil=True, error_model="numpy")
def _flag_held(bits, region, held):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for k in range(region.shape[0]):
        flags = region[k]
        if not flags.any():
            continue
        for y in range(k * _STRIP, min((k + 1) * _STRIP, bits.shape[0])):
            for j in range(bits.shape[1]):
                if flags[j] != 0 and bits[y, j] != np.uint64(0):
                    held[k, j] = 1


def blocks_held(bits: Bits, region: Region | None) -> Region:
    """Blocks of the region that hold a set bit."""
    around = everywhere(bits.shape) if region is None else region
    held = np.zeros(around.shape, dtype=np.uint8)
    _flag_held(bits, around, held)
    return held


@njit(cache=True, nogil=True, error_model="numpy")
def _reached(bits, held, low, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """See `reached`, for fewer than 64 pixels; low : that many lowest bits."""
    strips, words = held.shape
    high = ~(_ONES >> np.uint64(low))
    left_bits = (_ONE << np.uint64(low)) - _ONE
    seen = np.empty(3, dtype=np.uint64)
    for k in range(strips):
        top, end = k * _STRIP, min((k + 1) * _STRIP, bits.shape[0])
        for j in range(words):
            if held[k, j] == 0:
                continue
            seen[:] = np.uint64(0)
            for y in range(top, end):
                word = bits[y, j]
                seen[1] |= word
                if y - top < low:
                    seen[0] |= word
                if y - top >= _STRIP - low:
                    seen[2] |= word
            for d in range(3):
                n = k + d - 1
                if n < 0 or n >= strips or seen[d] == np.uint64(0):
                    continue
                out[n, j] = 1
                if j > 0 and seen[d] & left_bits:
                    out[n, j - 1] = 1
                if j + 1 < words and seen[d] & high:
                    out[n, j + 1] = 1


def reached(bits: Bits, held: Region, reach_px: int) -> Region:
    """Blocks with a pixel no more than so many rows and columns from a set bit; from a block's width on, all blocks so
    far from the bit's own. held : blocks that hold all bits."""
    if reach_px >= BLOCK:
        for _ in range(-(-reach_px // BLOCK)):
            held = wider(held)
        return held
    out = np.zeros(held.shape, dtype=np.uint8)
    _reached(bits, held, reach_px, out)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _flag(bits, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(bits.shape[0]):
        row = out[y // _STRIP]
        for j in range(bits.shape[1]):
            if bits[y, j] != np.uint64(0):
                row[j] = 1


def strip_groups(rows: int, threads: int) -> list[tuple[int, int]]:
    """First row, and past the last one, of groups of strips of BLOCK rows: few, since each costs a call."""
    strips = -(-rows // _STRIP)
    groups = 1 if threads <= 1 else 8 * threads
    return row_strips(rows, _STRIP * max(1, -(-strips // groups)))


@njit(cache=True, nogil=True, error_model="numpy")
def _reach_strips(source, half, odd, dilate, active, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    for a in range(first, last, _STRIP):
        if active[a // _STRIP].any():
            _reach(source, half, odd, dilate, active, a, min(a + _STRIP, last), out)


def _run(source: Bits, shape: Disc, grow: bool, region: Region | None, threads: int, out: Bits | None = None) -> Bits:
    if out is None:
        out = np.zeros(source.shape, dtype=np.uint64)
    active = everywhere(source.shape) if region is None else region
    calls = strip_groups(source.shape[0], threads)
    run_all(lambda a, b: _reach_strips(source, shape.half_px, shape.odd, grow, active, a, b, out), calls, threads)
    return out


def erode(source: Bits, shape: Disc, *, region: Region | None = None, threads: int = 1) -> Bits:
    """Where the whole disc lies in the plane. Beyond the pad the plane goes on as at its edge."""
    return _run(source, shape, False, region, threads)


def dilate(
    source: Bits, shape: Disc, *, region: Region | None = None, threads: int = 1, out: Bits | None = None
) -> Bits:
    """What discs around the plane's pixels cover: after `erode` by the same disc, the opening.

    out : an empty plane to write it into.
    """
    return _run(source, shape, True, region, threads, out)


def opened(source: Bits, shape: Disc, *, region: Region | None = None, threads: int = 1) -> Bits:
    """What the discs that lie in the plane cover. Discs must be no wider than a block."""
    around = None if region is None else wider(region)
    return dilate(erode(source, shape, region=around, threads=threads), shape, region=region, threads=threads)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def touch_word(plane, known, y, j):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A word of `corner_touches`."""
    if y + 1 >= plane.shape[0]:
        return np.uint64(0)
    k = min(j + 1, plane.shape[1] - 1)
    a, c = plane[y, j], plane[y + 1, j]
    b = (a >> _ONE) | (plane[y, k] << _TOP)
    d = (c >> _ONE) | (plane[y + 1, k] << _TOP)
    n, m = known[y, j], known[y + 1, j]
    whole = n & m & ((n >> _ONE) | (known[y, k] << _TOP)) & ((m >> _ONE) | (known[y + 1, k] << _TOP))
    return ~(a ^ d) & ~(b ^ c) & (a ^ b) & whole


@njit(cache=True, nogil=True, error_model="numpy")
def _touches(plane, known, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for top in range(first, last, _STRIP):
        flags = region[top // _STRIP]
        if not flags.any():
            continue
        for y in range(top, min(top + _STRIP, last)):
            for j in range(plane.shape[1]):
                if flags[j] != 0:
                    out[y, j] = touch_word(plane, known, y, j)


def corner_touches(plane: Bits, known: Bits, *, region: Region | None = None, threads: int = 1) -> Bits:
    """Upper left pixels of all squares of four pixels, all of them in `known`, in which the plane touches itself at a
    corner only; in the region."""
    out: Bits = np.zeros(plane.shape, dtype=np.uint64)
    around = everywhere(plane.shape) if region is None else region
    calls = strip_groups(plane.shape[0], threads)
    run_all(lambda a, b: _touches(plane, known, around, a, b, out), calls, threads)
    return out


def count(bits: Bits) -> int:
    """How many bits are set."""
    return int(np.bitwise_count(bits).sum(dtype=np.int64))
