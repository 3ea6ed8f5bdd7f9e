"""Packed planes combined where a region asks for it: what would cost a board's time costs a region's.

Results are empty outside the region; what is changed in place stays there as it is.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import BLOCK, Bits, Region, needed_runs

_COMMON, _WITHOUT, _ADD, _REMOVE, _COPY, _COPY_WHERE = range(6)


@njit(cache=True, nogil=True, error_model="numpy")
def _combine(how, one, other, region, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for strip in range(region.shape[0]):
        flags = region[strip]
        if not flags.any():
            continue
        runs = needed_runs(flags, 0)
        for y in range(strip * BLOCK, min((strip + 1) * BLOCK, out.shape[0])):
            for n in range(runs.shape[0]):
                a, b = runs[n, 0], runs[n, 1]
                _combine_run(how, one[y, a:b], other[y, a:b], out[y, a:b])


@njit(cache=True, nogil=True, error_model="numpy")
def _combine_run(how, one, other, to):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    words = to.shape[0]
    if how == _COMMON:
        for j in range(words):
            to[j] = one[j] & other[j]
    elif how == _WITHOUT:
        for j in range(words):
            to[j] = one[j] & ~other[j]
    elif how == _ADD:
        for j in range(words):
            to[j] |= one[j]
    elif how == _REMOVE:
        for j in range(words):
            to[j] &= ~one[j]
    elif how == _COPY:
        for j in range(words):
            to[j] = one[j]
    else:
        for j in range(words):
            to[j] ^= (to[j] ^ one[j]) & other[j]


def common(one: Bits, other: Bits, region: Region) -> Bits:
    """Pixels of both planes."""
    out: Bits = np.zeros(one.shape, dtype=np.uint64)
    _combine(_COMMON, one, other, region, out)
    return out


def without(one: Bits, other: Bits, region: Region) -> Bits:
    """Pixels of one plane that are not in the other."""
    out: Bits = np.zeros(one.shape, dtype=np.uint64)
    _combine(_WITHOUT, one, other, region, out)
    return out


def add(bits: Bits, more: Bits, region: Region) -> None:
    """Set the pixels of another plane, in place."""
    _combine(_ADD, more, more, region, bits)


def remove(bits: Bits, less: Bits, region: Region) -> None:
    """Clear the pixels of another plane, in place."""
    _combine(_REMOVE, less, less, region, bits)


def take_over(bits: Bits, source: Bits, region: Region) -> None:
    """Make pixels what they are in another plane, in place."""
    _combine(_COPY, source, source, region, bits)


def copy_where(bits: Bits, source: Bits, where: Bits, region: Region) -> None:
    """Make pixels of `where` what they are in another plane, in place."""
    _combine(_COPY_WHERE, source, where, region, bits)


@njit(cache=True, nogil=True, error_model="numpy")
def blocks_changed(one, other):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """uint8 (strips, words): the blocks in which two planes differ."""
    out = np.zeros(((one.shape[0] + BLOCK - 1) // BLOCK, one.shape[1]), dtype=np.uint8)
    for y in range(one.shape[0]):
        flags = out[y // BLOCK]
        for j in range(one.shape[1]):
            if one[y, j] != other[y, j]:
                flags[j] = 1
    return out
