"""Middle lines of a packed plane: what is left when as much is taken off all around as can be, at every width.

What is taken off, and what stands wide beside it, is worked out on one strip of rows at a time, in buffers that stay in
the processor's cache, and only in the blocks of a region.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import (
    BLOCK,
    Bits,
    Region,
    disc,
    disc_within,
    load,
    spread,
    strip_groups,
)
from worker.engine.threads import run_all

BESIDE_PX = 2.5
"""What lies so near to a middle of a wider place is no middle."""
HAIR_PX = 1
"""Parts up to this wide have no middle: hairlines between blots of a ragged edge don't grow."""
_MORE_PEELS = 2
"""A peel may be left where the disc of the same width does not fit in, for peels are no discs."""
_CHUNK = 16
_ONE = np.uint64(1)
_TOP = np.uint64(63)
_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)
_NONE = np.uint64(0)


def middle_lines(plane: Bits, diameter_px: int, region: Region, *, threads: int = 1) -> Bits:
    """Middle lines of places narrower than `diameter_px`, at most 64.

    plane : nothing outside the region. Widths of odd and of even pixels are peeled apart, since their middles are
    pixels and corners of pixels; peels of crosses and squares in turn come near to discs.
    """
    out: Bits = np.zeros(plane.shape, dtype=np.uint64)
    whole, beside = disc(diameter_px), disc_within(BESIDE_PX)
    run_all(
        lambda a, b: _strips(
            plane, region, diameter_px + _MORE_PEELS, whole.half_px, whole.odd, beside.half_px, HAIR_PX, a, b, out
        ),
        strip_groups(plane.shape[0], threads),
        threads,
    )
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _strips(plane, region, peels, whole, odd, beside, hair, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    words = plane.shape[1]
    # Each pair of peels takes off a pixel, a corner's one more; what is wide reaches as far as its disc.
    pad = max(peels // 2 + 2, whole.shape[0]) + beside.shape[0] + 1
    margin = 1
    most = (_CHUNK + 2 * margin) * (BLOCK + 2 * pad)
    here, spare = np.zeros(most + 2, dtype=np.uint64), np.zeros(most + 2, dtype=np.uint64)
    total, seen = np.zeros(most, dtype=np.uint64), np.zeros(most, dtype=np.uint64)
    kept = np.zeros((peels, most), dtype=np.uint64)
    for top in range(first, last, BLOCK):
        flags = region[top // BLOCK]
        end = min(top + BLOCK, last)
        rows = end - top + 2 * pad
        j, dilate = np.int64(0), np.bool_(True)  # no constants: numba would compile `load` once more for each
        while j < words:
            if flags[j] == 0:
                j += 1
                continue
            begin = j
            while j < words and flags[j] != 0 and j - begin < _CHUNK:
                j += 1
            m = j - begin + 2 * margin
            size = m * rows
            if load(plane, begin, j, margin, top - pad, rows, dilate, here) < 2:
                continue
            count = _peel(here, spare, kept, peels, m, size)
            _erode_by(here, spare, total, kept[0], whole, odd, m, rows, seen)
            _add_middles(kept, count, hair, seen, here, spare, total, beside, m, rows)
            for y in range(top, end):
                k = (y - top + pad) * m + margin
                for x in range(begin, j):
                    out[y, x] = total[k + x - begin]


@njit(cache=True, nogil=True, error_model="numpy")
def _peel(here, spare, kept, peels, m, size):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Fill `kept` with peels, each two steps after the one that it is taken from; how many are not empty.

    Rows lie behind each other; what comes in from beyond the first and last of them, and past the outermost words,
    creeps no farther than those peels are deep.
    """
    kept[0, :size] = here[1 : size + 1]
    two = kept[1]
    two[:size] = _NONE
    for k in range(m, size):  # a square of two by two, of which this pixel is the lower right
        across = kept[0, k] & ((kept[0, k] << _ONE) | (kept[0, k - 1] >> _TOP))
        above = kept[0, k - m] & ((kept[0, k - m] << _ONE) | (kept[0, max(k - m - 1, 0)] >> _TOP))
        two[k] = across & above
    for n in range(2, peels):
        old, new = kept[n - 2], kept[n]
        new[:size] = _NONE
        left = _NONE
        square = n // 2 % 3 == 0
        for k in range(size):
            before = old[k - 1] if k > 0 else _NONE
            after = old[k + 1] if k + 1 < size else _NONE
            spare[k + 1] = old[k] & ((old[k] << _ONE) | (before >> _TOP)) & ((old[k] >> _ONE) | (after << _TOP))
        if square:
            for k in range(m, size - m):
                new[k] = spare[k + 1] & spare[k + 1 - m] & spare[k + 1 + m]
                left |= new[k]
        else:
            for k in range(m, size - m):
                new[k] = spare[k + 1] & old[k - m] & old[k + m]
                left |= new[k]
        if left == _NONE and n % 2 == 1 and not kept[n - 1, :size].any():
            return n - 1
    return peels


@njit(cache=True, nogil=True, error_model="numpy")
def _erode_by(here, spare, total, plane, half, odd, m, rows, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Erosion by a disc, where the rows reach far enough; nothing elsewhere."""
    beyond, size = half.shape[0], m * rows
    for k in range(size):
        here[k + 1] = ~plane[k]
    spread(here, spare, total, half, odd, np.bool_(False), m, rows - 2 * beyond, beyond)
    out[:size] = _NONE
    for k in range(m * (rows - 2 * beyond)):
        out[k + m * beyond] = ~total[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_middles(kept, count, hair, seen, here, spare, out, beside, m, rows):  # type: ignore[no-untyped-def]  # pragma: no cover
    """From the deepest peel outwards: what no deeper one lies beside. `seen` : what is wide already."""
    size, beyond = m * rows, beside.shape[0]
    spread_rows = rows - 2 * beyond
    near = np.empty(size, dtype=np.uint64)
    out[:size] = _NONE
    for n in range(count - 1, hair - 1, -1):
        peel = kept[n]
        here[1 : size + 1] = seen[:size]
        spread(here, spare, near, beside, np.bool_(True), np.bool_(True), m, spread_rows, beyond)
        for k in range(m * spread_rows):
            out[k + m * beyond] |= peel[k + m * beyond] & ~near[k]
        for k in range(size):
            seen[k] |= peel[k]
