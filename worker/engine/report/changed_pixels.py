"""A second score of the same artwork, of labels that differ in few places: only what changed is measured again.

A board as it will be made differs from its separation in a few per cent of its pixels.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numba import njit

from worker.engine.arrays import OUTSIDE, Float32s, Floats, Labels, Srgb, read_only
from worker.engine.colorimetry import LINEAR_RGB_TO_XYZ
from worker.engine.palette.hull import PLAIN, pack
from worker.engine.report.comparison import (
    BIN_WIDTH,
    PixelDifferences,
    StripExtremes,
    block_board,
    joined,
    measure_listed,
    measure_pixels,
    pixel_tallies,
    row_quarters,
)
from worker.engine.report.statistics import Tally
from worker.engine.threads import row_strips, run_all

_STRIP_BLOCKS = 48
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
    rows, quarters = first.strips.rows, row_quarters(labels.shape[0])
    lost, won = pixel_tallies(len(lab), len(quarters)), pixel_tallies(len(lab), len(quarters))
    gone, come = StripExtremes.empty(rows, len(lab)), StripExtremes.empty(rows, len(lab))
    srgb, labels, before = read_only(srgb), read_only(labels), read_only(before)

    def work(i: int, strips: list[tuple[int, int]]) -> None:
        old, new = np.empty((1, _LISTED), dtype=np.uint8), np.empty((1, _LISTED), dtype=np.uint8)
        colours = np.empty((1, _LISTED, 3), dtype=np.uint8)
        for k, strip in enumerate(strips, rows.index(strips[0])):
            less = replace(lost[i], lowest=gone.lowest[k], highest=gone.highest[k])
            more = replace(won[i], lowest=come.lowest[k], highest=come.highest[k])
            here, (y, x) = slice(*strip), (0, 0)
            while y < here.stop - here.start:
                n, y, x = _list_changed(labels[here], before[here], srgb[here], y, x, old, new, colours)
                if n:
                    measure_listed(colours[:, :n], old[:, :n], lab, less)
                    measure_listed(colours[:, :n], new[:, :n], lab, more)

    run_all(work, list(enumerate(quarters)), threads)
    less, more = joined(lost), joined(won)
    counts = known.counts - less.counts + more.counts
    strips = _extremes(srgb, labels, lab, first.strips, gone, come, threads)
    return PixelDifferences(
        by_pair=Tally(
            counts=counts,
            totals=np.where(counts.any(axis=1), known.totals - less.totals + more.totals, 0.0),
            lowest=strips.lowest.min(axis=0),
            highest=strips.highest.max(axis=0),
            bin_width=BIN_WIDTH,
        ),
        finishes=len(lab),
        strips=strips,
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
    srgb: Srgb,
    labels: Labels,
    lab: Floats,
    known: StripExtremes,
    gone: StripExtremes,
    come: StripExtremes,
    threads: int,
) -> StripExtremes:
    """What is known of each strip, with what came and without what is gone.

    Where a strip lost a pixel that had an extreme of its finish, it is measured anew, if that may be the extreme of the
    whole picture; else it keeps its own, which is too far out, but not as far as that of the picture.
    """
    added = ((0, 0), (0, gone.lowest.shape[1] - known.lowest.shape[1]))
    lowest, highest = np.pad(known.lowest, added, constant_values=np.inf), np.pad(known.highest, added)
    low = np.isfinite(gone.lowest) & (gone.lowest <= lowest)
    high = np.isfinite(gone.lowest) & (gone.highest >= highest)
    np.minimum(lowest, come.lowest, out=lowest)
    np.maximum(highest, come.highest, out=highest)

    def measure(k: int) -> None:
        rows = slice(*known.rows[k])
        (tally,) = pixel_tallies(len(lab), 1)
        measure_listed(srgb[rows], labels[rows], lab, tally)
        lowest[k], highest[k], low[k], high[k] = tally.lowest, tally.highest, False, False

    while True:
        # Of those in doubt, the strips that are farthest out.
        farthest = {
            *np.argmin(lowest, axis=0)[np.take_along_axis(low, np.argmin(lowest, axis=0)[None], axis=0)[0]].tolist(),
            *np.argmax(highest, axis=0)[np.take_along_axis(high, np.argmax(highest, axis=0)[None], axis=0)[0]].tolist(),
        }
        if not farthest:
            return StripExtremes(rows=known.rows, lowest=lowest, highest=highest)
        run_all(measure, [(k,) for k in sorted(farthest)], threads)
