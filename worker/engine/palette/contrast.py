"""Contrast: the artwork's lightness stretched towards the range that the finishes span, before assignment."""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.arrays import Floats, Srgb, read_only
from worker.engine.colorimetry import D65_WHITE, LINEAR_RGB_TO_XYZ, LINEAR_TO_SRGB, SRGB_TO_LINEAR, XYZ_TO_LINEAR_RGB
from worker.engine.palette.histogram import Histogram
from worker.engine.threads import row_strips, run_all


def lightness_line(histogram: Histogram, lab: Floats, amount: float) -> tuple[float, float]:
    """Slope and offset of the new lightness over the old.

    The artwork's lightness from the 0.5th to the 99.5th percentile goes to the range of the finishes' lightness,
    `lab` float64 (n, 3), by `amount`: 0 leaves it as it is, 1 goes all the way.
    """
    order = np.argsort(histogram.lab[:, 0], kind="stable")
    lightness = histogram.lab[order, 0]
    share = np.cumsum(histogram.counts[order]) / histogram.pixels
    low, high = (float(lightness[min(np.searchsorted(share, p), len(share) - 1)]) for p in (0.005, 0.995))
    if high - low < 1e-6:
        return 1.0, 0.0
    to_low, to_high = float(lab[:, 0].min()), float(lab[:, 0].max())
    slope = (to_high - to_low) / (high - low)
    return 1.0 + amount * (slope - 1.0), amount * (to_low - slope * low)


@njit(cache=True, nogil=True, error_model="numpy")
def _stretch(srgb, to_linear, forward, back, encoded, slope, offset, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    d = 6.0 / 29.0
    last_colour = np.int64(-1)
    r_out = g_out = b_out = np.uint8(0)
    for y in range(first, last):
        for x in range(srgb.shape[1]):
            r, g, b = np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2])
            colour = (r << 16) | (g << 8) | b
            if colour != last_colour:
                last_colour = colour
                lr, lg, lb = to_linear[r], to_linear[g], to_linear[b]
                t = forward[0, 0] * lr + forward[0, 1] * lg + forward[0, 2] * lb
                f_x = np.cbrt(t) if t > d**3 else t / (3 * d * d) + 4.0 / 29.0
                t = forward[1, 0] * lr + forward[1, 1] * lg + forward[1, 2] * lb
                f_y = np.cbrt(t) if t > d**3 else t / (3 * d * d) + 4.0 / 29.0
                t = forward[2, 0] * lr + forward[2, 1] * lg + forward[2, 2] * lb
                f_z = np.cbrt(t) if t > d**3 else t / (3 * d * d) + 4.0 / 29.0
                new = min(max((116.0 * f_y - 16.0) * slope + offset, 0.0), 100.0)
                n_y = (new + 16.0) / 116.0
                n_x = n_y + (f_x - f_y)
                n_z = n_y + (f_z - f_y)
                x_r = n_x**3 if n_x > d else 3 * d * d * (n_x - 4.0 / 29.0)
                y_r = n_y**3 if n_y > d else 3 * d * d * (n_y - 4.0 / 29.0)
                z_r = n_z**3 if n_z > d else 3 * d * d * (n_z - 4.0 / 29.0)
                top = encoded.shape[0] - 1
                v = back[0, 0] * x_r + back[0, 1] * y_r + back[0, 2] * z_r
                r_out = encoded[np.int64(min(max(v, 0.0), 1.0) * top + 0.5)]
                v = back[1, 0] * x_r + back[1, 1] * y_r + back[1, 2] * z_r
                g_out = encoded[np.int64(min(max(v, 0.0), 1.0) * top + 0.5)]
                v = back[2, 0] * x_r + back[2, 1] * y_r + back[2, 2] * z_r
                b_out = encoded[np.int64(min(max(v, 0.0), 1.0) * top + 0.5)]
            out[y, x, 0] = r_out
            out[y, x, 1] = g_out
            out[y, x, 2] = b_out


def stretch_lightness(srgb: Srgb, slope: float, offset: float, *, threads: int = 1) -> Srgb:
    """The picture, uint8 (H, W, 3) encoded sRGB, with L* taken to slope L* + offset, a* and b* kept.

    Clipped to L* 0 to 100 and to the sRGB gamut, channel by channel in linear light.
    """
    out = np.empty_like(srgb)
    forward = np.ascontiguousarray(LINEAR_RGB_TO_XYZ / D65_WHITE[:, None])
    back = np.ascontiguousarray(XYZ_TO_LINEAR_RGB * D65_WHITE[None, :])
    linear = SRGB_TO_LINEAR.astype(np.float64)
    srgb = read_only(srgb)
    run_all(
        lambda a, b: _stretch(srgb, linear, forward, back, LINEAR_TO_SRGB, slope, offset, a, b, out),
        row_strips(srgb.shape[0], 64),
        threads,
    )
    return out
