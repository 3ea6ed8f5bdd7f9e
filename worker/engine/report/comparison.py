"""The loops under the score: block averages in linear light, and CIEDE2000 of every pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import OUTSIDE, Float32s, Floats, Labels, Srgb, read_only
from worker.engine.colorimetry import D65_WHITE, LINEAR_RGB_TO_XYZ, SRGB_TO_LINEAR
from worker.engine.difference import ciede2000_pair, fast_squared, lab_f
from worker.engine.palette.hull import (
    FIELD,
    FIELD_HALF,
    FIELD_MASK,
    FINE_OFFSETS,
    FINE_WEIGHTS,
    ONE,
    PACKED_HALF,
    PLAIN,
    Packed,
    interpolate_finely,
    pack,
)
from worker.engine.report.statistics import Counts, Tally
from worker.engine.threads import row_strips, run_all

BIN_WIDTH = 1.0 / 128.0
BINS = 160 * 128
_STRIP_BLOCKS, _STRIP_ROWS = 48, 128
_TOGETHER = 4
_MANY_GROUPS = 512
"""Pairs of cluster and finish beyond which bins are four times as wide, to spare memory."""
_F = np.float32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockAverages:
    """Artwork, board and projected artwork, averaged in linear light over blocks of `step` by `step` pixels.

    Each float32 (3, h, w), XYZ with Y of white 1.
    """

    step: int
    artwork: Float32s
    board: Float32s
    projected: Float32s


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _add_unpacked(packed, scale, sums, place):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    packed += PACKED_HALF
    sums[place] += _F((packed & FIELD_MASK) - FIELD_HALF) * scale
    sums[place + 1] += _F(((packed >> FIELD) & FIELD_MASK) - FIELD_HALF) * scale
    sums[place + 2] += _F((packed >> (2 * FIELD)) - FIELD_HALF) * scale


@njit(cache=True, nogil=True, error_model="numpy")
def _average(  # type: ignore[no-untyped-def]
    srgb, labels, plain, finishes, table, weights, offsets, matrix, step, first, last, artwork, board, projected
):  # pragma: no cover - compiled
    height, width = labels.shape
    columns = artwork.shape[2]
    sums = np.empty((columns, 9), dtype=np.float32)
    scale = _F(1.0 / (16 * ONE))
    for row in range(first, last):
        sums[:] = _F(0.0)
        y_0, y_1 = row * step, min((row + 1) * step, height)
        for y in range(y_0, y_1):
            last_colour = np.int64(-1)
            here = nearest = np.int64(0)
            for column in range(columns):
                end = min((column + 1) * step, width)
                # Packed colours are added a few at a time before they are taken apart; more would spill over.
                for begin in range(column * step, end, _TOGETHER):
                    art = made = best = np.int64(0)
                    for x in range(begin, min(begin + _TOGETHER, end)):
                        r, g, b = np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2])
                        colour = (r << 16) | (g << 8) | b
                        if colour != last_colour:
                            last_colour = colour
                            nearest = interpolate_finely(r, g, b, table, weights, offsets)
                            here = plain[r] + (plain[g] << FIELD) + (plain[b] << (2 * FIELD))
                        label = labels[y, x]
                        outside = label == OUTSIDE
                        art += here
                        made += here if outside else finishes[label]
                        best += here if outside else nearest
                    _add_unpacked(art, scale, sums[column], 0)
                    _add_unpacked(made, scale, sums[column], 3)
                    _add_unpacked(best, scale, sums[column], 6)
        for column in range(columns):
            count = (y_1 - y_0) * (min((column + 1) * step, width) - column * step)
            inverse = _F(1.0) / _F(count)
            s = sums[column]
            for i in range(3):
                m_0, m_1, m_2 = matrix[i, 0] * inverse, matrix[i, 1] * inverse, matrix[i, 2] * inverse
                artwork[i, row, column] = m_0 * s[0] + m_1 * s[1] + m_2 * s[2]
                board[i, row, column] = m_0 * s[3] + m_1 * s[4] + m_2 * s[5]
                projected[i, row, column] = m_0 * s[6] + m_1 * s[7] + m_2 * s[8]


@njit(cache=True, nogil=True, error_model="numpy")
def block_board(srgb, labels, plain, finishes, matrix, y_0, y_1, x_0, x_1):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The board's average of one block, to the last bit as `_average` has it."""
    sums = np.zeros(3, dtype=np.float32)
    scale = _F(1.0 / (16 * ONE))
    for y in range(y_0, y_1):
        for begin in range(x_0, x_1, _TOGETHER):
            made = np.int64(0)
            for x in range(begin, min(begin + _TOGETHER, x_1)):
                label = labels[y, x]
                if label == OUTSIDE:
                    r, g, b = srgb[y, x, 0], srgb[y, x, 1], srgb[y, x, 2]
                    made += plain[r] + (plain[g] << FIELD) + (plain[b] << (2 * FIELD))
                else:
                    made += finishes[label]
            _add_unpacked(made, scale, sums, 0)
    inverse = _F(1.0) / _F((y_1 - y_0) * (x_1 - x_0))
    one = matrix[0, 0] * inverse * sums[0] + matrix[0, 1] * inverse * sums[1] + matrix[0, 2] * inverse * sums[2]
    two = matrix[1, 0] * inverse * sums[0] + matrix[1, 1] * inverse * sums[1] + matrix[1, 2] * inverse * sums[2]
    three = matrix[2, 0] * inverse * sums[0] + matrix[2, 1] * inverse * sums[1] + matrix[2, 2] * inverse * sums[2]
    return one, two, three


