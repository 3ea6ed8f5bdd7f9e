"""What the eye sees from a distance: S-CIELAB.

Source: Zhang and Wandell, "A spatial extension of CIELAB for digital color image reproduction", Journal of the
Society for Information Display 5 (1997): an opponent transform of XYZ (2 degree), for each opponent channel a weighted
sum of Gaussians exp(-(r/s)^2), each summing to 1, and CIELAB of the filtered picture; here with CIEDE2000 instead of
the CIELAB difference. The table below gives s in degrees and the weights, which are normalised to sum 1. (Another table
in circulation gives the full width at half maximum instead; read as s it would blur twice as much.)

A picture is looked at no finer than WORKING_PIXELS_PER_DEGREE, above which no channel passes anything: it is averaged
over blocks in linear light first, and what the averaging blurs is taken off the Gaussians' variance. Wide Gaussians
work on a reduced picture in the same way. Beyond its edges the picture is mirrored, edge pixel included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats
from worker.engine.colorimetry import D65_WHITE
from worker.engine.difference import ciede2000_pair, fast_squared, lab_f
from worker.engine.threads import row_strips, run_all

XYZ_TO_OPPONENT: Floats = np.array(
    [
        [0.2787336, 0.7218031, -0.1065520],
        [-0.4487736, 0.2898056, 0.0771569],
        [0.0859513, -0.5899859, 0.5011089],
    ]
)
"""XYZ (2 degree) to luminance, red-green, blue-yellow. The last entry of the red-green row is positive: white would
else be far from grey in it."""

GAUSSIANS: tuple[tuple[tuple[float, float], ...], ...] = (
    ((0.921, 0.0283), (0.105, 0.133), (-0.108, 4.336)),
    ((0.531, 0.0392), (0.330, 0.494)),
    ((0.488, 0.0536), (0.371, 0.386)),
)
"""(weight, s in degrees) of each Gaussian exp(-(r/s)^2), for luminance, red-green, blue-yellow."""

WORKING_PIXELS_PER_DEGREE = 80.0
FINEST_PIXELS_PER_DEGREE = 240.0
STEADY_BLOCKS = 100_000
"""With a tenth of them the 95th percentile of a board of 9 mm was 0.1 off, by which pixels the blocks' middles met."""
_REDUCED_SIGMA = 4.0
_REACH = 4.0


def pixels_per_degree(viewing_distance_mm: float, pitch_um: float) -> float:
    """How many pixels of this pitch one degree of the visual field spans, seen from this distance."""
    return math.pi * viewing_distance_mm / (180.0 * pitch_um / 1000.0)


def working_step(full_pixels_per_degree: float) -> int:
    """Side in pixels of the blocks that a picture of this resolution is averaged over."""
    return max(1, int(full_pixels_per_degree / WORKING_PIXELS_PER_DEGREE))


def steady_step(full_pixels_per_degree: float, pixels: int) -> int:
    """The same for a picture of so few pixels that percentiles of its blocks would be a draw: smaller blocks then."""
    finest = max(1, int(full_pixels_per_degree / FINEST_PIXELS_PER_DEGREE))
    return max(finest, min(working_step(full_pixels_per_degree), int(math.sqrt(pixels / STEADY_BLOCKS))))


def modulation_transfer(frequency: npt.ArrayLike, channel: int) -> Floats:
    """What a channel passes of a grating, by cycles per degree: sum of w exp(-(pi s f)^2), weights of sum 1."""
    f = np.asarray(frequency, dtype=np.float64)
    total = sum(weight for weight, _ in GAUSSIANS[channel])
    return np.asarray(sum(weight / total * np.exp(-((math.pi * s * f) ** 2)) for weight, s in GAUSSIANS[channel]))


