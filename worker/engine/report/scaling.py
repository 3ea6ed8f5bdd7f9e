"""Scaling of what is shown beside the artwork: finish colours are averaged in linear light, errors as they are."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Labels, Srgb, read_only
from worker.engine.artwork.resample import find_taps
from worker.engine.colorimetry import SRGB_TO_LINEAR, srgb_encoded
from worker.engine.threads import row_strips, run_all

_STRIP_PX = 64


def shrink_labels(labels: Labels, colours: Srgb, *, height_px: int, width_px: int, threads: int = 1) -> Srgb:
    """A smaller picture of labels in their colours, each pixel the mean light of the area that it covers.

    Parameters
    ----------
    labels : uint8 (H, W)
    colours : uint8 (256, 3)
        Encoded sRGB of each label.
    height_px, width_px : int
        At most H and W.
    threads : int
        How many strips of rows are made at the same time.

    Returns
    -------
    uint8 (height_px, width_px, 3), encoded sRGB
    """
    rows = find_taps(labels.shape[0], height_px, keep_edges=True)
    columns = find_taps(labels.shape[1], width_px, keep_edges=True)
    taps = (rows.first, rows.count, rows.weights, columns.first, columns.count, columns.weights)
    light = SRGB_TO_LINEAR[colours]
    mean = np.empty((height_px, width_px, 3), dtype=np.float32)
    strips = row_strips(height_px, _STRIP_PX)
    run_all(_shrink_labels, [(read_only(labels), light, *taps, mean, *strip) for strip in strips], threads)
    return np.asarray(np.rint(srgb_encoded(mean) * 255.0), dtype=np.uint8)


def shrink_map(values: Float32s, *, height_px: int, width_px: int) -> Float32s:
    """A smaller map, each value the mean of the cells that it covers, without those that are NaN.

    float32 (H, W) to (height_px, width_px), at most H and W.
    """
    out = np.empty((height_px, width_px), dtype=np.float32)
    _shrink_map(values, out)
    return out


def enlarge(pixels: Labels | Srgb, factor: int) -> Labels | Srgb:
    """Each pixel as a square of `factor` by `factor` pixels."""
    return pixels if factor == 1 else np.repeat(np.repeat(pixels, factor, axis=0), factor, axis=1)


@njit(cache=True, nogil=True)
def _shrink_labels(
    labels: Labels,
    light: Float32s,
    y_first: npt.NDArray[np.int64],
    y_count: npt.NDArray[np.int64],
    y_weights: Float32s,
    x_first: npt.NDArray[np.int64],
    x_count: npt.NDArray[np.int64],
    x_weights: Float32s,
    mean: Float32s,
    first: int,
    last: int,
) -> None:  # pragma: no cover
    for y in range(first, last):
        mean[y] = np.float32(0)
        for row_tap in range(y_count[y]):
            row, y_weight = y_first[y] + row_tap, y_weights[y, row_tap]
            for x in range(x_first.size):
                red, green, blue = np.float32(0), np.float32(0), np.float32(0)
                for tap in range(x_count[x]):
                    code = labels[row, x_first[x] + tap]
                    weight = x_weights[x, tap]
                    red += weight * light[code, 0]
                    green += weight * light[code, 1]
                    blue += weight * light[code, 2]
                mean[y, x, 0] += y_weight * red
                mean[y, x, 1] += y_weight * green
                mean[y, x, 2] += y_weight * blue


@njit(cache=True, nogil=True)
def _shrink_map(values: Float32s, out: Float32s) -> None:  # pragma: no cover
    height, width = values.shape
    out_height, out_width = out.shape
    for y in range(out_height):
        for x in range(out_width):
            total, count = 0.0, 0
            for row in range(y * height // out_height, (y + 1) * height // out_height):
                for column in range(x * width // out_width, (x + 1) * width // out_width):
                    value = values[row, column]
                    if not np.isnan(value):
                        total += value
                        count += 1
            out[y, x] = total / count if count else np.nan