def average_blocks(
    srgb: Srgb, labels: Labels, finish_rgb: Floats, hull: Packed, step: int, *, threads: int = 1
) -> BlockAverages:
    """Block averages of the artwork, of the board and of the artwork projected onto the hull.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB. labels : uint8 (H, W). finish_rgb : float64 (n, 3), linear sRGB.
    hull : int64 (65^3,), from `hull_table`.

    Outside the board all three show the artwork.
    """
    height, width = labels.shape
    shape = (3, -(-height // step), -(-width // step))
    artwork, board, projected = (np.empty(shape, dtype=np.float32) for _ in range(3))
    finishes = pack(16.0 * finish_rgb)
    srgb, labels = read_only(srgb), read_only(labels)
    run_all(
        lambda first, last: _average(
            srgb,
            labels,
            PLAIN,
            finishes,
            hull,
            FINE_WEIGHTS,
            FINE_OFFSETS,
            LINEAR_RGB_TO_XYZ.astype(np.float32),
            step,
            first,
            last,
            artwork,
            board,
            projected,
        ),
        row_strips(shape[1], _STRIP_BLOCKS),
        threads,
    )
    return BlockAverages(step=step, artwork=artwork, board=board, projected=projected)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripExtremes:
    """The least and the highest difference of each finish, strip by strip of a picture's rows.

    rows : (first, past the last) of each strip. lowest, highest : float64 (strips, finishes), infinite and 0 where a
    finish has no pixel.
    """

    rows: list[tuple[int, int]]
    lowest: Floats
    highest: Floats

    @classmethod
    def empty(cls, rows: list[tuple[int, int]], finishes: int) -> StripExtremes:
        """Of no pixels."""
        shape = (len(rows), finishes)
        return cls(rows=rows, lowest=np.full(shape, np.inf), highest=np.zeros(shape))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PixelDifferences:
    """CIEDE2000 of every pixel.

    by_pair : a group for each cluster and finish, cluster after cluster, the last cluster being "none".
    finishes : how many finishes there are. strips : where the least and the highest difference of each finish lie.
    """

    by_pair: Tally
    finishes: int
    strips: StripExtremes

    @property
    def by_finish(self) -> Tally:
        """A group for each finish."""
        return self.by_pair.regrouped(self.finishes, axis=0)

    @property
    def by_cluster(self) -> Tally:
        """A group for each cluster, the last being "none"."""
        return self.by_pair.regrouped(self.finishes, axis=1)

    @property
    def pixels(self) -> Counts:
        """int64 (k + 1, n): pixels of each cluster, the last being "none", that each finish got."""
        return np.asarray(self.by_pair.counts.sum(axis=1, dtype=np.int64).reshape(-1, self.finishes))


@njit(cache=True, nogil=True, error_model="numpy")
def _measure_rows(  # type: ignore[no-untyped-def]
    srgb,
    labels,
    clusters,
    use_clusters,
    counted,
    to_linear,
    matrix,
    lab,
    bin_width,
    first,
    last,
    counts,
    totals,
    lowest,
    highest,
):  # pragma: no cover - compiled
    width = labels.shape[1]
    per_unit, top = _F(1.0 / bin_width), counts.shape[1] - 1
    finishes = lab.shape[0]
    none = counts.shape[0] // finishes - 1
    short = lab.astype(np.float32)
    chroma = np.sqrt(short[:, 1] * short[:, 1] + short[:, 2] * short[:, 2])
    lightness = np.empty(width, dtype=np.float32)
    a_star = np.empty(width, dtype=np.float32)
    b_star = np.empty(width, dtype=np.float32)
    l_2 = np.empty(width, dtype=np.float32)
    a_2 = np.empty(width, dtype=np.float32)
    b_2 = np.empty(width, dtype=np.float32)
    c_2 = np.empty(width, dtype=np.float32)
    difference = np.empty(width, dtype=np.float32)
    red = np.empty(width, dtype=np.float32)
    green = np.empty(width, dtype=np.float32)
    blue = np.empty(width, dtype=np.float32)
    length = np.empty(width, dtype=np.int64)
    pair = np.empty(width, dtype=np.int64)
    place = np.empty(width, dtype=np.int32)
    m = matrix
    for y in range(first, last):
        runs = 0
        last_key = np.int64(-1)
        for x in range(width):
            label = np.int64(labels[y, x])
            r, g, b = np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2])
            group = np.int64(clusters[y, x]) if use_clusters else np.int64(none)
            # What isn't counted, as pixels outside the board, is one run whatever its colours.
            key = (group << 32) | (r << 24) | (g << 16) | (b << 8) | label if counted[label] != 0 else np.int64(-2)
            if key == last_key:
                length[runs - 1] += 1
                continue
            last_key = key
            group = group if group < none else np.int64(none)
            # Such a run is kept, so that the next pixel starts another; it is skipped below.
            pair[runs] = -1 if counted[label] == 0 else group * finishes + label
            label = np.int64(0) if counted[label] == 0 else label
            length[runs] = 1
            red[runs] = to_linear[r]
            green[runs] = to_linear[g]
            blue[runs] = to_linear[b]
            l_2[runs] = short[label, 0]
            a_2[runs] = short[label, 1]
            b_2[runs] = short[label, 2]
            c_2[runs] = chroma[label]
            runs += 1
        for i in range(runs):
            f_x = lab_f(m[0, 0] * red[i] + m[0, 1] * green[i] + m[0, 2] * blue[i])
            f_y = lab_f(m[1, 0] * red[i] + m[1, 1] * green[i] + m[1, 2] * blue[i])
            f_z = lab_f(m[2, 0] * red[i] + m[2, 1] * green[i] + m[2, 2] * blue[i])
            lightness[i] = _F(116.0) * f_y - _F(16.0)
            a_star[i] = _F(500.0) * (f_x - f_y)
            b_star[i] = _F(200.0) * (f_y - f_z)
        for i in range(runs):
            c_1 = np.sqrt(a_star[i] * a_star[i] + b_star[i] * b_star[i])
            difference[i] = fast_squared(lightness[i], a_star[i], b_star[i], c_1, l_2[i], a_2[i], b_2[i], c_2[i])
        for i in range(runs):
            root = np.sqrt(max(difference[i], _F(0.0)))
            place[i] = np.int32(min(root * per_unit, _F(top)))
            difference[i] = root if difference[i] >= _F(0.0) else _F(-1.0)
        for i in range(runs):
            row = pair[i]
            if row < 0:
                continue
            d = difference[i]
            bin_of_it = place[i]
            if d < _F(0.0):
                j = row % finishes
                d = _F(ciede2000_pair(lightness[i], a_star[i], b_star[i], lab[j, 0], lab[j, 1], lab[j, 2]))
                bin_of_it = min(np.int32(d * per_unit), top)
            n = length[i]
            counts[row, bin_of_it] += n
            totals[row] += n * np.float64(d)
            if d < lowest[row]:
                lowest[row] = d
            if d > highest[row]:
                highest[row] = d


