"""Packed planes combined where a region asks for it: what would cost a board's time costs a region's.

Results are empty outside the region; what is changed in place stays there as it is.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import Bits, Region

_STRIP = 64
_NONE = np.uint64(0)
_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)


@njit(cache=True, nogil=True, error_model="numpy")
def _pair(one, other, turn, region, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for strip in range(region.shape[0]):
        flags = region[strip]
        if not flags.any():
            continue
        for y in range(strip * _STRIP, min((strip + 1) * _STRIP, one.shape[0])):
            for j in range(one.shape[1]):
                if flags[j] != 0:
                    out[y, j] = one[y, j] & (other[y, j] ^ turn)


def common(one: Bits, other: Bits, region: Region) -> Bits:
    """Pixels of both planes."""
    out: Bits = np.zeros(one.shape, dtype=np.uint64)
    _pair(one, other, _NONE, region, out)
    return out


def without(one: Bits, other: Bits, region: Region) -> Bits:
    """Pixels of one plane that are not in the other."""
    out: Bits = np.zeros(one.shape, dtype=np.uint64)
    _pair(one, other, _ONES, region, out)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def add(bits, more, region):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Set the pixels of another plane, in place."""
    for strip in range(region.shape[0]):
        flags = region[strip]
        if not flags.any():
            continue
        for y in range(strip * _STRIP, min((strip + 1) * _STRIP, bits.shape[0])):
            for j in range(bits.shape[1]):
                if flags[j] != 0:
                    bits[y, j] |= more[y, j]


@njit(cache=True, nogil=True, error_model="numpy")
def remove(bits, less, region):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Clear the pixels of another plane, in place."""
    for strip in range(region.shape[0]):
        flags = region[strip]
        if not flags.any():
            continue
        for y in range(strip * _STRIP, min((strip + 1) * _STRIP, bits.shape[0])):
            for j in range(bits.shape[1]):
                if flags[j] != 0:
                    bits[y, j] &= ~less[y, j]


@njit(cache=True, nogil=True, error_model="numpy")
def copy_where(bits, source, where, region):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Make pixels of `where` what they are in the source, in place."""
    for strip in range(region.shape[0]):
        flags = region[strip]
        if not flags.any():
            continue
        for y in range(strip * _STRIP, min((strip + 1) * _STRIP, bits.shape[0])):
            for j in range(bits.shape[1]):
                if flags[j] != 0:
                    bits[y, j] ^= (bits[y, j] ^ source[y, j]) & where[y, j]


@njit(cache=True, nogil=True, error_model="numpy")
def blocks_changed(one, other):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """uint8 (strips, words): the blocks in which two planes differ."""
    out = np.zeros(((one.shape[0] + _STRIP - 1) // _STRIP, one.shape[1]), dtype=np.uint8)
    for y in range(one.shape[0]):
        flags = out[y // _STRIP]
        for j in range(one.shape[1]):
            if one[y, j] != other[y, j]:
                flags[j] = 1
    return out
