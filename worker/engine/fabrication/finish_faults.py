"""Where a partition by finishes breaks a rule that is not of widths: at the board's edge, at corners, beside openings.

In the region alone, strip by strip in buffers that stay in the cache, and added to one plane: a repair asks hundreds of
times, most of them for a few blocks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.bit_morphology import BLOCK, Bits, Region, needed_runs, strip_groups, touch_word
from worker.engine.fabrication.plane_moves import Planes
from worker.engine.fabrication.thin_parts import (
    Reaches,
    add_finishes,
    add_grown,
    clear,
    held_words,
    thin_of_finishes,
)
from worker.engine.threads import run_all

Chosen = npt.NDArray[np.bool_]
"""bool (..., finishes): those that are meant."""

_ONE = np.uint64(1)
_TOP = np.uint64(63)


def chosen_of(finishes: tuple[int, ...], count: int) -> Chosen:
    """Finishes by number as a table."""
    out = np.zeros(count, dtype=np.bool_)
    out[list(finishes)] = True
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FaultRules:
    """All rules on a partition, as the compiled loop takes them.

    layers, unknown : bool (3, finishes), those with copper, openings and legend, and those that may have it or not,
    which touch nothing. clearance : half widths of the disc that keeps legend off openings. part, spare, discs : the
    width rules, as `thin_of_finishes` takes them.
    """

    layers: Chosen
    unknown: Chosen
    clearance: npt.NDArray[np.int64]
    part: Chosen
    spare: Chosen
    discs: Reaches

    @property
    def reach_px(self) -> int:
        """Rows and columns around a pixel that decide on whether it breaks a rule."""
        return max(self.discs.reach_px, len(self.clearance), 2)


def add_faults(planes: Planes, outside: Bits, rules: FaultRules, region: Region, out: Bits, *, threads: int) -> None:
    """Add every pixel that breaks a rule, in the region, but for those too near to the board's edge."""
    discs = rules.discs
    tables = rules.layers, rules.unknown, rules.clearance, rules.part, rules.spare
    shapes = discs.beside, discs.fits, discs.covers, discs.rows, discs.odd
    run_all(
        lambda a, b: _add_faults(planes, outside, *tables, *shapes, region, a, b, out),
        strip_groups(out.shape[0], threads),
        threads,
    )


def add_faults_beside_thin(
    planes: Planes, outside: Bits, rules: FaultRules, region: Region, out: Bits, *, threads: int
) -> None:
    """The same without what breaks a width rule."""
    tables = rules.layers, rules.unknown, rules.clearance
    run_all(
        lambda a, b: _add_beside_thin(planes, outside, *tables, region, a, b, out),
        strip_groups(out.shape[0], threads),
        threads,
    )


def add_thin(
    planes: Planes, outside: Bits, rules: FaultRules, number: int, region: Region, out: Bits, *, threads: int
) -> None:
    """Add every pixel that breaks one width rule, in the region."""
    discs, one = rules.discs, slice(number, number + 1)
    shapes = discs.beside[one], discs.fits[one], discs.covers[one], discs.rows[one], discs.odd[one]
    run_all(
        lambda a, b: thin_of_finishes(planes, outside, rules.part[one], rules.spare[one], *shapes, region, a, b, out),
        strip_groups(out.shape[0], threads),
        threads,
    )


def add_corner_touches(
    planes: Planes, outside: Bits, rules: FaultRules, region: Region, out: Bits, *, threads: int
) -> None:
    """Add all four pixels of every corner touch of a layer, in the region."""
    run_all(
        lambda a, b: _add_touches(planes, outside, rules.layers, rules.unknown, region, a, b, out),
        strip_groups(out.shape[0], threads),
        threads,
    )


def add_barred(planes: Planes, layer: Chosen, barred: Bits, region: Region, out: Bits, *, threads: int) -> None:
    """Add pixels of these finishes, bool (finishes,), where they may not be, in the region."""
    run_all(
        lambda a, b: _add_barred(planes, layer, barred, region, a, b, out),
        strip_groups(out.shape[0], threads),
        threads,
    )


