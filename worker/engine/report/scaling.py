"""Scaling of what is shown beside the artwork: finish colours are averaged in linear light, errors as they are."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Labels, Srgb, read_only
from worker.engine.artwork.resample import find_taps
from worker.engine.colorimetry import SRGB_TO_LINEAR
from worker.engine.encoded_light import encoded
from worker.engine.threads import row_strips, run_all

_STRIP_PX = 64
ABREAST = 8
"""Channels of labels that are shrunk at the same time."""


def shrink_labels(labels: Labels, colours: Srgb, *, height_px: int, width_px: int, threads: int = 1) -> Srgb:
    """A smaller picture of labels in their colours, each pixel the mean light of the area that it covers.

    Parameters
    ----------
    labels : uint8 (H, W)
    colours : uint8 (256, n)
        Encoded sRGB of each label, or as many of its channels as are wanted.
    height_px, width_px : int
        At most H and W.
    threads : int
        How many strips of rows are made at the same time.

    Returns
    -------
    uint8 (height_px, width_px, n), encoded sRGB
    """
    rows = find_taps(labels.shape[0], height_px, keep_edges=True)
    columns = find_taps(labels.shape[1], width_px, keep_edges=True)
    taps = (rows.first, rows.count, rows.weights, columns.first, columns.count, columns.weights)
    channels = colours.shape[1]
    mean = np.empty((height_px, width_px, channels), dtype=np.float32)
    strips = row_strips(height_px, _STRIP_PX)
    for begin in range(0, channels, ABREAST):
        count = min(ABREAST, channels - begin)
        light = np.zeros((256, ABREAST), dtype=np.float32)
        light[:, :count] = SRGB_TO_LINEAR[colours[:, begin : begin + count]]
        part = mean[..., begin : begin + count]
        run_all(_shrink_labels, [(read_only(labels), light, *taps, part, *strip) for strip in strips], threads)
    return encoded(mean, threads=threads)


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
    # Down the columns first: neighbours that have the same labels in all rows are one run, of one light.
    channels, width = mean.shape[2], labels.shape[1]
    words = -(-width // 8)
    begins = np.zeros(words * 8, dtype=np.uint8)
    eights = begins.view(np.uint64)
    run_ends = np.empty(width, dtype=np.int64)
    run_light = np.empty((width, ABREAST), dtype=np.float32)
    here = np.empty(ABREAST, dtype=np.float32)
    for y in range(first, last):
        begins[:] = 0
        for tap in range(y_count[y]):
            row = labels[y_first[y] + tap]
            one, two, to = row[1:], row[: width - 1], begins[1:]
            for x in range(width - 1):
                to[x] |= one[x] ^ two[x]
        begins[0] = 1
        word = 0
        begin = 0
        runs = 0
        while begin < width:
            end = begin + 1
            while end < width and begins[end] == 0:
                if end % 8 == 0:
                    word = end // 8
                    while word < words and eights[word] == np.uint64(0):
                        word += 1
                    if word * 8 > end:
                        end = min(word * 8, width)
                        continue
                end += 1
            for channel in range(ABREAST):
                here[channel] = np.float32(0)
            for tap in range(y_count[y]):
                weight, label = y_weights[y, tap], labels[y_first[y] + tap, begin]
                for channel in range(ABREAST):
                    here[channel] += weight * light[label, channel]
            for channel in range(ABREAST):
                run_light[runs, channel] = here[channel]
            run_ends[runs] = end
            runs += 1
            begin = end
        run = 0
        for x in range(x_first.size):
            at, past = x_first[x], x_first[x] + x_count[x]
            while run_ends[run] <= at:
                run += 1
            if run_ends[run] >= past:  # the weights' sum is 1
                for channel in range(channels):
                    mean[y, x, channel] = run_light[run, channel]
                continue
            for channel in range(ABREAST):
                here[channel] = np.float32(0)
            on = run
            for tap in range(x_count[x]):
                if run_ends[on] <= at + tap:
                    on += 1
                weight = x_weights[x, tap]
                for channel in range(ABREAST):
                    here[channel] += weight * run_light[on, channel]
            for channel in range(channels):
                mean[y, x, channel] = here[channel]


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
