"""An artwork as coarse samples of CIELAB in bytes: lightness in 255ths of 100, a* and b* with 128 added."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Srgb, read_only
from worker.engine.colorimetry import white_ratios
from worker.engine.difference import lab_f
from worker.engine.threads import row_strips, run_all

Planes = npt.NDArray[np.uint8]
"""uint8 (3, height, width), CIELAB in bytes."""

_F = np.float32
_STRIP_ROWS = 32


def lab_samples(srgb: Srgb, step: int, pad: int, *, threads: int = 1) -> Planes:
    """The mean colours of squares of `step` pixels, with `pad` samples more on all sides, which repeat the outermost.

    What is left of a square at the right or the bottom counts for nothing, unless there is no whole one.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB; means are of its values as they stand.
    """
    height, width = (max(1, length // step) for length in srgb.shape[:2])
    planes = np.empty((3, height + 2 * pad, width + 2 * pad), dtype=np.uint8)
    ratios = white_ratios().astype(np.float32)
    run_all(
        lambda first, last: _fill(read_only(srgb), step, pad, ratios, first, last, planes),
        row_strips(height, _STRIP_ROWS),
        threads,
    )
    planes[:, pad:-pad, :pad] = planes[:, pad:-pad, pad, None]
    planes[:, pad:-pad, -pad:] = planes[:, pad:-pad, -pad - 1, None]
    planes[:, :pad], planes[:, -pad:] = planes[:, None, pad], planes[:, None, -pad - 1]
    return planes


def lab_of_pixels(srgb: Srgb) -> Float32s:
    """CIELAB, float32 (..., 3), of pixels, uint8 (..., 3)."""
    pixels = np.ascontiguousarray(srgb).reshape(-1, 3)
    out = np.empty((3, len(pixels)), dtype=np.float32)
    _fill_lab(pixels, white_ratios().astype(np.float32), out)
    return np.ascontiguousarray(out.T).reshape(srgb.shape)


def lab_of_coded(coded: Planes) -> Float32s:
    """CIELAB, float32 (m, 3), of samples in bytes, uint8 (m, 3)."""
    zero, scale = np.array([[0.0, 128.0, 128.0], [100.0 / 255.0, 1.0, 1.0]], dtype=np.float32)
    return np.asarray((coded.astype(np.float32) - zero) * scale)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _to_lab(f):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """CIELAB, in place, of ratios to the white, float32 (3, m)."""
    # Plane by plane: loops over few arrays are run several pixels abreast.
    f_x, f_y, f_z = f[0], f[1], f[2]
    for i in range(f_x.shape[0]):
        f_x[i] = lab_f(f_x[i])
    for i in range(f_x.shape[0]):
        f_y[i] = lab_f(f_y[i])
    for i in range(f_x.shape[0]):
        f_z[i] = lab_f(f_z[i])
    for i in range(f_x.shape[0]):
        x, y, z = f_x[i], f_y[i], f_z[i]
        f_x[i], f_y[i], f_z[i] = _F(116.0) * y - _F(16.0), _F(500.0) * (x - y), _F(200.0) * (y - z)


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_lab(pixels, ratios, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for i in range(pixels.shape[0]):
        for k in range(3):
            out[k, i] = ratios[pixels[i, 0], 0, k] + ratios[pixels[i, 1], 1, k] + ratios[pixels[i, 2], 2, k]
    _to_lab(out)


@njit(cache=True, nogil=True, error_model="numpy")
def _fill(srgb, step, pad, ratios, first, last, planes):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Rows first..last of the samples; those beyond the picture's edges are not filled."""
    width = planes.shape[2] - 2 * pad
    down, right = min(step, srgb.shape[0]), min(step, srgb.shape[1])
    count, half = np.uint32(down * right), np.uint32(down * right // 2)
    sums = np.empty((width, 3), dtype=np.uint32)
    lab = np.empty((3, width), dtype=np.float32)
    for row in range(first, last):
        sums[:] = half
        for y in range(row * step, row * step + down):
            pixels = srgb[y]
            for x in range(width):
                for u in range(x * step, x * step + right):
                    sums[x, 0] += pixels[u, 0]
                    sums[x, 1] += pixels[u, 1]
                    sums[x, 2] += pixels[u, 2]
        for x in range(width):
            red, green, blue = sums[x, 0] // count, sums[x, 1] // count, sums[x, 2] // count
            for k in range(3):
                lab[k, x] = ratios[red, 0, k] + ratios[green, 1, k] + ratios[blue, 2, k]
        _to_lab(lab)
        for k in range(3):
            scale, zero = (_F(2.55), _F(0.5)) if k == 0 else (_F(1.0), _F(128.5))
            out, values = planes[k, row + pad, pad : pad + width], lab[k]
            for x in range(width):
                out[x] = np.uint8(min(max(values[x] * scale + zero, _F(0.0)), _F(255.0)))