def add_near(planes: Planes, rules: FaultRules, region: Region, out: Bits, *, threads: int) -> None:
    """Add legend within the clearance of an opening, in the region."""
    run_all(
        lambda a, b: _add_near(planes, rules.layers[2], rules.layers[1], rules.clearance, region, a, b, out),
        strip_groups(out.shape[0], threads),
        threads,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _add_faults(  # type: ignore[no-untyped-def]
    planes,
    outside,
    layers,
    unknown,
    clearance,
    part,
    spare,
    beside,
    fits,
    covers,
    rows,
    odd,
    region,
    first,
    last,
    out,
):  # pragma: no cover - compiled
    for top in range(first, last, BLOCK):
        if not region[top // BLOCK].any():
            continue
        end = min(top + BLOCK, last)
        _add_beside_thin(planes, outside, layers, unknown, clearance, region, top, end, out)
        thin_of_finishes(planes, outside, part, spare, beside, fits, covers, rows, odd, region, top, end, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_beside_thin(planes, outside, layers, unknown, clearance, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    _add_near(planes, layers[2], layers[1], clearance, region, first, last, out)
    _add_touches(planes, outside, layers, unknown, region, first, last, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_touches(planes, outside, layers, unknown, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for k in range(layers.shape[0]):
        if layers[k].any():
            _add_touches_of(planes, outside, layers[k], unknown[k], region, first, last, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_touches_of(planes, outside, layer, unknown, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    height, words = outside.shape
    for top in range(first, last, BLOCK):
        flags = region[top // BLOCK]
        runs = needed_runs(flags, 0)
        if runs.shape[0] == 0:
            continue
        end = min(top + BLOCK, last)
        wide = needed_runs(flags, 1)
        # A pixel may be a corner of squares that begin in the row above, and end in the row below.
        begin = max(top - 1, 0)
        rows = min(end + 1, height) - begin
        plane, known = np.empty((rows, words), dtype=np.uint64), np.empty((rows, words), dtype=np.uint64)
        touch = np.empty((rows, words), dtype=np.uint64)
        for r in range(rows):
            clear(wide, plane[r])
            clear(wide, known[r])
            add_finishes(planes, layer, begin + r, wide, plane[r])
            add_finishes(planes, unknown, begin + r, wide, known[r])
            for n in range(wide.shape[0]):
                for j in range(wide[n, 0], wide[n, 1]):
                    known[r, j] = ~(known[r, j] | outside[begin + r, j])
        any_touch = np.uint64(0)
        for r in range(rows):
            for n in range(runs.shape[0]):
                for j in range(max(runs[n, 0] - 1, 0), runs[n, 1]):
                    word = touch_word(plane, known, r, j)
                    touch[r, j] = word
                    any_touch |= word
        if any_touch == np.uint64(0):
            continue
        for y in range(top, end):
            r = y - begin
            for n in range(runs.shape[0]):
                for j in range(runs[n, 0], runs[n, 1]):
                    here = touch[r, j] | (touch[r - 1, j] if r > 0 else np.uint64(0))
                    word = here | (here << _ONE)
                    if j > 0:
                        left = touch[r, j - 1] | (touch[r - 1, j - 1] if r > 0 else np.uint64(0))
                        word |= left >> _TOP
                    out[y, j] |= word


@njit(cache=True, nogil=True, error_model="numpy")
def _add_barred(planes, layer, barred, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for top in range(first, last, BLOCK):
        runs = needed_runs(region[top // BLOCK], 0)
        for y in range(top, min(top + BLOCK, last)):
            for n in range(runs.shape[0]):
                for j in range(runs[n, 0], runs[n, 1]):
                    bad = barred[y, j]
                    if bad != np.uint64(0):
                        for f in range(planes.shape[0]):
                            if layer[f]:
                                out[y, j] |= bad & planes[f, y, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_near(planes, one, other, half, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    height, words = out.shape
    reach = half.shape[0]
    if not one.any() or not other.any():
        return
    for top in range(first, last, BLOCK):
        runs = needed_runs(region[top // BLOCK], 0)
        if runs.shape[0] == 0:
            continue
        part = np.empty((min(BLOCK, last - top), words), dtype=np.uint64)
        for r in range(part.shape[0]):
            clear(runs, part[r])
            add_finishes(planes, one, top + r, runs, part[r])
        active = held_words(part, runs)
        if not active.any():
            continue
        runs, wide = needed_runs(active, 0), needed_runs(active, 1 + reach // 64)
        source = np.empty((part.shape[0] + 2 * reach, words), dtype=np.uint64)
        for r in range(source.shape[0]):
            y = min(max(top - reach + r, 0), height - 1)
            clear(wide, source[r])
            add_finishes(planes, other, y, wide, source[r])
        if not held_words(source, wide).any():
            continue
        near = np.empty_like(part)
        for r in range(part.shape[0]):
            clear(runs, near[r])
        add_grown(source, half, runs, near)
        for r in range(part.shape[0]):
            for n in range(runs.shape[0]):
                for j in range(runs[n, 0], runs[n, 1]):
                    out[top + r, j] |= part[r, j] & near[r, j]
