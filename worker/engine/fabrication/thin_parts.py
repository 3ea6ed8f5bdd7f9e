"""Thin parts: the pixels of a part that no disc covers which lies in the part's space, in one pass over the board.

Erosion, dilation and the tolerance at corners follow each other on one strip of rows at a time, in buffers that stay in
the processor's cache, and only where there is something to find: in blocks that hold a pixel of the part, with a gap in
the space in or beside them. So the cost grows with the edges drawn, not with the board.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.bit_morphology import (
    BLOCK,
    Bits,
    Disc,
    Region,
    dilate,
    disc,
    disc_within,
    everywhere,
    joined_runs,
    load,
    needed_runs,
    spread,
    strip_groups,
)
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING
from worker.engine.fabrication.width_rules import CORNER_TOLERANCE, WidthRule
from worker.engine.threads import run_all

Masks = npt.NDArray[np.uint64]
"""uint64 (16,): all bits set for the stacks that are chosen, by copper, opening, legend and hatch."""

_STRIP = BLOCK
_CHUNK = 16
"""Words of a strip that are worked on at a time."""
_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)
_NONE = np.uint64(0)
_ONE = np.uint64(1)
_TOP = np.uint64(63)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reach:
    """The disc that must fit in, and what counts as covered where it does: the disc with its corners' tolerance.

    before : rows and columns around a pixel that decide on it.
    """

    fits: Disc
    covers: Disc

    @property
    def before(self) -> int:
        return len(self.fits.half_px) + len(self.covers.half_px)


@functools.lru_cache(maxsize=64)
def reach_of(diameter_px: int) -> Reach:
    """Of a limit in pixels."""
    fits = disc(diameter_px)
    return Reach(fits=fits, covers=_grown(fits, disc_within(CORNER_TOLERANCE * diameter_px / 2.0)))


def _grown(shape: Disc, by: Disc) -> Disc:
    """The disc that two discs, the second of them odd, make one after the other."""
    n, m = len(shape.half_px), len(by.half_px)
    # Row d of a disc whose middle is a corner lies d + 1/2 from it, and its mirror is row -d - 1.
    rows = range(-n + 1 if shape.odd else -n, n)
    half = np.zeros(n + m - 1, dtype=np.int64)
    for d in rows:
        for e in range(-m + 1, m):
            if d + e >= 0:
                wide = shape.half_px[d if d >= 0 else -d - (not shape.odd)] + by.half_px[abs(e)]
                half[d + e] = max(half[d + e], wide)
    return Disc(half, shape.odd)


def thin_parts(part: Bits, space: Bits, diameter_px: int, *, region: Region | None = None, threads: int = 1) -> Bits:
    """Pixels of the part that no disc of this diameter in the space covers, nor its corners' tolerance; in the region.

    The tolerance is for what hangs together with a place that a disc fits in: a speck beside one is thin.

    part : within `space`. Beyond the pad both go on as at their edge.
    """
    out = np.zeros(part.shape, dtype=np.uint64)
    reach = reach_of(diameter_px)
    around = everywhere(part.shape) if region is None else region
    run_all(
        lambda a, b: _thin_of_planes(
            part, space, reach.fits.half_px, reach.covers.half_px, reach.fits.odd, around, a, b, out
        ),
        strip_groups(part.shape[0], threads),
        threads,
    )
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reaches:
    """Discs of some rules, as compiled loops take them: each row of an array holds one rule's half widths.

    beside : how far discs may go beyond what is spare. fits, covers : as in `Reach`. rows : int64 (rules, 3), how many
    of the half widths count. odd : bool (rules,).
    """

    beside: npt.NDArray[np.int64]
    fits: npt.NDArray[np.int64]
    covers: npt.NDArray[np.int64]
    rows: npt.NDArray[np.int64]
    odd: npt.NDArray[np.bool_]

    @property
    def each_reach_px(self) -> npt.NDArray[np.int64]:
        """Rows and columns around a pixel that decide on it, int64 (rules,)."""
        specks = 4 * (self.rows[:, 2] - self.rows[:, 1] + 1) + 2  # a square's side there and back, as often as it grows
        return np.asarray(np.maximum(self.rows.sum(axis=1), specks + self.rows[:, 0]))

    @property
    def reach_px(self) -> int:
        """The same by any of the rules."""
        return int(self.each_reach_px.max(initial=0))


@functools.lru_cache(maxsize=256)
def reaches_of(rules: tuple[WidthRule, ...], spared: tuple[bool, ...]) -> Reaches:
    """Of some rules; `spared` : whether there is anything spare."""
    nothing = np.empty(0, dtype=np.int64)
    reaches = [reach_of(rule.diameter_px) for rule in rules]
    far = [
        disc_within(rule.spare_reach_px).half_px if rule.spare_reach_px and spare else nothing
        for rule, spare in zip(rules, spared, strict=True)
    ]
    kinds = [far, [one.fits.half_px for one in reaches], [one.covers.half_px for one in reaches]]
    beside, fits, covers = (_side_by_side(kind) for kind in kinds)
    return Reaches(
        beside=beside,
        fits=fits,
        covers=covers,
        rows=np.array([[len(half) for half in kind] for kind in kinds], dtype=np.int64).T.copy(),
        odd=np.array([one.fits.odd for one in reaches], dtype=np.bool_),
    )


def _side_by_side(halves: Sequence[npt.NDArray[np.int64]]) -> npt.NDArray[np.int64]:
    out = np.zeros((len(halves), max((len(half) for half in halves), default=0) + 1), dtype=np.int64)
    for row, half in zip(out, halves, strict=True):
        row[: len(half)] = half
    return out


@functools.lru_cache(maxsize=64)
def layer_rules(rules: tuple[WidthRule, ...]) -> tuple[Masks, Masks, Reaches]:
    """Rules on layers, as `thin_of_layers` takes them: uint64 (rules, 16), parts and spares; discs."""
    part, spare = (
        np.stack([_masks(table) for table in tables])
        for tables in ([rule.part_table() for rule in rules], [rule.spare_table() for rule in rules])
    )
    return part, spare, reaches_of(rules, (True,) * len(rules))


def thin_layers(bits: LayerBits, rule: WidthRule, *, region: Region | None = None, threads: int = 1) -> Bits:
    """Pixels of a side's layers that break a rule, in the region."""
    found: Bits = np.zeros(bits.board.shape, dtype=np.uint64)
    part, spare, discs = layer_rules((rule,))
    around = everywhere(found.shape) if region is None else region
    layers = bits.copper, bits.opening, bits.legend, bits.hatched, bits.board
    shapes = discs.beside, discs.fits, discs.covers, discs.rows, discs.odd
    run_all(
        lambda a, b: thin_of_layers(*layers, part, spare, *shapes, around, a, b, found),
        strip_groups(found.shape[0], threads),
        threads,
    )
    return found


