"""What is known of a partition's thin parts: measured once, and again only near what has changed since.

A repair asks for the thin parts of a rule again and again, and in between changes few pixels, most of them of layers
that the rule is not of. What was found is kept as the words that hold it, for there are few.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.bit_morphology import BLOCK, Bits, Region, needed_runs
from worker.engine.fabrication.bit_parts import highest_bit, lowest_bit
from worker.engine.fabrication.plane_moves import Planes

_NONE = np.uint64(0)

Kinds = npt.NDArray[np.uint8]
"""uint8 (rules, finishes): 1 for finishes that are in a rule's part, 2 for those that its discs may use besides."""


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """Words of a packed plane, in any order. row, word : int32 (n,), where they are. bits : uint64 (n,)."""

    row: npt.NDArray[np.int32]
    word: npt.NDArray[np.int32]
    bits: npt.NDArray[np.uint64]

    @classmethod
    def of(cls, plane: Bits) -> Words:
        """The words of a plane that hold a pixel."""
        row, word, bits = _words_where(plane[None], plane)
        return cls(row, word, bits[:, 0])

    def within(self, region: Region) -> Words:
        """Those in a region."""
        chosen = region[self.row // BLOCK, self.word] != 0
        return Words(self.row[chosen], self.word[chosen], self.bits[chosen])

    def add(self, plane: Bits) -> None:
        """Set their pixels, in place."""
        _add_all(self.row, self.word, self.bits, plane)

    def clear(self, plane: Bits) -> None:
        """Empty the plane's words that they are of, in place."""
        plane[self.row, self.word] = _NONE


_NOTHING = Words(np.empty(0, dtype=np.int32), np.empty(0, dtype=np.int32), np.empty(0, dtype=np.uint64))


@dataclass(frozen=True, slots=True, eq=False)
class WordsBefore:
    """Words of all planes of a partition before a change. row, word : as above. bits : uint64 (n, finishes)."""

    row: npt.NDArray[np.int32]
    word: npt.NDArray[np.int32]
    bits: npt.NDArray[np.uint64]

    @classmethod
    def of(cls, planes: Planes, where: Bits) -> WordsBefore:
        """The words in which `where` holds a pixel."""
        return cls(*_words_where(planes, where))

    def put_back(self, planes: Planes, where: Bits) -> None:
        """Make pixels, all of them in these words, what they were, in place."""
        _put_back(planes, where, self.row, self.word, self.bits)


class MeasuredThin:
    """The thin parts of every rule, as far as they are known: where the planes are what they were when it was measured.

    reach_px : int64 (rules,), how far from a pixel another one may decide on it.
    """

    def __init__(self, kinds: Kinds, reach_px: npt.NDArray[np.int64], shape: tuple[int, int]) -> None:
        self._kinds, self._reach_px = kinds, reach_px
        self._unknown = np.ones((len(kinds), -(-shape[0] // BLOCK), shape[1]), dtype=np.uint8)
        self._found = [_NOTHING] * len(kinds)

    def copy(self) -> MeasuredThin:
        """What is known, to go on with by itself."""
        out = self._empty_copy()
        out._unknown, out._found = self._unknown.copy(), self._found.copy()
        return out

    def window(self, rows: slice, words: slice) -> MeasuredThin:
        """What is known of a part of the board; rows begin at a block."""
        first, last = rows.start // BLOCK, -(-rows.stop // BLOCK)
        out = self._empty_copy()
        out._unknown = self._unknown[:, first:last, words].copy()
        out._found = [
            Words(*_cut(found.row, found.word, found.bits, rows.start, rows.stop, words.start, words.stop))
            for found in self._found
        ]
        return out

    def _empty_copy(self) -> MeasuredThin:
        out = MeasuredThin.__new__(MeasuredThin)
        out._kinds, out._reach_px = self._kinds, self._reach_px
        return out

    def unknown(self, rule: int, region: Region) -> Region | None:
        """Blocks of the region that are to be measured; None where there are none."""
        out = region & self._unknown[rule]
        return out if out.any() else None

    def take_in(self, rule: int, measured: Bits, region: Region) -> None:
        """Know what was measured in a region. measured : cleared."""
        found = self._found[rule]
        self._found[rule] = Words(*_taken_in(found.row, found.word, found.bits, measured, region))
        self._unknown[rule][region != 0] = 0

    def add(self, rule: int, region: Region, out: Bits) -> None:
        """Add the thin pixels in the region, which must be known, in place."""
        found = self._found[rule]
        _add_words(found.row, found.word, found.bits, region, out)

    def words(self, rule: int, region: Region) -> Words:
        """The thin pixels in the region, which must be known."""
        return self._found[rule].within(region)

    def add_new(self, rule: int, before: Words, region: Region, spare: Bits, out: Bits) -> None:
        """Add those in the region that were not thin before, in place. spare : an empty plane, which is left so."""
        found = self._found[rule]
        _add_new(found.row, found.word, found.bits, before.row, before.word, before.bits, region, spare, out)

    def holds(self, rule: int, region: Region) -> bool:
        """Whether there are any, as far as they are known."""
        found = self._found[rule]
        return bool(_any_in(found.row, found.word, region))

    def changed(self, before: WordsBefore, planes: Planes) -> None:
        """Know no more what is near to pixels of these words that are of another kind now."""
        _mark_words(before.row, before.word, before.bits, planes, self._kinds, self._reach_px, self._unknown)

    def changed_in(self, region: Region, before: Planes, planes: Planes) -> None:
        """The same of all pixels of a region."""
        _mark_blocks(region, before, planes, self._kinds, self._reach_px, self._unknown)


@njit(cache=True, nogil=True, error_model="numpy")
def _words_where(planes, where):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n = 0
    for y in range(where.shape[0]):
        for j in range(where.shape[1]):
            n += where[y, j] != _NONE
    row, word = np.empty(n, dtype=np.int32), np.empty(n, dtype=np.int32)
    bits = np.empty((n, planes.shape[0]), dtype=np.uint64)
    n = 0
    for y in range(where.shape[0]):
        for j in range(where.shape[1]):
            if where[y, j] != _NONE:
                row[n] = y
                word[n] = j
                for f in range(planes.shape[0]):
                    bits[n, f] = planes[f, y, j]
                n += 1
    return row, word, bits


@njit(cache=True, nogil=True, error_model="numpy")
def _put_back(planes, where, row, word, bits):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(row.shape[0]):
        y, j = row[n], word[n]
        back = where[y, j]
        if back != _NONE:
            for f in range(planes.shape[0]):
                planes[f, y, j] = (planes[f, y, j] & ~back) | (bits[n, f] & back)


@njit(cache=True, nogil=True, error_model="numpy")
def _cut(row, word, bits, top, bottom, left, right):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    out_row, out_word, out_bits = np.empty_like(row), np.empty_like(word), np.empty_like(bits)
    m = 0
    for n in range(row.shape[0]):
        if top <= row[n] < bottom and left <= word[n] < right:
            out_row[m] = row[n] - top
            out_word[m] = word[n] - left
            out_bits[m] = bits[n]
            m += 1
    return out_row[:m].copy(), out_word[:m].copy(), out_bits[:m].copy()


@njit(cache=True, nogil=True, error_model="numpy")
def _taken_in(row, word, bits, measured, region):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The words outside the region, and those that were measured in it."""
    most = row.shape[0]
    for strip in range(region.shape[0]):
        runs = needed_runs(region[strip], 0)
        for y in range(strip * BLOCK, min((strip + 1) * BLOCK, measured.shape[0])):
            for k in range(runs.shape[0]):
                for j in range(runs[k, 0], runs[k, 1]):
                    most += measured[y, j] != _NONE
    out_row, out_word = np.empty(most, dtype=np.int32), np.empty(most, dtype=np.int32)
    out_bits = np.empty(most, dtype=np.uint64)
    m = 0
    for n in range(row.shape[0]):
        if region[row[n] // BLOCK, word[n]] == 0:
            out_row[m] = row[n]
            out_word[m] = word[n]
            out_bits[m] = bits[n]
            m += 1
    for strip in range(region.shape[0]):
        runs = needed_runs(region[strip], 0)
        for y in range(strip * BLOCK, min((strip + 1) * BLOCK, measured.shape[0])):
            for k in range(runs.shape[0]):
                for j in range(runs[k, 0], runs[k, 1]):
                    if measured[y, j] != _NONE:
                        out_row[m] = y
                        out_word[m] = j
                        out_bits[m] = measured[y, j]
                        measured[y, j] = _NONE
                        m += 1
    return out_row[:m], out_word[:m], out_bits[:m]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_words(row, word, bits, region, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(row.shape[0]):
        if region[row[n] // BLOCK, word[n]] != 0:
            out[row[n], word[n]] |= bits[n]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_all(row, word, bits, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(row.shape[0]):
        out[row[n], word[n]] |= bits[n]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_new(row, word, bits, old_row, old_word, old_bits, region, spare, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(old_row.shape[0]):
        spare[old_row[n], old_word[n]] = old_bits[n]
    for n in range(row.shape[0]):
        if region[row[n] // BLOCK, word[n]] != 0:
            out[row[n], word[n]] |= bits[n] & ~spare[row[n], word[n]]
    for n in range(old_row.shape[0]):
        spare[old_row[n], old_word[n]] = _NONE


@njit(cache=True, nogil=True, error_model="numpy")
def _any_in(row, word, region):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(row.shape[0]):  # noqa: SIM110 - a generator is not compiled
        if region[row[n] // BLOCK, word[n]] != 0:
            return True
    return False


@njit(cache=True, nogil=True, error_model="numpy")
def _mark_words(row, word, bits, planes, kinds, reach, unknown):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(row.shape[0]):
        _mark(row[n], word[n], bits[n], planes[:, row[n], word[n]], kinds, reach, unknown)


@njit(cache=True, nogil=True, error_model="numpy")
def _mark_blocks(region, before, planes, kinds, reach, unknown):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(planes.shape[1]):
        flags = region[y // BLOCK]
        for j in range(planes.shape[2]):
            if flags[j] != 0:
                differs = _NONE
                for f in range(planes.shape[0]):
                    differs |= planes[f, y, j] ^ before[f, y, j]
                if differs != _NONE:
                    _mark(y, j, before[:, y, j], planes[:, y, j], kinds, reach, unknown)


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(y, j, old, new, kinds, reach, unknown):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Flag the blocks that hold a pixel within reach of one of this word that is of another kind now, rule by rule."""
    for k in range(kinds.shape[0]):
        old_part = new_part = old_spare = new_spare = _NONE
        for f in range(old.shape[0]):
            if kinds[k, f] == 1:
                old_part |= old[f]
                new_part |= new[f]
            elif kinds[k, f] == 2:
                old_spare |= old[f]
                new_spare |= new[f]
        changed = (old_part ^ new_part) | (old_spare ^ new_spare)
        if changed == _NONE:
            continue
        left = max(64 * j + lowest_bit(changed) - reach[k], 0) >> 6
        right = min((64 * j + highest_bit(changed) + reach[k]) >> 6, unknown.shape[2] - 1)
        for strip in range(max(y - reach[k], 0) // BLOCK, min((y + reach[k]) // BLOCK, unknown.shape[1] - 1) + 1):
            for i in range(left, right + 1):
                unknown[k, strip, i] = 1
