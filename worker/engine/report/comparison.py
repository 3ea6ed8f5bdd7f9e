"""The loops under the score: block averages in linear light, and CIEDE2000 of every pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import OUTSIDE, Float32s, Floats, Labels, Srgb
from worker.engine.colorimetry import D65_WHITE, LINEAR_RGB_TO_XYZ, SRGB_TO_LINEAR
from worker.engine.difference import ciede2000_pair, fast_squared, lab_f
from worker.engine.palette.hull import FIELD, OFFSETS, ONE, WEIGHTS, Packed, interpolate
from worker.engine.report.statistics import Counts, Sums
from worker.engine.threads import row_strips, run_all

BIN_WIDTH = 1.0 / 128.0
BINS = 160 * 128
CLUSTER_BIN_WIDTH = 1.0 / 16.0
CLUSTER_BINS = 160 * 16
_HALF = 1 << (FIELD - 1)
_MASK = (1 << FIELD) - 1
_PACKED_HALF = _HALF + (_HALF << FIELD) + (_HALF << (2 * FIELD))
_STRIP_BLOCKS = 48
_F = np.float32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockAverages:
    """Artwork, board and projected artwork, averaged in linear light over blocks of `step` by `step` pixels.

    Each float32 (3, h, w), XYZ with Y of white 1. `pixels` : int32 (h, w, n), pixels of each finish in each block.
    """

    step: int
    artwork: Float32s
    board: Float32s
    projected: Float32s


@njit(cache=True, nogil=True, error_model="numpy")
def _average(srgb, labels, to_linear, finish_rgb, table, weights, offsets, matrix, step, first, last, artwork, board, projected):  # type: ignore[no-untyped-def]  # pragma: no cover
    height, width = labels.shape
    columns = artwork.shape[2]
    sums = np.empty((columns, 9), dtype=np.float32)
    scale = _F(1.0 / (16 * ONE))
    for row in range(first, last):
        sums[:] = _F(0.0)
        y_0, y_1 = row * step, min((row + 1) * step, height)
        for y in range(y_0, y_1):
            last_colour = np.int64(-1)
            p_r = p_g = p_b = _F(0.0)
            a_r = a_g = a_b = _F(0.0)
            column = 0
            left = step
            for x in range(width):
                r, g, b = np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2])
                colour = (r << 16) | (g << 8) | b
                if colour != last_colour:
                    last_colour = colour
                    packed = interpolate(r, g, b, table, weights, offsets) + _PACKED_HALF
                    p_r = _F((packed & _MASK) - _HALF) * scale
                    p_g = _F(((packed >> FIELD) & _MASK) - _HALF) * scale
                    p_b = _F((packed >> (2 * FIELD)) - _HALF) * scale
                    a_r, a_g, a_b = to_linear[r], to_linear[g], to_linear[b]
                label = labels[y, x]
                s = sums[column]
                s[0] += a_r
                s[1] += a_g
                s[2] += a_b
                if label == OUTSIDE:
                    s[3] += a_r
                    s[4] += a_g
                    s[5] += a_b
                    s[6] += a_r
                    s[7] += a_g
                    s[8] += a_b
                else:
                    s[3] += finish_rgb[label, 0]
                    s[4] += finish_rgb[label, 1]
                    s[5] += finish_rgb[label, 2]
                    s[6] += p_r
                    s[7] += p_g
                    s[8] += p_b
                left -= 1
                if left == 0:
                    column += 1
                    left = step
        for column in range(columns):
            count = (y_1 - y_0) * (min((column + 1) * step, width) - column * step)
            inverse = _F(1.0) / _F(count)
            s = sums[column]
            for i in range(3):
                m_0, m_1, m_2 = matrix[i, 0] * inverse, matrix[i, 1] * inverse, matrix[i, 2] * inverse
                artwork[i, row, column] = m_0 * s[0] + m_1 * s[1] + m_2 * s[2]
                board[i, row, column] = m_0 * s[3] + m_1 * s[4] + m_2 * s[5]
                projected[i, row, column] = m_0 * s[6] + m_1 * s[7] + m_2 * s[8]


def average_blocks(
    srgb: Srgb, labels: Labels, finish_rgb: Floats, hull: Packed, step: int, *, threads: int = 1
) -> BlockAverages:
    """Block averages of the artwork, of the board and of the artwork projected onto the hull.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB. labels : uint8 (H, W). finish_rgb : float64 (n, 3), linear sRGB.
    hull : int64 (33^3,), from `hull_table`.

    Outside the board all three show the artwork.
    """
    height, width = labels.shape
    shape = (3, -(-height // step), -(-width // step))
    artwork, board, projected = (np.empty(shape, dtype=np.float32) for _ in range(3))
    run_all(
        lambda first, last: _average(
            srgb, labels, SRGB_TO_LINEAR, finish_rgb.astype(np.float32), hull, WEIGHTS, OFFSETS,
            LINEAR_RGB_TO_XYZ.astype(np.float32), step, first, last, artwork, board, projected,
        ),
        row_strips(shape[1], _STRIP_BLOCKS),
        threads,
    )
    return BlockAverages(step=step, artwork=artwork, board=board, projected=projected)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Histograms:
    """Colour differences of every pixel: counts and sums per bin, and maxima.

    by_finish : (n, BINS), by_cluster : (k, CLUSTER_BINS), pixels : (k + 1, n), the last row for pixels of no cluster.
    """

    counts: Counts
    sums: Sums
    maxima: Floats
    cluster_counts: Counts
    cluster_sums: Sums
    cluster_maxima: Floats
    pixels: Counts


@njit(cache=True, nogil=True, error_model="numpy")
def _measure_rows(srgb, labels, clusters, use_clusters, to_linear, matrix, lab, first, last, counts, sums, maxima, c_counts, c_sums, c_maxima, pixels):  # type: ignore[no-untyped-def]  # pragma: no cover
    width = labels.shape[1]
    none = c_counts.shape[0]
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
    finish = np.empty(width, dtype=np.int64)
    cluster = np.empty(width, dtype=np.int64)
    m = matrix
    for y in range(first, last):
        runs = 0
        last_key = np.int64(-1)
        for x in range(width):
            label = np.int64(labels[y, x])
            r, g, b = np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2])
            key = (r << 24) | (g << 16) | (b << 8) | label
            if key == last_key:
                length[runs - 1] += 1
                continue
            last_key = key
            if label == OUTSIDE:
                # Kept as a run of its own, so that the next pixel starts another; it is skipped below.
                finish[runs] = -1
                label = 0
            else:
                finish[runs] = label
            cluster[runs] = np.int64(clusters[y, x]) if use_clusters else none
            if cluster[runs] > none:
                cluster[runs] = none
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
            difference[i] = fast_squared(
                lightness[i], a_star[i], b_star[i], c_1, l_2[i], a_2[i], b_2[i], c_2[i]
            )
        for i in range(runs):
            j = finish[i]
            if j < 0:
                continue
            d = difference[i]
            if d < _F(0.0):
                d = _F(ciede2000_pair(lightness[i], a_star[i], b_star[i], lab[j, 0], lab[j, 1], lab[j, 2]))
            else:
                d = np.sqrt(d)
            n = length[i]
            place = min(np.int64(d * _F(1.0 / BIN_WIDTH)), BINS - 1)
            counts[j, place] += n
            sums[j, place] += n * np.float64(d)
            maxima[j] = max(maxima[j], d)
            k = cluster[i]
            pixels[k, j] += n
            if k < none:
                place = min(np.int64(d * _F(1.0 / CLUSTER_BIN_WIDTH)), CLUSTER_BINS - 1)
                c_counts[k, place] += n
                c_sums[k, place] += n * np.float64(d)
                c_maxima[k] = max(c_maxima[k], d)


def measure_pixels(
    srgb: Srgb,
    labels: Labels,
    lab: Floats,
    *,
    clusters: npt.NDArray[np.uint8] | None,
    cluster_count: int,
    threads: int = 1,
) -> Histograms:
    """CIEDE2000 between every pixel and the finish that it was given.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB. labels : uint8 (H, W). lab : float64 (n, 3), CIELAB of the finishes.
    clusters : uint8 (H, W) or None
        Each pixel's cluster; `cluster_count` or more where it has none.
    """
    n = len(lab)
    matrix = (LINEAR_RGB_TO_XYZ / D65_WHITE[:, None]).astype(np.float32)
    lab = np.ascontiguousarray(lab, dtype=np.float64)

    def empty() -> Histograms:
        return Histograms(
            counts=np.zeros((n, BINS), dtype=np.int64),
            sums=np.zeros((n, BINS)),
            maxima=np.zeros(n),
            cluster_counts=np.zeros((cluster_count, CLUSTER_BINS), dtype=np.int64),
            cluster_sums=np.zeros((cluster_count, CLUSTER_BINS)),
            cluster_maxima=np.zeros(cluster_count),
            pixels=np.zeros((cluster_count + 1, n), dtype=np.int64),
        )

    # A fixed split, so that the sums are added in the same order on any number of threads.
    strips = row_strips(labels.shape[0], max(1, -(-labels.shape[0] // 4)))
    parts = [empty() for _ in strips]
    ids = labels if clusters is None else clusters

    def work(index: int, first: int, last: int) -> None:
        part = parts[index]
        _measure_rows(
            srgb, labels, ids, clusters is not None, SRGB_TO_LINEAR, matrix, lab, first, last,
            part.counts, part.sums, part.maxima, part.cluster_counts, part.cluster_sums, part.cluster_maxima,
            part.pixels,
        )

    run_all(work, [(i, first, last) for i, (first, last) in enumerate(strips)], threads)
    total = empty()
    for part in parts:
        for name in ("counts", "sums", "cluster_counts", "cluster_sums", "pixels"):
            whole = getattr(total, name)
            whole += getattr(part, name)
        np.maximum(total.maxima, part.maxima, out=total.maxima)
        np.maximum(total.cluster_maxima, part.cluster_maxima, out=total.cluster_maxima)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _spread_rows(error, labels, step, first, last, counts, sums, maxima):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Count each block's difference once for every pixel of each finish in it."""
    height, width = labels.shape
    here = np.zeros(256, dtype=np.int64)
    for row in range(first, last):
        for column in range(error.shape[1]):
            d = error[row, column]
            x_0, x_1 = column * step, min((column + 1) * step, width)
            for y in range(row * step, min((row + 1) * step, height)):
                for x in range(x_0, x_1):
                    here[labels[y, x]] += 1
            place = min(np.int64(d * _F(1.0 / BIN_WIDTH)), BINS - 1)
            for j in range(counts.shape[0]):
                n = here[j]
                if n > 0:
                    counts[j, place] += n
                    sums[j, place] += n * np.float64(d)
                    maxima[j] = max(maxima[j], d)
                here[j] = 0
            here[OUTSIDE] = 0


def spread_blocks(
    error: Float32s, labels: Labels, count: int, step: int, *, threads: int = 1
) -> tuple[Counts, Sums, Floats]:
    """Histograms (n, BINS) per finish of a block map, float32 (h, w), each block counted once per pixel in it."""
    strips = row_strips(error.shape[0], max(1, -(-error.shape[0] // 4)))
    parts = [
        (np.zeros((count, BINS), dtype=np.int64), np.zeros((count, BINS)), np.zeros(count)) for _ in strips
    ]
    run_all(
        lambda i, first, last: _spread_rows(error, labels, step, first, last, *parts[i]),
        [(i, first, last) for i, (first, last) in enumerate(strips)],
        threads,
    )
    return (
        np.sum([part[0] for part in parts], axis=0),
        np.sum([part[1] for part in parts], axis=0),
        np.max([part[2] for part in parts], axis=0),
    )
