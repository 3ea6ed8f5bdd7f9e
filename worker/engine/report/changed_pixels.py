"""A second score of the same artwork, of labels that differ in few places: only what changed is measured again.

A board as it will be made differs from its separation in a few per cent of its pixels.
"""

from __future__ import annotations

import threading

import numpy as np
from numba import njit

from worker.engine.arrays import OUTSIDE, Float32s, Floats, Labels, Srgb, read_only
from worker.engine.colorimetry import LINEAR_RGB_TO_XYZ
from worker.engine.palette.hull import PLAIN, pack
from worker.engine.report.comparison import (
    BIN_WIDTH,
    PixelDifferences,
    block_board,
    joined,
    measure_listed,
    measure_pixels,
    pixel_tallies,
)
from worker.engine.report.statistics import Tally
from worker.engine.threads import row_strips, run_all

_STRIP_BLOCKS = 48
_STRIP_ROWS = 128
_LISTED = 4096
"""Changed pixels are measured so many at a time."""


@njit(cache=True, nogil=True, error_model="numpy")
def _average_changed(  # type: ignore[no-untyped-def]
    srgb, labels, before, plain, finishes, matrix, step, first, last, board, edge_moved
):  # pragma: no cover - compiled
    height, width = labels.shape
    columns = board.shape[2]
    changed = np.empty(columns * step, dtype=np.uint8)
    for row in range(first, last):
        y_0, y_1 = row * step, min((row + 1) * step, height)
        changed[:] = 0
        moved = np.uint8(0)
        for y in range(y_0, y_1):
            one, two = labels[y], before[y]
            for x in range(width):
                changed[x] |= one[x] ^ two[x]
            for x in range(width):
                moved |= np.uint8(one[x] == OUTSIDE) ^ np.uint8(two[x] == OUTSIDE)
        if moved != 0:
            edge_moved[row] = 1
            return
        for column in range(columns):
            x_0, x_1 = column * step, min((column + 1) * step, width)
            differs = np.uint8(0)
            for x in range(x_0, x_1):
                differs |= changed[x]
            if differs != 0:
                one, two, three = block_board(srgb, labels, plain, finishes, matrix, y_0, y_1, x_0, x_1)
                board[0, row, column], board[1, row, column], board[2, row, column] = one, two, three


def average_changed(
    srgb: Srgb, labels: Labels, before: Labels, board: Float32s, finish_rgb: Floats, step: int, *, threads: int = 1
) -> Float32s | None:
    """The board of `average_blocks` for these labels; None where they lie outside the board at other pixels.

    board : float32 (3, h, w), that for the labels `before`.
    """
    out = board.copy()
    edge_moved = np.zeros(out.shape[1], dtype=np.uint8)
    srgb, labels, before = read_only(srgb), read_only(labels), read_only(before)
    finishes, matrix = pack(16.0 * finish_rgb), LINEAR_RGB_TO_XYZ.astype(np.float32)
    run_all(
        lambda a, b: _average_changed(srgb, labels, before, PLAIN, finishes, matrix, step, a, b, out, edge_moved),
        row_strips(out.shape[1], _STRIP_BLOCKS),
        threads,
    )
    return None if edge_moved.any() else out


@njit(cache=True, nogil=True, error_model="numpy")
def _list_changed(labels, before, srgb, y, x, old, new, colours):  # type: ignore[no-untyped-def]  # pragma: no cover
    """List changed pixels from pixel (y, x) of a strip on, as many as there is room for: how many, where to go on."""
    n = 0
    height, width = labels.shape
    while y < height:
        one, two = before[y], labels[y]
        while x < width:
            # Sixteen at a time: most are as they were.
            if x + 16 <= width:
                differs = np.uint8(0)
                for k in range(16):
                    differs |= one[x + k] ^ two[x + k]
                if differs == 0:
                    x += 16
                    continue
            end = min(x + 16, width)
            if n + end - x > old.shape[1]:
                return n, y, x
            for k in range(x, end):
                if one[k] != two[k]:
                    old[0, n], new[0, n] = one[k], two[k]
                    colours[0, n, 0], colours[0, n, 1], colours[0, n, 2] = srgb[y, k, 0], srgb[y, k, 1], srgb[y, k, 2]
                    n += 1
            x = end
        x = 0
        y += 1
    return n, y, x


