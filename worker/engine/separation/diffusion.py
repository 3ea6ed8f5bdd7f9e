"""Error diffusion that a fab can make: Floyd and Steinberg's, in linear light, with layer rules in the loop.

Source: Floyd and Steinberg, "An adaptive algorithm for spatial greyscale", Proceedings of the Society for Information
Display 17 (1976). Their weights, right 7, lower left 3, below 5, lower right 1 sixteenths, are kept but for "below",
which is 4: so a sixteenth of every error dies out. Error that the layer rules never let pay would else pile up and
smear; over four photo-like pictures this lowered S-CIELAB by 0.06 to 0.25.

Colours are packed integers (`palette.hull`), so the weighted errors of a cell are four multiplications for all
channels together. One scan direction; rows are skewed against each other by two cells, which lets three rows run in
one loop and lets tiles run on several threads, all with the same result.

The layer rules, looked at from each cell to its left, upper left, upper and upper right neighbours:
no finish and no layer may touch itself at a corner only, and legend never stands beside an opening of the solder mask,
corners included. The upper neighbour's finish is always legal, so the scan never gets stuck.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats, Labels, Srgb
from worker.engine.colorimetry import srgb_encoded, srgb_to_lab
from worker.engine.difference import distances_to_each
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.hull import (
    FIELD,
    FIELD_HALF,
    FIELD_MASK,
    OFFSETS,
    ONE,
    PLAIN,
    WEIGHTS,
    Packed,
    in_all_fields,
    interpolate,
    pack,
)
from worker.engine.separation.families import BLOCK, Families, choose_families
from worker.engine.separation.shared_counters import give_way, publish, published, take_next
from worker.engine.threads import run_all
from worker.finish import LayerRecipe

CUBE_BITS = 5
_CUBE = 1 << CUBE_BITS
_RANGE_BITS = 13
_SCALE16 = 16 * ONE
_BIAS = _SCALE16 // 2
"""Values run from -1/2 to 3/2 of linear light: a field in [0, 2 _SCALE16) after the bias is in range."""
_RANGE = 2 * _SCALE16
_RANGE_SHIFT = _RANGE.bit_length() - 1 - _RANGE_BITS
_INDEX_MASK = (1 << _RANGE_BITS) - 1


_BAND_ROWS = 12
"""Rows that one thread decides together; a multiple of the three that run in one loop."""
_CHUNK_STEPS = 32
"""Steps, at least, after which a band tells the one below how far it is."""
_APART = 8
"""Counters stand a cache line apart, so that looking at one does not slow the writing of another."""
_TRIES = 200
"""Looks at the band above before the thread lets others run."""


_PACKED_BIAS = in_all_fields(_BIAS)
_OUT_OF_RANGE = in_all_fields(FIELD_MASK ^ (_RANGE - 1))
_WIDE_BIAS = in_all_fields(FIELD_HALF - _BIAS)
_SIXTEENTH_MASK = in_all_fields((_RANGE >> 4) - 1)
_PACKED_BIAS_13 = in_all_fields(_BIAS >> 4)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DiffusionTables:
    """What the loop looks up.

    ranked : int64 (32^3,), all finishes from the nearest to the farthest by CIEDE2000, four bits each, lowest first,
    for each cell of a cube of encoded sRGB. companded : uint8 (2^13,), encoded value, in the cube's steps, of a linear
    value in range. finishes : int64 (n,), packed. legal : uint16 (n + 1, n + 1, n + 1, n + 1), bit set of the finishes
    that may stand at a cell whose left, upper left, upper and upper right neighbours are these; n stands for "no cell
    there". square : from `square_rules`.
    """

    ranked: npt.NDArray[np.int64]
    companded: npt.NDArray[np.uint8]
    finishes: Packed
    legal: npt.NDArray[np.uint16]
    square: npt.NDArray[np.bool_]


def layer_planes(recipe: LayerRecipe) -> tuple[int | None, int, int]:
    """Copper, opening and legend of a finish as 0 or 1; copper is None where it may be either."""
    copper = None if recipe.copper == "either" else int(recipe.copper != "none")
    return copper, int(recipe.mask_opening), int(recipe.legend)


def square_rules(recipes: tuple[LayerRecipe, ...], *, rules: bool = True) -> npt.NDArray[np.bool_]:
    """Whether four cells in a square may stand together: bool (n + 1,) * 4 by upper left, upper right, lower left,
    lower right finish; n stands for "no cell there" or "not decided yet", and breaks no rule.
    """
    n = len(recipes)
    may = np.ones((n + 1,) * 4, dtype=np.bool_)
    if not rules:
        return may
    a, b, c, d = np.ix_(*(range(n + 1),) * 4)
    planes = [layer_planes(recipe) for recipe in recipes]
    opening = np.array([plane[1] for plane in planes] + [0], dtype=bool)
    legend = np.array([plane[2] for plane in planes] + [0], dtype=bool)
    # Any two of the four touch, at least at a corner.
    has_legend = legend[a] | legend[b] | legend[c] | legend[d]
    has_opening = opening[a] | opening[b] | opening[c] | opening[d]
    may &= ~(has_legend & has_opening)
    known = (a < n) & (b < n) & (c < n) & (d < n)
    may &= ~(known & (a == d) & (b != a) & (c != a))
    may &= ~(known & (b == c) & (a != b) & (d != b))
    for layer in range(3):
        # 2: either, so it can be drawn as its neighbours need.
        plane = np.array([2 if plane[layer] is None else plane[layer] for plane in planes] + [2])
        drawn = (plane[a] < 2) & (plane[b] < 2) & (plane[c] < 2) & (plane[d] < 2)
        may &= ~(drawn & (plane[a] == plane[d]) & (plane[b] == plane[c]) & (plane[a] != plane[b]))
    return may


def legal_sets(square: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint16]:
    """Bit sets of legal finishes by left, upper left, upper and upper right neighbour; see `DiffusionTables`."""
    n = square.shape[0] - 1
    sets = np.zeros((n + 1,) * 4, dtype=np.uint16)
    for here in range(n):
        left_of_it = np.transpose(square[:, :, :, here], (2, 0, 1))[:, :, :, None]
        right_of_it = square[:, :, here, n][None, None, :, :]
        sets |= (left_of_it & right_of_it).astype(np.uint16) << np.uint16(here)
    return sets


def legal_in_families(legal: npt.NDArray[np.uint16], families: Families) -> npt.NDArray[np.uint16]:
    """Legal sets for each family: its members that are legal; where there is none, as where two families meet, any."""
    return np.stack([np.where(legal & bits, legal & bits, legal) for bits in families.bits])


@functools.cache
def _cube_lab() -> Floats:
    """CIELAB of the middle of each cell of a cube of encoded sRGB, float64 (32^3, 3)."""
    step = 256 // _CUBE
    middle = np.arange(_CUBE) * step + (step - 1) / 2
    return srgb_to_lab(np.stack(np.meshgrid(middle, middle, middle, indexing="ij"), axis=-1).reshape(-1, 3))


def diffusion_tables(
    colours: FinishColours,
    recipes: tuple[LayerRecipe, ...],
    *,
    rules: bool = True,
    distances: Callable[[Floats, Floats], npt.NDArray[np.floating]] = distances_to_each,
) -> DiffusionTables:
    """Tables for these finishes.

    rules : false leaves the layer rules out (for comparisons only). distances : how far colours, CIELAB float64 (m, 3),
    are from each of some others (n, 3): (m, n).
    """
    step = 256 // _CUBE
    ranks = np.argsort(distances(_cube_lab(), colours.lab), axis=1, kind="stable").astype(np.int64)
    ranked = np.zeros(len(ranks), dtype=np.int64)
    for place in range(len(recipes)):
        ranked |= ranks[:, place] << (4 * place)
    linear = ((np.arange(1 << _RANGE_BITS) + 0.5) * (1 << _RANGE_SHIFT) - _BIAS) / _SCALE16
    companded = np.minimum(np.rint(srgb_encoded(linear) * 255.0).astype(np.int64) // step, _CUBE - 1).astype(np.uint8)
    square = square_rules(recipes, rules=rules)
    return DiffusionTables(
        ranked=ranked,
        companded=companded,
        finishes=pack(colours.linear_rgb),
        legal=legal_sets(square),
        square=square,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _clamped(value: int) -> int:  # pragma: no cover - compiled
    """A packed, biased value with every field brought into range."""
    value += _WIDE_BIAS
    low = FIELD_HALF - _BIAS
    top = _RANGE - 1
    red = min(max((value & FIELD_MASK) - low, 0), top)
    green = min(max(((value >> FIELD) & FIELD_MASK) - low, 0), top)
    blue = min(max((value >> (2 * FIELD)) - low, 0), top)
    return red + (green << FIELD) + (blue << (2 * FIELD))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def carried(left, upper_left, upper, upper_right):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What the neighbours' packed errors bring to a cell, times 16."""
    return 7 * left + upper_left + 4 * upper + 3 * upper_right


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def in_range(value):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A packed value, times 16, biased and clamped field by field."""
    value += _PACKED_BIAS
    return _clamped(value) if value & _OUT_OF_RANGE else value


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def cube_place(value, companded):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Where a value in range lies in the cube of encoded sRGB."""
    return (
        (np.int64(companded[(value >> _RANGE_SHIFT) & _INDEX_MASK]) << (2 * CUBE_BITS))
        | (np.int64(companded[(value >> (FIELD + _RANGE_SHIFT)) & _INDEX_MASK]) << CUBE_BITS)
        | np.int64(companded[(value >> (2 * FIELD + _RANGE_SHIFT)) & _INDEX_MASK])
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def unpaid(value, finish):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The packed error that a finish leaves of a value in range."""
    return ((value >> 4) & _SIXTEENTH_MASK) - _PACKED_BIAS_13 - finish


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _cell(y, x, left_error, targets, errors, labels, family_of, ranked, companded, finishes, legal):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Decide cell (y, x) of a band; its error.

    x counts two columns of padding. `errors` and `labels` have one more row, above the band's first.
    """
    value = in_range(targets[y, x] + carried(left_error, errors[y, x - 1], errors[y, x], errors[y, x + 1]))
    legal_here = np.int64(
        legal[family_of[y, x], labels[y + 1, x - 1], labels[y, x - 1], labels[y, x], labels[y, x + 1]]
    )
    order = ranked[cube_place(value, companded)]
    # The second choice without a branch: the first is illegal too often, and too irregularly, to guess.
    label = order & 15 if (legal_here >> (order & 15)) & 1 else (order >> 4) & 15
    while not (legal_here >> label) & 1:
        order >>= 4
        label = order & 15
    labels[y + 1, x] = label
    error = unpaid(value, finishes[label])
    errors[y + 1, x] = error
    return error


@njit(cache=True, nogil=True, error_model="numpy")
def _fill(cells, first, from_step, to_step, plain, table, weights, offsets, family, targets, family_of):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The targets of a tile: interpolated in the table of the family's hull, or the colours as they are."""
    width = targets.shape[1] - 4
    for y in range(cells.shape[0]):
        row, kinds = targets[y], family_of[y]
        families = family[(first + y) // BLOCK]
        begin, end = max(from_step - 2 * y, 0), min(to_step - 2 * y, width)
        x = begin
        while x < end:
            here = families[x // BLOCK]
            nodes = table[here]
            block_end = min((x // BLOCK + 1) * BLOCK, end)
            while x < block_end:
                red = np.int64(cells[y, x, 0])
                green = np.int64(cells[y, x, 1])
                blue = np.int64(cells[y, x, 2])
                if plain:
                    row[x + 2] = nodes[red] + (nodes[green] << FIELD) + (nodes[blue] << (2 * FIELD))
                else:
                    row[x + 2] = interpolate(red, green, blue, nodes, weights, offsets)
                kinds[x + 2] = here
                x += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _row(y, begin, end, targets, errors, labels, family_of, ranked, companded, finishes, legal):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Cells begin..end of row y."""
    if begin < end:
        left = errors[y + 1, begin + 1]
        for x in range(begin, end):
            left = _cell(y, x + 2, left, targets, errors, labels, family_of, ranked, companded, finishes, legal)


@njit(cache=True, nogil=True, error_model="numpy")
def _scan(  # type: ignore[no-untyped-def]
    last, from_step, to_step, targets, family_of, errors, labels, ranked, companded, finishes, legal
):  # pragma: no cover - compiled
    """Decide the cells of the first `last` rows whose step lies in from_step..to_step; three rows run in one loop."""
    width = targets.shape[1] - 4
    y = np.int64(0)
    while y < last:
        begin_0, end_0 = max(from_step - 2 * y, 0), min(to_step - 2 * y, width)
        begin_1, end_1 = max(from_step - 2 * y - 2, 0), min(to_step - 2 * y - 2, width)
        begin_2, end_2 = max(from_step - 2 * y - 4, 0), min(to_step - 2 * y - 4, width)
        # Row 1 lags two cells behind row 0, and row 2 behind row 1.
        start = max(begin_0, begin_1 + 2, begin_2 + 4)
        stop = min(end_0, end_1 + 2, end_2 + 4)
        if y + 3 > last or stop - start < 8:
            _row(y, begin_0, end_0, targets, errors, labels, family_of, ranked, companded, finishes, legal)
            y += 1
            continue
        _row(y, begin_0, start, targets, errors, labels, family_of, ranked, companded, finishes, legal)
        _row(y + 1, begin_1, start - 2, targets, errors, labels, family_of, ranked, companded, finishes, legal)
        _row(y + 2, begin_2, start - 4, targets, errors, labels, family_of, ranked, companded, finishes, legal)
        left_0 = errors[y + 1, start + 1]
        left_1 = errors[y + 2, start - 1]
        left_2 = errors[y + 3, start - 3]
        for x in range(start, stop):
            left_0 = _cell(y, x + 2, left_0, targets, errors, labels, family_of, ranked, companded, finishes, legal)
            left_1 = _cell(y + 1, x, left_1, targets, errors, labels, family_of, ranked, companded, finishes, legal)
            left_2 = _cell(y + 2, x - 2, left_2, targets, errors, labels, family_of, ranked, companded, finishes, legal)
        _row(y, stop, end_0, targets, errors, labels, family_of, ranked, companded, finishes, legal)
        _row(y + 1, stop - 2, end_1, targets, errors, labels, family_of, ranked, companded, finishes, legal)
        _row(y + 2, stop - 4, end_2, targets, errors, labels, family_of, ranked, companded, finishes, legal)
        y += 3


@njit(cache=True, nogil=True, error_model="numpy")
def _tile(  # type: ignore[no-untyped-def]
    cells,
    first,
    from_step,
    to_step,
    plain,
    table,
    weights,
    offsets,
    family,
    targets,
    family_of,
    errors,
    labels,
    ranked,
    companded,
    finishes,
    legal,
):  # pragma: no cover - compiled
    """Targets and decisions of a tile: the cells of a band whose step, x + 2 y, lies in from_step..to_step."""
    _fill(cells, first, from_step, to_step, plain, table, weights, offsets, family, targets, family_of)
    _scan(cells.shape[0], from_step, to_step, targets, family_of, errors, labels, ranked, companded, finishes, legal)


@njit(cache=True, nogil=True, error_model="numpy")
def _run_bands(  # type: ignore[no-untyped-def]
    cells,
    plain,
    table,
    weights,
    offsets,
    family,
    targets,
    family_of,
    errors,
    labels,
    ranked,
    companded,
    finishes,
    legal,
    counters,
):  # pragma: no cover - compiled
    """Take band after band until none is left; each waits, chunk by chunk, for the band above it.

    counters : the next band, then, _APART places further on for each band, how many of its steps
    are done. Bands are taken in order, and whoever holds one goes on with it, so there is always one that needs not
    wait. Of targets and errors there are as many bands as
    threads and one more: a band ends after the one above it, so those at work stand in a row.
    """
    height, width = cells.shape[0], cells.shape[1]
    slots = targets.shape[0]
    while True:
        band = np.int64(take_next(counters, 0))  # type: ignore[call-arg]
        first = band * _BAND_ROWS
        if first >= height:
            return
        rows = min(_BAND_ROWS, height - first)
        here, below = band % slots, (band + 1) % slots
        steps = width + 2 * _BAND_ROWS
        chunk = max(_CHUNK_STEPS, width // 8)
        done = np.int64(0)  # not the constant, for which all that is called below would be compiled once more
        while done < steps:
            to_step = min(done + chunk, steps)
            if band > 0:
                # The cell above the right neighbour of this chunk's last must be decided.
                needed = min(to_step + 2 * _BAND_ROWS - 1, steps)
                tries = 0
                while published(counters, band * _APART) < needed:
                    tries += 1
                    if tries > _TRIES:
                        give_way()
            _tile(
                cells[first : first + rows],
                first,
                done,
                to_step,
                plain,
                table,
                weights,
                offsets,
                family,
                targets[here],
                family_of[here],
                errors[here],
                labels[first:],
                ranked,
                companded,
                finishes,
                legal,
            )
            for x in range(max(done - 2 * (rows - 1), 0), min(to_step - 2 * (rows - 1), width)):
                errors[below, 0, x + 2] = errors[here, rows, x + 2]
            publish(counters, (band + 1) * _APART, to_step)
            done = to_step


def diffuse(cells: Srgb, families: Families | None, tables: DiffusionTables, *, threads: int = 1) -> Labels:
    """One finish per cell.

    Parameters
    ----------
    cells : uint8 (H, W, 3), C-contiguous
        Encoded sRGB of each cell.
    families : Families or None
        Of the finishes of `tables`; None diffuses the colours as they are, in all finishes together.

    Returns
    -------
    uint8 (H, W)
        Index of the finish; obeys the layer rules of `tables`. The same on any number of threads.
    """
    height, width = cells.shape[:2]
    none = len(tables.finishes)
    labels = np.empty((height + 1, width + 4), dtype=np.uint8)
    labels[0] = none
    labels[:, :2] = none
    labels[:, -2:] = none
    if families is None:
        family = np.zeros((-(-height // BLOCK), -(-width // BLOCK)), dtype=np.uint8)
        table, legal = PLAIN[None], tables.legal[None]
    else:
        family = choose_families(cells, families, threads=threads)
        table, legal = families.hulls, legal_in_families(tables.legal, families)

    counters = np.zeros((1 + -(-height // _BAND_ROWS)) * _APART, dtype=np.int64)
    slots = threads + 1
    targets = np.empty((slots, _BAND_ROWS, width + 4), dtype=np.int64)
    family_of = np.empty((slots, _BAND_ROWS, width + 4), dtype=np.uint8)
    errors = np.zeros((slots, _BAND_ROWS + 1, width + 4), dtype=np.int64)

    def work() -> None:
        _run_bands(
            cells,
            families is None,
            table,
            WEIGHTS,
            OFFSETS,
            family,
            targets,
            family_of,
            errors,
            labels,
            tables.ranked,
            tables.companded,
            tables.finishes,
            legal,
            counters,
        )

    run_all(work, [()] * threads, threads)
    return np.ascontiguousarray(labels[1:, 2:-2])
