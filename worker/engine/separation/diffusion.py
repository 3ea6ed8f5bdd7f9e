"""Error diffusion that a fab can make: Floyd and Steinberg's, in linear light, with layer rules in the loop.

Source: Floyd and Steinberg, "An adaptive algorithm for spatial greyscale", Proceedings of the Society for Information
Display 17 (1976). Their weights, right 7, lower left 3, below 5, lower right 1 sixteenths, are kept but for "below",
which is 4: so a sixteenth of every error dies out. Error that the layer rules never let pay would else pile up and
smear; over four photo-like pictures this lowered S-CIELAB by 0.06 to 0.25.

Colours are packed integers (`palette.hull`), so the weighted errors of a cell are four multiplications for all
channels together. One scan direction; rows are skewed against each other by two cells, which lets three rows run in
one loop and lets tiles run on several threads, all with the same result.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.arrays import Labels, Srgb
from worker.engine.palette.hull import FIELD, OFFSETS, PLAIN, WEIGHTS, interpolate
from worker.engine.separation.diffusion_tables import (
    DiffusionTables,
    carried,
    cube_place,
    in_range,
    legal_by_neighbours,
    legal_by_parity,
    legal_in_families,
    unpaid,
)
from worker.engine.separation.families import BLOCK, Families, choose_families
from worker.engine.separation.fours import Mask, decided_in_fours
from worker.engine.separation.shared_counters import give_way, publish, published, take_next
from worker.engine.threads import run_all

_BAND_ROWS = 12
"""Rows that one thread decides together; a multiple of the three that run in one loop."""
_CHUNK_STEPS = 32
"""Steps, at least, after which a band tells the one below how far it is."""
_APART = 8
"""Counters stand a cache line apart, so that looking at one does not slow the writing of another."""
_TRIES = 200
"""Looks at the band above before the thread lets others run."""


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _decide(target, left, upper_left, upper, upper_right, legal_here, ranked, companded):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The finish of a cell, and its value in range."""
    value = in_range(target + carried(left, upper_left, upper, upper_right))
    order = ranked[cube_place(value, companded)]
    # The second choice without a branch: the first is illegal too often, and too irregularly, to guess.
    label = order & 15 if (legal_here >> (order & 15)) & 1 else (order >> 4) & 15
    while not (legal_here >> label) & 1:
        order >>= 4
        label = order & 15
    return label, value


@njit(cache=True, nogil=True, error_model="numpy")
def _fill(cells, first, from_step, to_step, plain, table, weights, offsets, family, fours, targets, kind_of):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The targets of a tile: interpolated in the table of the family's hull, or the colours as they are.

    kind_of : which legal sets are looked at, by the family. fours : uint8, 3 for blocks where the parity of the place
    counts as well, 0 elsewhere; empty where it counts nowhere.
    """
    width = targets.shape[1] - 4
    for y in range(cells.shape[0]):
        row, kinds, colours = targets[y, 2:], kind_of[y, 2:], cells[y]
        below = 2 * ((first + y) & 1)
        families = family[(first + y) // BLOCK]
        counts = len(fours) > 0
        begin, end = max(from_step - 2 * y, 0), min(to_step - 2 * y, width)
        if plain:
            # Numbers without a sign, here and elsewhere, since signed ones are looked at for places from the end.
            nodes = table[0]
            for x in range(np.uint64(begin), np.uint64(end)):
                row[x] = nodes[colours[x, 0]] + (nodes[colours[x, 1]] << FIELD) + (nodes[colours[x, 2]] << (2 * FIELD))
            continue
        while begin < end:
            here = families[begin // BLOCK]
            nodes = table[here]
            block_end = min((begin // BLOCK + 1) * BLOCK, end)
            parity = fours[(first + y) // BLOCK, begin // BLOCK] if counts else np.uint8(0)
            kind = here * 4 if counts else here
            for x in range(np.uint64(begin), np.uint64(block_end)):
                red, green, blue = np.int64(colours[x, 0]), np.int64(colours[x, 1]), np.int64(colours[x, 2])
                row[x] = interpolate(red, green, blue, nodes, weights, offsets)
                kinds[x] = kind + ((below | (x & 1)) & parity)
            begin = block_end


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _beside(labels, x, bits):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The finishes of two cells side by side, of which the right one is x, as `legal_by_neighbours` has them."""
    return (np.int64(labels[x - 1]) << bits) | np.int64(labels[x])