def measure_changed(
    srgb: Srgb, labels: Labels, lab: Floats, *, first: PixelDifferences, before: Labels, threads: int = 1
) -> PixelDifferences:
    """`measure_pixels` without clusters, from what it found for the labels `before`, which may have had some.

    Finishes may have been added since, the last ones of `lab`.
    What a finish lost is taken off its tally.
    """
    known = first.by_finish
    if known.bin_width != BIN_WIDTH:
        return measure_pixels(srgb, labels, lab, clusters=None, cluster_count=0, threads=threads)
    known = _with_more_groups(known, len(lab))
    strips = row_strips(labels.shape[0], max(1, -(-labels.shape[0] // 4)))
    lost, won = pixel_tallies(len(lab), len(strips)), pixel_tallies(len(lab), len(strips))
    srgb, labels, before = read_only(srgb), read_only(labels), read_only(before)

    def work(i: int, top: int, end: int) -> None:
        old, new = np.empty((1, _LISTED), dtype=np.uint8), np.empty((1, _LISTED), dtype=np.uint8)
        colours = np.empty((1, _LISTED, 3), dtype=np.uint8)
        y, x = 0, 0
        while y < end - top:
            n, y, x = _list_changed(labels[top:end], before[top:end], srgb[top:end], y, x, old, new, colours)
            if n:
                measure_listed(colours[:, :n], old[:, :n], lab, lost[i])
                measure_listed(colours[:, :n], new[:, :n], lab, won[i])

    run_all(work, [(i, top, end) for i, (top, end) in enumerate(strips)], threads)
    less, more = joined(lost), joined(won)
    counts = known.counts - less.counts + more.counts
    lowest, highest = _extremes(srgb, labels, lab, known, less, threads)
    return PixelDifferences(
        by_pair=Tally(
            counts=counts,
            totals=np.where(counts.any(axis=1), known.totals - less.totals + more.totals, 0.0),
            lowest=np.minimum(lowest, more.lowest),
            highest=np.maximum(highest, more.highest),
            bin_width=BIN_WIDTH,
        ),
        finishes=len(lab),
    )


def _with_more_groups(tally: Tally, count: int) -> Tally:
    """The tally with empty groups at its end, so that it has `count` of them."""
    (none,) = pixel_tallies(count - len(tally.totals), 1)
    return Tally(
        counts=np.concatenate([tally.counts, none.counts]),
        totals=np.concatenate([tally.totals, none.totals]),
        lowest=np.concatenate([tally.lowest, none.lowest]),
        highest=np.concatenate([tally.highest, none.highest]),
        bin_width=tally.bin_width,
    )


def _extremes(
    srgb: Srgb, labels: Labels, lab: Floats, known: Tally, less: Tally, threads: int
) -> tuple[Floats, Floats]:
    """The least and the highest difference of each finish: those known, where they weren't lost or others have them."""
    lost = less.counts.any(axis=1)
    low, high = lost & (less.lowest <= known.lowest), lost & (less.highest >= known.highest)
    unsure = low | high
    if not unsure.any():
        return known.lowest, known.highest
    found = np.full(len(lab), np.inf), np.zeros(len(lab))
    lock = threading.Lock()

    def work(first: int, last: int) -> None:
        # Of common colours, as black, many pixels have them: the first rows will do.
        if (low & (found[0] > known.lowest)).any() or (high & (found[1] < known.highest)).any():
            (tally,) = pixel_tallies(len(lab), 1)
            measure_listed(srgb[first:last], labels[first:last], lab, tally, only=np.flatnonzero(unsure))
            with lock:
                np.minimum(found[0], tally.lowest, out=found[0])
                np.maximum(found[1], tally.highest, out=found[1])

    run_all(work, row_strips(labels.shape[0], _STRIP_ROWS), threads)
    return np.where(low, found[0], known.lowest), np.where(high, found[1], known.highest)
