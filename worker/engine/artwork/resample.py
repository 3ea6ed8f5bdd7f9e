"""Resampling of pictures in linear light, since light is what mixes in the eye and in a lens.

Both axes are handled apart: each output pixel is a weighted sum of neighbouring input pixels along the axis. Weights
are exact coverage when shrinking; when enlarging, two neighbours (bilinear) or one (nearest).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Alpha, Float32s, Srgb, read_only
from worker.engine.colorimetry import SRGB_TO_LINEAR, srgb_encoded
from worker.engine.threads import row_strips, run_all

_STEPS = 65536
_TO_ENCODED: Srgb = np.rint(srgb_encoded(np.arange(_STEPS) / (_STEPS - 1)) * 255.0).astype(np.uint8)
"""uint8 (65536,): encoded sRGB of linear light in equal steps, each 0.05 level at most."""
_STRIP_ROWS = 32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Taps:
    """For each output position along an axis: the first input position, how many, and their weights (sum 1)."""

    first: npt.NDArray[np.int64]
    count: npt.NDArray[np.int64]
    weights: Float32s


def find_taps(source: int, target: int, *, keep_edges: bool) -> Taps:
    """Taps that turn `source` positions into `target`; `keep_edges` takes the nearest when enlarging."""
    if target < source:
        return _coverage_taps(source, target)
    position = np.arange(target, dtype=np.int64)
    if keep_edges or target == source:
        nearest = (2 * position + 1) * source // (2 * target)
        return Taps(first=nearest, count=np.ones(target, np.int64), weights=np.ones((target, 1), np.float32))
    centre = np.clip((position + 0.5) * source / target - 0.5, 0.0, source - 1.0)
    first = np.minimum(centre.astype(np.int64), max(0, source - 2))
    along = centre - first
    return Taps(
        first=first,
        count=np.full(target, min(2, source), np.int64),
        weights=np.stack([1.0 - along, along], axis=-1).astype(np.float32),
    )


def _coverage_taps(source: int, target: int) -> Taps:
    # In units of 1 / target of an input pixel every border is a whole number, so coverage is exact.
    position = np.arange(target, dtype=np.int64)
    low, high = position * source, (position + 1) * source
    first = low // target
    count = -(-high // target) - first
    inputs = first[:, None] + np.arange(int(count.max()))
    covered = np.minimum(high[:, None], (inputs + 1) * target) - np.maximum(low[:, None], inputs * target)
    return Taps(first=first, count=count, weights=(np.maximum(covered, 0) / source).astype(np.float32))


def resample(
    srgb: Srgb, alpha: Alpha | None, *, height_px: int, width_px: int, keep_edges: bool, threads: int = 1
) -> tuple[Srgb, Alpha | None]:
    """A picture at another size, the same on any number of threads.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB
    alpha : uint8 (H, W) or None
        Colours count by their alpha, so that hidden ones don't bleed into visible ones.
    keep_edges : bool
        Enlarge by the nearest pixel, which makes no new colours, instead of bilinear.

    Returns
    -------
    uint8 (height_px, width_px, 3) and uint8 (height_px, width_px) or None
    """
    rows = find_taps(srgb.shape[0], height_px, keep_edges=keep_edges)
    columns = find_taps(srgb.shape[1], width_px, keep_edges=keep_edges)
    out = np.empty((height_px, width_px, 3), np.uint8)
    srgb, alpha = read_only(srgb), None if alpha is None else read_only(alpha)
    strips = row_strips(height_px, _STRIP_ROWS)
    if rows.weights.shape[1] == 1 and columns.weights.shape[1] == 1:
        run_all(_repeat, [(srgb, rows.first, columns.first, out, *strip) for strip in strips], threads)
        return out, None if alpha is None else np.ascontiguousarray(alpha[rows.first][:, columns.first])
    by_rows = (rows.first, rows.count, rows.weights)
    by_columns = (columns.first, columns.count, columns.weights)
    tables = (SRGB_TO_LINEAR, _TO_ENCODED)
    if alpha is None:
        flat_rows = srgb.reshape(srgb.shape[0], -1)
        run_all(_mix, [(flat_rows, *by_rows, *by_columns, *tables, out, *strip) for strip in strips], threads)
        return out, None
    out_alpha = np.empty((height_px, width_px), np.uint8)
    run_all(
        _mix_by_alpha,
        [(srgb, alpha, *by_rows, *by_columns, *tables, out, out_alpha, *strip) for strip in strips],
        threads,
    )
    return out, out_alpha


@njit(cache=True, nogil=True)
def _repeat(srgb, rows, columns, out, first, last):  # type: ignore[no-untyped-def]
    for y in range(first, last):
        if y > first and rows[y] == rows[y - 1]:
            out[y] = out[y - 1]
            continue
        for x in range(columns.size):
            for channel in range(3):
                out[y, x, channel] = srgb[rows[y], columns[x], channel]


@njit(cache=True, nogil=True, fastmath={"contract"})
def _mix(rows, y_first, y_count, y_weights, x_first, x_count, x_weights, light, encoded, out, first, last):  # type: ignore[no-untyped-def]
    """Fill out[first:last] from rows, uint8 (H, W * 3)."""
    samples = rows.shape[1]
    mixed = np.empty(samples, np.float32)
    linear = np.empty((2, samples), np.float32)  # of the row that each was last filled from, the even and the odd one
    filled = np.full(2, -1, np.int64)
    top = np.float32(encoded.size - 1)
    for y in range(first, last):
        if y_count[y] <= 2:  # enlarged, a row serves for many
            for row in range(y_first[y], y_first[y] + y_count[y]):
                if filled[row % 2] != row:
                    filled[row % 2] = row
                    to, source = linear[row % 2], rows[row]
                    for i in range(samples):
                        to[i] = light[source[i]]
            weight, to = y_weights[y, 0], linear[y_first[y] % 2]
            for i in range(samples):
                mixed[i] = weight * to[i]
            if y_count[y] == 2:
                weight, to = y_weights[y, 1], linear[(y_first[y] + 1) % 2]
                for i in range(samples):
                    mixed[i] += weight * to[i]
        else:
            mixed[:] = np.float32(0)
            for tap in range(y_count[y]):
                weight = y_weights[y, tap]
                row = rows[y_first[y] + tap]
                for i in range(samples):
                    mixed[i] += weight * light[row[i]]
        for x in range(x_first.size):
            red, green, blue = np.float32(0), np.float32(0), np.float32(0)
            i = 3 * x_first[x]
            for tap in range(x_count[x]):
                weight = x_weights[x, tap]
                red += weight * mixed[i]
                green += weight * mixed[i + 1]
                blue += weight * mixed[i + 2]
                i += 3
            out[y, x, 0] = encoded[int(min(np.float32(1), red) * top + np.float32(0.5))]
            out[y, x, 1] = encoded[int(min(np.float32(1), green) * top + np.float32(0.5))]
            out[y, x, 2] = encoded[int(min(np.float32(1), blue) * top + np.float32(0.5))]


@njit(cache=True, nogil=True)
def _mix_by_alpha(  # type: ignore[no-untyped-def]
    srgb, alpha, y_first, y_count, y_weights, x_first, x_count, x_weights, light, encoded, out, out_alpha, first, last
):
    """As `_mix`, with colours weighted by alpha; a wholly transparent pixel is black."""
    width = srgb.shape[1]
    mixed = np.empty((width, 4), np.float32)
    top = np.float32(encoded.size - 1)
    for y in range(first, last):
        mixed[:] = np.float32(0)
        for tap in range(y_count[y]):
            row = y_first[y] + tap
            for x in range(width):
                cover = y_weights[y, tap] * np.float32(alpha[row, x])
                mixed[x, 3] += cover
                for channel in range(3):
                    mixed[x, channel] += cover * light[srgb[row, x, channel]]
        for x in range(x_first.size):
            total = np.zeros(4, np.float32)
            for tap in range(x_count[x]):
                for channel in range(4):
                    total[channel] += x_weights[x, tap] * mixed[x_first[x] + tap, channel]
            out_alpha[y, x] = int(min(np.float32(255), total[3]) + np.float32(0.5))
            for channel in range(3):
                share = total[channel] / total[3] if total[3] > np.float32(0) else np.float32(0)
                out[y, x, channel] = encoded[int(min(np.float32(1), share) * top + np.float32(0.5))]
