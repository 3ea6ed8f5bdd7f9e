"""Scaling of pictures for the eye: averages are taken in linear light, since light is what the eye averages."""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.arrays import OUTSIDE, Alpha, Float32s, Labels, Srgb
from worker.engine.colorimetry import SRGB_TO_LINEAR, srgb_encoded
from worker.engine.threads import row_strips, run_all

_LAST_STEP = 4095
_TO_ENCODED: Srgb = np.rint(srgb_encoded(np.linspace(0.0, 1.0, _LAST_STEP + 1)) * 255.0).astype(np.uint8)
"""uint8 (4096,): encoded sRGB of linear light 0 to 1 in equal steps; off by at most one level in the darkest tones."""
_STRIP_PX = 64
_NO_ALPHA: Alpha = np.empty((0, 0), dtype=np.uint8)


def shrink_srgb(
    srgb: Srgb, alpha: Alpha | None, paper: Srgb, *, height_px: int, width_px: int, threads: int = 1
) -> Srgb:
    """A smaller picture, each pixel the mean light of the area that it covers.

    Parameters
    ----------
    srgb : uint8 (H, W, 3)
        Encoded sRGB.
    alpha : uint8 (H, W) or None
        Where it is below 255, `paper` shows through.
    paper : uint8 (3,)
        Encoded sRGB.
    height_px, width_px : int
        At most H and W.
    threads : int
        How many strips of rows are made at the same time.

    Returns
    -------
    uint8 (height_px, width_px, 3)
    """
    light = np.repeat(SRGB_TO_LINEAR[:, None], 3, axis=1)
    veil = _NO_ALPHA if alpha is None else alpha
    out = np.empty((height_px, width_px, 3), dtype=np.uint8)
    paper_light = SRGB_TO_LINEAR[paper]
    run_all(
        lambda first, last: _shrink(srgb, veil, light, paper_light, _TO_ENCODED, out, first, last),
        row_strips(height_px, _STRIP_PX),
        threads,
    )
    return out


def shrink_labels(labels: Labels, colours: Srgb, *, height_px: int, width_px: int, threads: int = 1) -> Srgb:
    """A smaller picture of labels in their colours, uint8 (256, 3) encoded sRGB; else as `shrink_srgb`."""
    light = SRGB_TO_LINEAR[colours]
    out = np.empty((height_px, width_px, 3), dtype=np.uint8)
    run_all(
        lambda first, last: _shrink(labels, _NO_ALPHA, light, light[OUTSIDE], _TO_ENCODED, out, first, last),
        row_strips(height_px, _STRIP_PX),
        threads,
    )
    return out


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
def _shrink(
    pixels: Labels | Srgb,
    alpha: Alpha,
    light: Float32s,
    paper: Float32s,
    to_encoded: Srgb,
    out: Srgb,
    first: int,
    last: int,
) -> None:  # pragma: no cover
    """Fill out[first:last]. pixels: uint8 (H, W, 3), or (H, W) of labels; light: float32 (256, 3) by code."""
    height, width = pixels.shape[0], pixels.shape[1]
    out_height, out_width = out.shape[0], out.shape[1]
    step_y, step_x = height / out_height, width / out_width
    scale = to_encoded.size - 1
    mean = np.empty((out_width, 3), np.float32)
    for y in range(first, last):
        mean[:] = 0.0
        top, bottom = y * step_y, (y + 1) * step_y
        for row in range(int(top), min(height, int(np.ceil(bottom)))):
            share_y = (min(bottom, row + 1.0) - max(top, row)) / step_y
            for x in range(out_width):
                left, right = x * step_x, (x + 1) * step_x
                begin, end = int(left), min(width, int(np.ceil(right)))
                red, green, blue = np.float32(0), np.float32(0), np.float32(0)
                for column in range(begin, end):
                    share = np.float32(1.0)
                    if column == begin:
                        share -= np.float32(left - begin)
                    if column == end - 1:
                        share -= np.float32(max(0.0, end - right))
                    if pixels.ndim == 3:
                        r = light[pixels[row, column, 0], 0]
                        g = light[pixels[row, column, 1], 1]
                        b = light[pixels[row, column, 2], 2]
                        if alpha.size > 0:
                            cover = np.float32(alpha[row, column]) / np.float32(255)
                            r = paper[0] + cover * (r - paper[0])
                            g = paper[1] + cover * (g - paper[1])
                            b = paper[2] + cover * (b - paper[2])
                    else:
                        code = pixels[row, column]
                        r, g, b = light[code, 0], light[code, 1], light[code, 2]
                    red += share * r
                    green += share * g
                    blue += share * b
                weight = np.float32(share_y / step_x)
                mean[x, 0] += weight * red
                mean[x, 1] += weight * green
                mean[x, 2] += weight * blue
        for x in range(out_width):
            for channel in range(3):
                value = min(np.float32(1.0), max(np.float32(0.0), mean[x, channel]))
                out[y, x, channel] = to_encoded[int(value * scale + np.float32(0.5))]


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