def gaussian_taps(variance: float) -> Float32s:
    """Half of a Gaussian kernel, from its middle outwards, integrated over each pixel, of this total variance in px^2.

    float32 (r + 1,), summing to 1 when all but the first count twice. A Gaussian integrated over pixels has the
    Gaussian's variance plus 1/12, so that much is taken off; below that, the picture passes unchanged.
    """
    if variance <= 1.0 / 12.0 + 1e-9:
        return np.ones(1, dtype=np.float32)
    sigma = math.sqrt(variance - 1.0 / 12.0)
    radius = max(1, math.ceil(_REACH * sigma + 0.5))
    edges = (np.arange(radius + 2) - 0.5) / (sigma * math.sqrt(2.0))
    cumulated = np.array([math.erf(edge) for edge in edges])
    taps = np.diff(cumulated)
    taps /= taps[0] + 2.0 * taps[1:].sum()
    return taps.astype(np.float32)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz"})
def _blur_rows(plane, taps, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Blur rows first..last along x, mirrored at the ends."""
    width = plane.shape[1]
    radius = taps.shape[0] - 1
    padded = np.empty(width + 2 * radius, dtype=np.float32)
    period = 2 * width
    for y in range(first, last):
        for x in range(width):
            padded[radius + x] = plane[y, x]
        for r in range(1, radius + 1):
            left = (r - 1) % period
            padded[radius - r] = plane[y, left if left < width else period - 1 - left]
            right = (width - 1 + r) % period
            padded[radius + width - 1 + r] = plane[y, right if right < width else period - 1 - right]
        row = out[y]
        middle = taps[0]
        for x in range(width):
            row[x] = middle * padded[radius + x]
        for r in range(1, radius + 1):
            tap = taps[r]
            low = padded[radius - r : radius - r + width]
            high = padded[radius + r : radius + r + width]
            for x in range(width):
                row[x] += tap * (low[x] + high[x])


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz"})
def _blur_columns(plane, taps, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Blur rows first..last along y, mirrored at the ends."""
    height, width = plane.shape
    radius = taps.shape[0] - 1
    period = 2 * height
    for y in range(first, last):
        row = out[y]
        middle = taps[0]
        for x in range(width):
            row[x] = middle * plane[y, x]
        for r in range(1, radius + 1):
            above = (y - r) % period
            above = above if above < height else period - 1 - above
            below = (y + r) % period
            below = below if below < height else period - 1 - below
            tap = taps[r]
            low = plane[above]
            high = plane[below]
            for x in range(width):
                row[x] += tap * (low[x] + high[x])


def blur(plane: Float32s, variance_y: float, variance_x: float, *, threads: int = 1) -> Float32s:
    """A plane, float32 (h, w), blurred by a Gaussian of these variances in px^2, mirrored beyond its edges."""
    rows = row_strips(plane.shape[0], 64)
    across = np.empty_like(plane)
    taps_x, taps_y = gaussian_taps(variance_x), gaussian_taps(variance_y)
    run_all(lambda a, b: _blur_rows(plane, taps_x, a, b, across), rows, threads)
    if len(taps_y) == 1:
        return across
    out = np.empty_like(plane)
    run_all(lambda a, b: _blur_columns(across, taps_y, a, b, out), rows, threads)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _reduce_rows(plane, count, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Average each row over `count` equal cells, counting pixels cut by a cell's edge in part."""
    height, width = plane.shape
    size = width / count
    first = np.empty(count, dtype=np.int64)
    last = np.empty(count, dtype=np.int64)
    head = np.empty(count, dtype=np.float32)
    tail = np.empty(count, dtype=np.float32)
    for i in range(count):
        low, high = i * size, (i + 1) * size
        first[i], last[i] = int(low), min(math.ceil(high), width)
        # What of its first and of its last pixel lies outside the cell.
        head[i] = low - first[i]
        tail[i] = max(last[i] - high, 0.0)
    scale = np.float32(1.0 / size)
    for y in range(height):
        row = plane[y]
        for i in range(count):
            total = np.float32(0.0)
            for x in range(first[i], last[i]):
                total += row[x]
            out[y, i] = (total - head[i] * row[first[i]] - tail[i] * row[last[i] - 1]) * scale


@njit(cache=True, nogil=True, error_model="numpy")
def _reduce_columns(plane, count, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    height, width = plane.shape
    size = height / count
    for i in range(count):
        low, high = i * size, (i + 1) * size
        first, last = int(low), min(math.ceil(high), height)
        total = np.zeros(width)
        for y in range(first, last):
            weight = (min(high, y + 1.0) - max(low, float(y))) / size
            for x in range(width):
                total[x] += weight * plane[y, x]
        for x in range(width):
            out[i, x] = total[x]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_enlarged(small, weight, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Add `weight` times `small`, enlarged linearly, to rows first..last of `out`."""
    rows, columns = small.shape
    height, width = out.shape
    scale_y, scale_x = rows / height, columns / width
    left = np.empty(width, dtype=np.int32)
    right = np.empty(width, dtype=np.int32)
    part = np.empty(width, dtype=np.float32)
    for x in range(width):
        place = (x + 0.5) * scale_x - 0.5
        cell = math.floor(place)
        part[x] = place - cell
        left[x] = max(cell, 0)
        right[x] = min(cell + 1, columns - 1)
    mixed = np.empty(columns, dtype=np.float32)
    for y in range(first, last):
        place = (y + 0.5) * scale_y - 0.5
        cell = math.floor(place)
        fraction = np.float32(place - cell)
        above, below = max(cell, 0), min(cell + 1, rows - 1)
        for x in range(columns):
            mixed[x] = weight * (small[above, x] + fraction * (small[below, x] - small[above, x]))
        for x in range(width):
            low = mixed[left[x]]
            out[y, x] += low + part[x] * (mixed[right[x]] - low)


def _cells(length: int, sigma: float) -> int:
    """How many cells a side is reduced to before a wide Gaussian: none wider than sigma / _REDUCED_SIGMA."""
    return max(1, min(length, math.ceil(length * _REDUCED_SIGMA / sigma)))


def add_wide_blur(plane: Float32s, variance: float, weight: float, out: Float32s, *, threads: int = 1) -> None:
    """Add `weight` times the plane, blurred by a wide Gaussian of this variance in px^2, to `out`."""
    height, width = plane.shape
    sigma = math.sqrt(variance)
    rows, columns = _cells(height, sigma), _cells(width, sigma)
    narrow = np.empty((height, columns), dtype=np.float32)
    small = np.empty((rows, columns), dtype=np.float32)
    strips = row_strips(height, 64)
    run_all(lambda a, b: _reduce_rows(plane[a:b], columns, narrow[a:b]), strips, threads)
    _reduce_columns(narrow, rows, small)

    def left(length: int, count: int) -> float:
        size = length / count
        # Averaging over a cell adds 1/12 of its area, and linear enlarging 1/6, to the variance in cells.
        return variance / (size * size) - (0.25 if count < length else 0.0)

    small = blur(small, left(height, rows), left(width, columns))
    run_all(lambda a, b: _add_enlarged(small, np.float32(weight), a, b, out), strips, threads)


def block_variance(sigma: float, step: int) -> float:
    """The variance, in blocks^2, that a Gaussian of this sigma, in blocks, still has to add to block averages.

    Pixels, as squares of even light, add 1/12 of their own area; the average over `step` by `step` pixels has already
    added that of a block less that of a pixel.
    """
    full_pixel = 1.0 / step
    return sigma * sigma + full_pixel**2 / 12.0 - (1.0 - full_pixel**2) / 12.0


def filter_channel(plane: Float32s, channel: int, working_ppd: float, step: int, *, threads: int = 1) -> Float32s:
    """One opponent plane as the eye's channel passes it.

    Parameters
    ----------
    plane : float32 (h, w)
        Averaged over blocks of `step` by `step` pixels.
    working_ppd : float
        Blocks per degree.
    """
    total = sum(weight for weight, _ in GAUSSIANS[channel])
    out: Float32s | None = None
    for weight, s in GAUSSIANS[channel]:
        sigma = s / math.sqrt(2.0) * working_ppd
        variance = block_variance(sigma, step)
        share = weight / total
        if sigma <= 2.0 * _REDUCED_SIGMA or out is None:
            blurred = blur(plane, variance, variance, threads=threads)
            blurred *= np.float32(share)
            out = blurred if out is None else out + blurred
        else:
            add_wide_blur(plane, variance, share, out, threads=threads)
    assert out is not None
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenPicture:
    """A picture as the eye's channels pass it.

    planes : float32 (4, h, w), CIELAB and chroma. light : float32 (3, h, w), XYZ over the white, not clipped.
    """

    planes: Float32s
    light: Float32s


@njit(cache=True, nogil=True, error_model="numpy")
def _combine(planes, matrix, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """out[i] = sum_j matrix[i, j] planes[j], rows first..last."""
    for y in range(first, last):
        for i in range(3):
            a, b, c = matrix[i, 0], matrix[i, 1], matrix[i, 2]
            for x in range(planes.shape[2]):
                out[i, y, x] = a * planes[0, y, x] + b * planes[1, y, x] + c * planes[2, y, x]


@njit(cache=True, nogil=True, error_model="numpy")
def _to_lab(planes, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """CIELAB and chroma from planes of XYZ over the white, clipped at 0."""
    zero = np.float32(0.0)
    for y in range(first, last):
        # Plane by plane: loops over few arrays are run several pixels abreast.
        for i in range(3):
            light, f = planes[i, y], out[i, y]
            for x in range(light.shape[0]):
                f[x] = lab_f(max(light[x], zero))
        f_x, f_y, f_z, chroma = out[0, y], out[1, y], out[2, y], out[3, y]
        for x in range(f_x.shape[0]):
            a = np.float32(500.0) * (f_x[x] - f_y[x])
            b = np.float32(200.0) * (f_y[x] - f_z[x])
            f_x[x] = np.float32(116.0) * f_y[x] - np.float32(16.0)
            f_y[x] = a
            f_z[x] = b
            chroma[x] = np.sqrt(a * a + b * b)


def see(xyz: Float32s, *, working_ppd: float, step: int, threads: int = 1) -> SeenPicture:
    """A picture as the eye's channels pass it.

    Parameters
    ----------
    xyz : float32 (3, h, w)
        XYZ, Y of white 1, averaged over blocks of `step` by `step` pixels.
    working_ppd : float
        Blocks per degree.
    """
    strips = row_strips(xyz.shape[1], 64)
    opponent = np.empty_like(xyz)
    forward = XYZ_TO_OPPONENT.astype(np.float32)
    run_all(lambda a, b: _combine(xyz, forward, a, b, opponent), strips, threads)
    for channel in range(3):
        opponent[channel] = filter_channel(opponent[channel], channel, working_ppd, step, threads=threads)
    back = (np.linalg.inv(XYZ_TO_OPPONENT) / D65_WHITE[:, None]).astype(np.float32)
    ratios = np.empty_like(xyz)
    run_all(lambda a, b: _combine(opponent, back, a, b, ratios), strips, threads)
    lab = np.empty((4, *xyz.shape[1:]), dtype=np.float32)
    run_all(lambda a, b: _to_lab(ratios, a, b, lab), strips, threads)
    return SeenPicture(planes=lab, light=ratios)


@njit(cache=True, nogil=True, error_model="numpy")
def _differences(one, two, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first, last):
        for x in range(out.shape[1]):
            out[y, x] = fast_squared(
                one[0, y, x],
                one[1, y, x],
                one[2, y, x],
                one[3, y, x],
                two[0, y, x],
                two[1, y, x],
                two[2, y, x],
                two[3, y, x],
            )
        for x in range(out.shape[1]):
            if out[y, x] < np.float32(0.0):
                out[y, x] = ciede2000_pair(
                    one[0, y, x], one[1, y, x], one[2, y, x], two[0, y, x], two[1, y, x], two[2, y, x]
                )
            else:
                out[y, x] = np.sqrt(out[y, x])


def seen_difference(one: SeenPicture, two: SeenPicture, *, threads: int = 1) -> Float32s:
    """S-CIELAB: CIEDE2000 between two pictures as the eye's channels pass them, float32 (h, w)."""
    height, width = one.planes.shape[1:]
    out = np.empty((height, width), dtype=np.float32)
    run_all(lambda a, b: _differences(one.planes, two.planes, a, b, out), row_strips(height, 64), threads)
    return out