def measure_pixels(
    srgb: Srgb,
    labels: Labels,
    lab: Floats,
    *,
    clusters: npt.NDArray[np.uint8] | None,
    cluster_count: int,
    threads: int = 1,
) -> PixelDifferences:
    """CIEDE2000 between every pixel and the finish that it was given.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB. labels : uint8 (H, W). lab : float64 (n, 3), CIELAB of the finishes.
    clusters : uint8 (H, W) or None
        Each pixel's cluster; `cluster_count` or more where it has none.
    """
    finishes = len(lab)
    quarters = row_quarters(labels.shape[0])
    extremes = StripExtremes.empty([strip for quarter in quarters for strip in quarter], finishes)
    parts = pixel_tallies(finishes, len(quarters), cluster_count)

    def work(i: int, strips: list[tuple[int, int]]) -> None:
        whole, groups = parts[i], len(parts[i].totals)
        for k, strip in enumerate(strips, extremes.rows.index(strips[0])):
            rows = slice(*strip)
            ids = None if clusters is None else clusters[rows]
            part = replace(whole, lowest=np.full(groups, np.inf), highest=np.zeros(groups))
            measure_listed(srgb[rows], labels[rows], lab, part, clusters=ids)
            np.minimum(whole.lowest, part.lowest, out=whole.lowest)
            np.maximum(whole.highest, part.highest, out=whole.highest)
            extremes.lowest[k] = part.lowest.reshape(-1, finishes).min(axis=0)
            extremes.highest[k] = part.highest.reshape(-1, finishes).max(axis=0)

    run_all(work, list(enumerate(quarters)), threads)
    return PixelDifferences(by_pair=joined(parts), finishes=finishes, strips=extremes)