@njit(cache=True, nogil=True, error_model="numpy")
def _row(y, begin, end, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Cells begin..end of row y of a band; x counts two columns of padding.

    `errors` and `labels` have one more row, above the band's first.
    """
    target, kinds, own, own_labels = targets[y], kind_of[y], errors[y + 1], labels[y + 1]
    above, above_labels = errors[y, 1:], labels[y, 1:]
    three = (np.int64(1) << (3 * bits)) - 1
    left, label = own[begin + 1], np.int64(own_labels[begin + 1])
    upper_left, upper = above[begin], above[begin + 1]
    window = _beside(above_labels, begin + 1, bits)
    for x in range(np.uint64(begin + 2), np.uint64(end + 2)):
        upper_right = above[x]
        window = ((window << bits) | np.int64(above_labels[x])) & three
        place = (np.int64(kinds[x]) << (4 * bits)) | (label << (3 * bits)) | window
        label, value = _decide(
            target[x], left, upper_left, upper, upper_right, np.int64(legal[place]), ranked, companded
        )
        left = unpaid(value, finishes[label])
        own[x], own_labels[x] = left, label
        upper_left, upper = upper, upper_right


@njit(cache=True, nogil=True, error_model="numpy")
def _three_rows(  # type: ignore[no-untyped-def]
    y, start, stop, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal
):  # pragma: no cover - compiled
    """Cells start..stop of row y, of the next row two cells behind them, and of the next two cells behind these.

    What a row has just decided is the upper right neighbour of the row below, so nothing is read back, and the three
    have nothing to wait for from each other.
    """
    three = (np.int64(1) << (3 * bits)) - 1
    target_0, kinds_0, own_0, labels_0 = targets[y], kind_of[y], errors[y + 1], labels[y + 1]
    target_1, kinds_1, own_1, labels_1 = targets[y + 1], kind_of[y + 1], errors[y + 2], labels[y + 2]
    target_2, kinds_2, own_2, labels_2 = targets[y + 2], kind_of[y + 2], errors[y + 3], labels[y + 3]
    above, above_labels = errors[y, 5:], labels[y, 5:]
    left_0, left_1, left_2 = own_0[start + 1], own_1[start - 1], own_2[start - 3]
    label_0, label_1, label_2 = (
        np.int64(labels_0[start + 1]),
        np.int64(labels_1[start - 1]),
        np.int64(labels_2[start - 3]),
    )
    upper_left_0, upper_0 = errors[y, start + 1], errors[y, start + 2]
    upper_left_1, upper_1 = own_0[start - 1], own_0[start]
    upper_left_2, upper_2 = own_1[start - 3], own_1[start - 2]
    window_0 = _beside(labels[y], start + 2, bits)
    window_1 = _beside(labels_0, start, bits)
    window_2 = _beside(labels_1, start - 2, bits)
    # x is a column of the last row.
    target_0, kinds_0, own_0, labels_0 = target_0[4:], kinds_0[4:], own_0[4:], labels_0[4:]
    target_1, kinds_1, own_1, labels_1 = target_1[2:], kinds_1[2:], own_1[2:], labels_1[2:]
    for x in range(np.uint64(start - 2), np.uint64(stop - 2)):
        right_0, right_1, right_2 = above[x], left_0, left_1
        window_2 = ((window_2 << bits) | label_1) & three
        window_1 = ((window_1 << bits) | label_0) & three
        window_0 = ((window_0 << bits) | np.int64(above_labels[x])) & three
        place_0 = (np.int64(kinds_0[x]) << (4 * bits)) | (label_0 << (3 * bits)) | window_0
        place_1 = (np.int64(kinds_1[x]) << (4 * bits)) | (label_1 << (3 * bits)) | window_1
        place_2 = (np.int64(kinds_2[x]) << (4 * bits)) | (label_2 << (3 * bits)) | window_2
        label_0, value_0 = _decide(
            target_0[x], left_0, upper_left_0, upper_0, right_0, np.int64(legal[place_0]), ranked, companded
        )
        label_1, value_1 = _decide(
            target_1[x], left_1, upper_left_1, upper_1, right_1, np.int64(legal[place_1]), ranked, companded
        )
        label_2, value_2 = _decide(
            target_2[x], left_2, upper_left_2, upper_2, right_2, np.int64(legal[place_2]), ranked, companded
        )
        upper_left_0, upper_0 = upper_0, right_0
        upper_left_1, upper_1 = upper_1, right_1
        upper_left_2, upper_2 = upper_2, right_2
        left_0 = unpaid(value_0, finishes[label_0])
        left_1 = unpaid(value_1, finishes[label_1])
        left_2 = unpaid(value_2, finishes[label_2])
        own_0[x], labels_0[x] = left_0, label_0
        own_1[x], labels_1[x] = left_1, label_1
        own_2[x], labels_2[x] = left_2, label_2


@njit(cache=True, nogil=True, error_model="numpy")
def _scan(  # type: ignore[no-untyped-def]
    last, from_step, to_step, bits, targets, kind_of, errors, labels, ranked, companded, finishes, legal
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
            if begin_0 < end_0:
                _row(y, begin_0, end_0, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal)
            y += 1
            continue
        if begin_0 < start:
            _row(y, begin_0, start, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal)
        if begin_1 < start - 2:
            _row(y + 1, begin_1, start - 2, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal)
        if begin_2 < start - 4:
            _row(y + 2, begin_2, start - 4, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal)
        _three_rows(y, start, stop, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal)
        if stop < end_0:
            _row(y, stop, end_0, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal)
        if stop - 2 < end_1:
            _row(y + 1, stop - 2, end_1, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal)
        if stop - 4 < end_2:
            _row(y + 2, stop - 4, end_2, bits, targets, errors, labels, kind_of, ranked, companded, finishes, legal)
        y += 3


@njit(cache=True, nogil=True, error_model="numpy")
def _tile(  # type: ignore[no-untyped-def]
    cells,
    first,
    from_step,
    to_step,
    bits,
    plain,
    table,
    weights,
    offsets,
    family,
    fours,
    targets,
    kind_of,
    errors,
    labels,
    ranked,
    companded,
    finishes,
    legal,
):  # pragma: no cover - compiled
    """Targets and decisions of a tile: the cells of a band whose step, x + 2 y, lies in from_step..to_step."""
    _fill(cells, first, from_step, to_step, plain, table, weights, offsets, family, fours, targets, kind_of)
    rows = cells.shape[0]
    _scan(rows, from_step, to_step, bits, targets, kind_of, errors, labels, ranked, companded, finishes, legal)


@njit(cache=True, nogil=True, error_model="numpy")
def _run_bands(  # type: ignore[no-untyped-def]
    cells,
    bits,
    plain,
    table,
    weights,
    offsets,
    family,
    fours,
    handed,
    labels,
    ranked,
    companded,
    finishes,
    legal,
    counters,
):  # pragma: no cover - compiled
    """Take band after band until none is left; each waits, chunk by chunk, for the band above it.

    counters : the next band, then, _APART places further on for each band, how many of its steps
    are done. handed : int64 (threads + 1, width + 4), what the last row of a band hands to the one below it: of so many
    bands, since a band ends after the one above it, and those at work stand in a row. All else that a thread writes
    while it decides is its own, and stays in its processor's cache. Bands are taken in order, and whoever holds one
    goes on with it, so there is always one that needs not wait.
    """
    height, width = cells.shape[0], cells.shape[1]
    slots = handed.shape[0]
    targets = np.empty((_BAND_ROWS, width + 4), dtype=np.int64)
    kind_of = np.zeros((_BAND_ROWS, width + 4), dtype=np.uint8)
    errors = np.zeros((_BAND_ROWS + 1, width + 4), dtype=np.int64)
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
            for x in range(max(done - 1, 0) + 2, min(to_step, width - 1) + 3):
                errors[0, x] = handed[here, x]
            _tile(
                cells[first : first + rows],
                first,
                done,
                to_step,
                bits,
                plain,
                table,
                weights,
                offsets,
                family,
                fours,
                targets,
                kind_of,
                errors,
                labels[first:],
                ranked,
                companded,
                finishes,
                legal,
            )
            for x in range(max(done - 2 * (rows - 1), 0), min(to_step - 2 * (rows - 1), width)):
                handed[below, x + 2] = errors[rows, x + 2]
            publish(counters, (band + 1) * _APART, to_step)
            done = to_step


def diffuse(cells: Srgb, families: Families | None, tables: DiffusionTables, *, threads: int = 1) -> Labels:
    """One finish per cell; bare laminate in fours where metal stands around it, as the gap of `tables` asks.

    Parameters and result are those of `diffuse_once`.
    """

    def decide(fours: Mask | None) -> tuple[Labels, Mask]:
        return diffuse_once(cells, families, tables, fours=fours, threads=threads), np.ones(1, dtype=np.bool_)

    gap = None if families is None else tables.gap
    return decided_in_fours(gap, (cells.shape[0], cells.shape[1]), decide)


def diffuse_once(
    cells: Srgb, families: Families | None, tables: DiffusionTables, *, fours: Mask | None = None, threads: int = 1
) -> Labels:
    """One finish per cell.

    Parameters
    ----------
    cells : uint8 (H, W, 3), C-contiguous
        Encoded sRGB of each cell.
    families : Families or None
        Of the finishes of `tables`; None diffuses the colours as they are, in all finishes together.
    fours : bool (ceil(H / BLOCK), ceil(W / BLOCK)) or None
        Blocks where bare laminate comes in fours.

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
    coarse = np.zeros((0, 0), dtype=np.uint8)
    if families is None:
        family = np.zeros((-(-height // BLOCK), -(-width // BLOCK)), dtype=np.uint8)
        table, legal = PLAIN[None], tables.legal[None]
    else:
        family, sets = choose_families(cells, families, threads=threads), tables.legal[None]
        if fours is not None and tables.gap is not None:
            coarse, sets = fours * np.uint8(3), legal_by_parity(tables.legal, tables.gap.bare)
        table, legal = families.hulls, legal_in_families(sets, families).reshape(-1, *tables.legal.shape)
    bits = none.bit_length()
    legal = legal_by_neighbours(legal)

    counters = np.zeros((1 + -(-height // _BAND_ROWS)) * _APART, dtype=np.int64)
    handed = np.zeros((threads + 1, width + 4), dtype=np.int64)

    def work() -> None:
        _run_bands(
            cells,
            bits,
            families is None,
            table,
            WEIGHTS,
            OFFSETS,
            family,
            coarse,
            handed,
            labels,
            tables.ranked,
            tables.companded,
            tables.finishes,
            legal,
            counters,
        )

    run_all(work, [()] * threads, threads)
    return np.ascontiguousarray(labels[1:, 2:-2])