def space_of(bits: LayerBits, rule: WidthRule, *, threads: int = 1) -> Bits:
    """Where a rule's discs may lie."""
    part = picked(bits, rule.part_table(), threads=threads)
    if not rule.spare_reach_px:
        return part | ~bits.board
    spare = picked(bits, rule.spare_table(), threads=threads) | ~bits.board
    return dilate(spare, disc_within(rule.spare_reach_px), threads=threads) | part


def picked(bits: LayerBits, table: npt.NDArray[np.uint8], *, threads: int = 1) -> Bits:
    """Pixels of the board whose stack the table, uint8 (256,), chooses."""
    out: Bits = np.empty(bits.board.shape, dtype=np.uint64)
    masks = _masks(table)
    run_all(
        lambda a, b: _pick_rows(bits.copper, bits.opening, bits.legend, bits.hatched, bits.board, masks, a, b, out),
        strip_groups(bits.board.shape[0], threads),
        threads,
    )
    return out


def _masks(table: npt.NDArray[np.uint8]) -> Masks:
    return np.array([_ONES if table[BOARD | bits] else _NONE for bits in range(16)], dtype=np.uint64)


assert (COPPER, OPENING, LEGEND, HATCHED) == (1, 2, 4, 8)  # the order of the masks


@njit(cache=True, nogil=True, error_model="numpy")
def _thin_of_planes(part, space, fits, covers, odd, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    height, words = part.shape
    before = fits.shape[0] + covers.shape[0]
    for top in range(first, last, _STRIP):
        end = min(top + _STRIP, last)
        active = held_words(part[top:end], needed_runs(region[top // _STRIP], 0))
        if not active.any():
            continue
        around = np.empty((end - top + 2 * before, words), dtype=np.uint64)
        runs = needed_runs(active, 1 + before // 64)
        for r in range(around.shape[0]):
            row, to = space[min(max(top - before + r, 0), height - 1)], around[r]
            for k in range(runs.shape[0]):
                to[runs[k, 0] : runs[k, 1]] = row[runs[k, 0] : runs[k, 1]]
        _add_thin(part[top:end], around, fits, covers, odd, active, runs, out[top:end])


@njit(cache=True, nogil=True, error_model="numpy")
def thin_of_layers(  # type: ignore[no-untyped-def]
    copper, opening, legend, hatched, board, part, spare, beside, fits, covers, rows, odd, region, first, last, out
):  # pragma: no cover - compiled
    """Add the pixels that break some rules, of rows first..last; `part` and on as in `layer_rules`.

    Strip by strip, not rule by rule: what one rule has read is still in the cache for the next.
    """
    for top in range(first, last, _STRIP):
        if not region[top // _STRIP].any():
            continue
        for k in range(part.shape[0]):
            near, disc, cover = beside[k, : rows[k, 0]], fits[k, : rows[k, 1]], covers[k, : rows[k, 2]]
            _thin_of_layers(
                copper,
                opening,
                legend,
                hatched,
                board,
                part[k],
                spare[k],
                near,
                disc,
                cover,
                odd[k],
                region,
                top,
                min(top + _STRIP, last),
                out,
            )


@njit(cache=True, nogil=True, error_model="numpy")
def thin_of_finishes(  # type: ignore[no-untyped-def]
    planes, outside, part, spare, beside, fits, covers, rows, odd, region, first, last, out
):  # pragma: no cover - compiled
    """The same of a partition by finishes; part, spare : bool (rules, finishes)."""
    for top in range(first, last, _STRIP):
        if not region[top // _STRIP].any():
            continue
        end = min(top + _STRIP, last)
        for k in range(part.shape[0]):
            near, disc, cover = beside[k, : rows[k, 0]], fits[k, : rows[k, 1]], covers[k, : rows[k, 2]]
            _thin_of_finishes(planes, outside, part[k], spare[k], near, disc, cover, odd[k], region, top, end, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _thin_of_layers(  # type: ignore[no-untyped-def]
    copper, opening, legend, hatched, board, part_of, spare_of, beside, fits, covers, odd, region, first, last, out
):  # pragma: no cover - compiled
    height, words = board.shape
    before, reach = fits.shape[0] + covers.shape[0], beside.shape[0]
    for top in range(first, last, _STRIP):
        flags = region[top // _STRIP]
        if not flags.any():
            continue
        runs = joined_runs(needed_runs(flags, 0))
        part = np.empty((min(_STRIP, last - top), words), dtype=np.uint64)
        for y in range(top, top + part.shape[0]):
            _pick(copper[y], opening[y], legend[y], hatched[y], board[y], part_of, runs, part[y - top])
        active = held_words(part, runs) & flags
        if not active.any():
            continue
        around = np.empty((part.shape[0] + 2 * before, words), dtype=np.uint64)
        runs = needed_runs(active, 1 + before // 64)
        whole = joined_runs(runs)
        for r in range(around.shape[0]):
            y = min(max(top - before + r, 0), height - 1)
            _pick(copper[y], opening[y], legend[y], hatched[y], board[y], part_of, whole, around[r])
            if reach == 0:
                _add_outside(board[y], whole, around[r])
        if reach > 0:
            spare = np.empty((around.shape[0] + 2 * reach, words), dtype=np.uint64)
            wide = joined_runs(needed_runs(active, 2 + before // 64 + reach // 64))
            for r in range(spare.shape[0]):
                y = min(max(top - before - reach + r, 0), height - 1)
                _pick(copper[y], opening[y], legend[y], hatched[y], board[y], spare_of, wide, spare[r])
                _add_outside(board[y], wide, spare[r])
            add_grown(spare, beside, runs, around)
        _add_thin(part, around, fits, covers, odd, active, whole, out[top : top + part.shape[0]])


@njit(cache=True, nogil=True, error_model="numpy")
def _thin_of_finishes(  # type: ignore[no-untyped-def]
    planes, outside, part_of, spare_of, beside, fits, covers, odd, region, first, last, out
):  # pragma: no cover - compiled
    height, words = outside.shape
    before, reach = fits.shape[0] + covers.shape[0], beside.shape[0]
    for top in range(first, last, _STRIP):
        flags = region[top // _STRIP]
        if not flags.any():
            continue
        runs = joined_runs(needed_runs(flags, 0))
        part = np.empty((min(_STRIP, last - top), words), dtype=np.uint64)
        for r in range(part.shape[0]):
            clear(runs, part[r])
            add_finishes(planes, part_of, top + r, runs, part[r])
        active = held_words(part, runs) & flags
        if not active.any():
            continue
        around = np.empty((part.shape[0] + 2 * before, words), dtype=np.uint64)
        runs = needed_runs(active, 1 + before // 64)
        whole = joined_runs(runs)
        for r in range(around.shape[0]):
            y = min(max(top - before + r, 0), height - 1)
            clear(whole, around[r])
            add_finishes(planes, part_of, y, whole, around[r])
            if reach == 0:
                add_finishes(planes, spare_of, y, whole, around[r])
                _add(outside[y], whole, around[r])
        if reach > 0:
            spare = np.empty((around.shape[0] + 2 * reach, words), dtype=np.uint64)
            wide = joined_runs(needed_runs(active, 2 + before // 64 + reach // 64))
            for r in range(spare.shape[0]):
                y = min(max(top - before - reach + r, 0), height - 1)
                clear(wide, spare[r])
                add_finishes(planes, spare_of, y, wide, spare[r])
                _add(outside[y], wide, spare[r])
            add_grown(spare, beside, runs, around)
        _add_thin(part, around, fits, covers, odd, active, whole, out[top : top + part.shape[0]])


@njit(cache=True, nogil=True, error_model="numpy")
def add_finishes(planes, chosen, y, runs, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    # Runs are short: slices of them, plane by plane, cost more than their words.
    for n in range(runs.shape[0]):
        for j in range(runs[n, 0], runs[n, 1]):
            word = out[j]
            for f in range(planes.shape[0]):
                if chosen[f]:
                    word |= planes[f, y, j]
            out[j] = word


@njit(cache=True, nogil=True, error_model="numpy")
def clear(runs, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Empty these runs of a row's words."""
    for n in range(runs.shape[0]):
        for j in range(runs[n, 0], runs[n, 1]):
            out[j] = _NONE


@njit(cache=True, nogil=True, error_model="numpy")
def _add(row, runs, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(runs.shape[0]):
        for j in range(np.uint64(runs[n, 0]), np.uint64(runs[n, 1])):
            out[j] |= row[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _pick(copper, opening, legend, hatched, board, chosen, runs, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A row's pixels of the board whose stack is chosen: each layer halves the choices that are left."""
    t0, t1, t2, t3 = chosen[0], chosen[2], chosen[4], chosen[6]
    t4, t5, t6, t7 = chosen[8], chosen[10], chosen[12], chosen[14]
    u0, u1, u2, u3 = t0 ^ chosen[1], t1 ^ chosen[3], t2 ^ chosen[5], t3 ^ chosen[7]
    u4, u5, u6, u7 = t4 ^ chosen[9], t5 ^ chosen[11], t6 ^ chosen[13], t7 ^ chosen[15]
    for n in range(runs.shape[0]):
        for j in range(np.uint64(runs[n, 0]), np.uint64(runs[n, 1])):
            cc, oo, pp = copper[j], opening[j], legend[j]
            hh = hatched[j] & cc
            a0, a1, a2, a3 = t0 ^ (u0 & cc), t1 ^ (u1 & cc), t2 ^ (u2 & cc), t3 ^ (u3 & cc)
            a4, a5, a6, a7 = t4 ^ (u4 & cc), t5 ^ (u5 & cc), t6 ^ (u6 & cc), t7 ^ (u7 & cc)
            a0, a2, a4, a6 = a0 ^ ((a0 ^ a1) & oo), a2 ^ ((a2 ^ a3) & oo), a4 ^ ((a4 ^ a5) & oo), a6 ^ ((a6 ^ a7) & oo)
            a0, a4 = a0 ^ ((a0 ^ a2) & pp), a4 ^ ((a4 ^ a6) & pp)
            out[j] = (a0 ^ ((a0 ^ a4) & hh)) & board[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _pick_rows(copper, opening, legend, hatched, board, chosen, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    whole = np.array([[0, board.shape[1]]])
    for y in range(first, last):
        _pick(copper[y], opening[y], legend[y], hatched[y], board[y], chosen, whole, out[y])


@njit(cache=True, nogil=True, error_model="numpy")
def _add_outside(board, runs, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(runs.shape[0]):
        for j in range(np.uint64(runs[n, 0]), np.uint64(runs[n, 1])):
            out[j] |= ~board[j]


@njit(cache=True, nogil=True, error_model="numpy")
def add_grown(source, half, runs, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Add what discs around the source's pixels reach to rows of `out`, of which the source has more on each side."""
    rows, reach = out.shape[0], half.shape[0]
    margin = 1 + reach // 64
    most = (_CHUNK + 2 * margin) * source.shape[0]
    here, spare = np.zeros(most + 2, dtype=np.uint64), np.zeros(most + 2, dtype=np.uint64)
    total = np.empty(most, dtype=np.uint64)
    odd, dilate = np.bool_(True), np.bool_(True)  # as in _add_thin
    for n in range(runs.shape[0]):
        for begin in range(runs[n, 0], runs[n, 1], _CHUNK):
            end = min(begin + _CHUNK, runs[n, 1])
            m = end - begin + 2 * margin
            if load(source, begin, end, margin, np.int64(0), source.shape[0], dilate, here) == 0:
                continue
            spread(here, spare, total, half, odd, dilate, m, rows, reach)
            for r in range(rows):
                to, grown = out[r, begin:end], total[r * m + margin : r * m + margin + end - begin]
                for x in range(end - begin):
                    to[x] |= grown[x]


@njit(cache=True, nogil=True, error_model="numpy")
def held_words(part, runs):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """uint8 (words,): the words of these runs, a strip's, that hold a pixel of the part."""
    any_set = np.zeros(part.shape[1], dtype=np.uint64)
    for y in range(part.shape[0]):
        _add(part[y], runs, any_set)
    return (any_set != _NONE).astype(np.uint8)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_thin(part, around, fits, covers, odd, active, runs, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Add the thin pixels of one strip to `out`.

    part, out : rows of the strip. around : the space, with as many rows more on each side as decide; read only so far
    beside active words, too: in the runs. fits, covers, odd : half widths of the two discs. active : words that hold
    pixels of the part; used up.
    """
    rows, words = part.shape
    n, c = fits.shape[0], covers.shape[0]
    margin = 1 + (n + c) // 64
    _leave_out_whole(around, active, margin, runs)
    most = (_CHUNK + 2 * margin) * around.shape[0]
    here, spare = np.zeros(most + 2, dtype=np.uint64), np.zeros(most + 2, dtype=np.uint64)
    total = np.empty(most, dtype=np.uint64)
    # Of these types, not constants: numba would compile what is called below once more for each.
    j, top, dilate, erode = np.int64(0), np.int64(0), np.bool_(True), np.bool_(False)
    while j < words:
        if active[j] == 0:
            j += 1
            continue
        begin = j
        while j < words and active[j] != 0 and j - begin < _CHUNK:
            j += 1
        m = j - begin + 2 * margin
        load(around, begin, j, margin, top, around.shape[0], erode, here)
        size = rows + 2 * c
        spread(here, spare, total, fits, odd, erode, m, size, n)
        for k in range(size * m):
            here[k + 1] = ~total[k]
        spread(here, spare, total, covers, odd, dilate, m, rows, c)
        for y in range(rows):
            covered = total[y * m + margin : y * m + margin + j - begin]
            for x in range(j - begin):
                out[y, begin + x] |= part[y, begin + x] & ~covered[x]
        if c > n:
            _add_specks(part, around, begin, j, margin, n + c, c - n + 1, here, total, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_specks(part, around, begin, end, margin, before, side, here, total, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Add the part's pixels in these words that are not joined to anything wider.

    A speck so near to a wide place that it lies within the tolerance of its corners is no corner of it. It holds no
    square as wide as the tolerance; what does, and what hangs together with that, is none. here, total : buffers.
    """
    m = end - begin + 2 * margin
    size = m * around.shape[0]
    load(around, begin, end, margin, np.int64(0), around.shape[0], np.bool_(True), here)
    space, wide = here[1 : size + 1], total[:size]
    wide[:] = space
    w = 1
    while w < side:  # erosion by the square: to the right, then downwards
        step = min(w, side - w)
        near, far = np.uint64(step), np.uint64(64 - step)
        for k in range(size - 1):
            wide[k] &= (wide[k] >> near) | (wide[k + 1] << far)
        w += step
    w = 1
    while w < side:
        step = min(w, side - w)
        for k in range(size - step * m):
            wide[k] &= wide[k + step * m]
        w += step
    w = 1
    while w < side:  # and dilation, back again
        step = min(w, side - w)
        near, far = np.uint64(step), np.uint64(64 - step)
        for k in range(size - 1, step * m - 1, -1):
            wide[k] |= wide[k - step * m]
        for k in range(size - 1, 0, -1):
            wide[k] |= (wide[k] << near) | (wide[k - 1] >> far)
        w += step
    if not _misses(part, wide, begin, end, margin, before):
        return
    for _ in range(2 * side + 2):
        gained = _NONE
        for k in range(m, size - m):
            rest = space[k] & ~wide[k]
            if rest != _NONE:
                rest &= (
                    (wide[k] << _ONE) | (wide[k - 1] >> _TOP) | (wide[k] >> _ONE) | (wide[k + 1] << _TOP)
                    | wide[k - m] | wide[k + m]
                )  # fmt: skip
                wide[k] |= rest
                gained |= rest
        if gained == _NONE:
            break
    for y in range(part.shape[0]):
        joined = wide[(y + before) * m + margin : (y + before) * m + margin + end - begin]
        for x in range(end - begin):
            out[y, begin + x] |= part[y, begin + x] & ~joined[x]


@njit(cache=True, nogil=True, error_model="numpy")
def _misses(part, wide, begin, end, margin, before):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Whether a pixel of the part, in these words, is not in `wide`."""
    m = end - begin + 2 * margin
    missed = _NONE
    for y in range(part.shape[0]):
        row = wide[(y + before) * m + margin : (y + before) * m + margin + end - begin]
        for x in range(end - begin):
            missed |= part[y, begin + x] & ~row[x]
    return missed != _NONE


@njit(cache=True, nogil=True, error_model="numpy")
def _leave_out_whole(around, active, margin, runs):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Clear active words with no gap of the space near them: discs lie there wherever they are put."""
    words = active.shape[0]
    every = np.empty(words, dtype=np.uint64)
    every[:] = _ONES
    for r in range(around.shape[0]):
        row = around[r]
        for n in range(runs.shape[0]):
            for j in range(np.uint64(runs[n, 0]), np.uint64(runs[n, 1])):
                every[j] &= row[j]
    gaps = np.zeros(words, dtype=np.uint8)
    for j in range(words):
        if active[j] != 0:
            for k in range(max(0, j - margin), min(words, j + margin + 1)):
                if every[k] != _ONES:
                    gaps[j] = 1
    for j in range(words):
        active[j] &= gaps[j]