def row_quarters(rows: int) -> list[list[tuple[int, int]]]:
    """(first, past the last) row of the strips of four parts of a picture: a fixed split, so that sums are added in the
    same order on any number of threads."""
    return [
        [(first + top, first + end) for top, end in row_strips(last - first, _STRIP_ROWS)]
        for first, last in row_strips(rows, max(1, -(-rows // 4)))
    ]


def measure_listed(
    srgb: Srgb,
    labels: Labels,
    lab: Floats,
    tally: Tally,
    *,
    clusters: npt.NDArray[np.uint8] | None = None,
) -> None:
    """Count these pixels in a tally of `pixel_tallies`."""
    counted = np.zeros(256, dtype=np.uint8)
    counted[: len(lab)] = 1
    labels = read_only(labels)
    _measure_rows(
        read_only(srgb),
        labels,
        labels if clusters is None else read_only(clusters),
        clusters is not None,
        counted,
        SRGB_TO_LINEAR,
        (LINEAR_RGB_TO_XYZ / D65_WHITE[:, None]).astype(np.float32),
        np.ascontiguousarray(lab, dtype=np.float64),
        tally.bin_width,
        0,
        len(labels),
        tally.counts,
        tally.totals,
        tally.lowest,
        tally.highest,
    )


def pixel_tallies(finishes: int, parts: int, cluster_count: int = 0) -> list[Tally]:
    """Empty tallies for so many parts of a picture, a group for each cluster, the last being "none", and finish."""
    groups = (cluster_count + 1) * finishes
    coarser = 1 if groups <= _MANY_GROUPS else 4
    return [_empty_tally(groups, BINS // coarser, BIN_WIDTH * coarser) for _ in range(parts)]


def _empty_tally(groups: int, bins: int, bin_width: float) -> Tally:
    return Tally(
        counts=np.zeros((groups, bins), dtype=np.int32),
        totals=np.zeros(groups),
        lowest=np.full(groups, np.inf),
        highest=np.zeros(groups),
        bin_width=bin_width,
    )


def joined(parts: list[Tally]) -> Tally:
    """Tallies of parts of a picture as one; the first one is written over."""
    whole = parts[0]
    for part in parts[1:]:
        used = part.counts.any(axis=1)
        whole.counts[used] += part.counts[used]
        whole.totals[:] += part.totals
        np.minimum(whole.lowest, part.lowest, out=whole.lowest)
        np.maximum(whole.highest, part.highest, out=whole.highest)
    return whole


@njit(cache=True, nogil=True, error_model="numpy")
def _spread_rows(errors, labels, step, first, last, counts, totals, lowest, highest):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Count each block's difference once for every pixel of each finish in it."""
    height, width = labels.shape
    finishes = counts.shape[1]
    here = np.zeros(256, dtype=np.int64)
    for row in range(first, last):
        y_0, y_1 = row * step, min((row + 1) * step, height)
        for column in range(errors.shape[2]):
            x_0, x_1 = column * step, min((column + 1) * step, width)
            for y in range(y_0, y_1):
                for x in range(x_0, x_1):
                    here[labels[y, x]] += 1
            for j in range(finishes):
                n = here[j]
                if n > 0:
                    here[j] = 0
                    for k in range(errors.shape[0]):
                        d = errors[k, row, column]
                        counts[k, j, min(np.int64(d * _F(1.0 / BIN_WIDTH)), BINS - 1)] += n
                        totals[k, j] += n * np.float64(d)
                        lowest[k, j] = min(lowest[k, j], d)
                        highest[k, j] = max(highest[k, j], d)
            here[OUTSIDE] = 0


def spread_blocks(
    errors: Sequence[Float32s], labels: Labels, count: int, step: int, *, threads: int = 1
) -> list[Tally]:
    """Block maps, float32 (h, w), each counted by finish, each block once for every pixel in it."""
    maps = np.stack(errors)
    strips = row_strips(maps.shape[1], max(1, -(-maps.shape[1] // 4)))
    parts = [_empty_tally(len(maps) * count, BINS, BIN_WIDTH) for _ in strips]
    shape = (len(maps), count)
    labels = read_only(labels)

    def work(i: int, first: int, last: int) -> None:
        part = parts[i]
        _spread_rows(
            maps,
            labels,
            step,
            first,
            last,
            part.counts.reshape(*shape, BINS),
            part.totals.reshape(shape),
            part.lowest.reshape(shape),
            part.highest.reshape(shape),
        )

    run_all(work, [(i, first, last) for i, (first, last) in enumerate(strips)], threads)
    whole = joined(parts)
    return [whole.part(k * count, (k + 1) * count) for k in range(len(maps))]
