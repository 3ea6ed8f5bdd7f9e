"""A second S-CIELAB, written from the published constants, at full resolution and in float64.

Zhang and Wandell, "A spatial extension of CIELAB for digital color image reproduction", Journal of the Society for
Information Display 5 (1997), with the constants of the authors' public implementation: per opponent channel, Gaussians
exp(-(r/s)^2) of these weights and s in degrees, each of sum 1, and the weights scaled to sum 1. Kernels are integrated
over pixels, the picture is mirrored at its edges, edge pixel included, and colour-science does the rest: CIELAB and
CIEDE2000.

A convolution of a picture mirrored that way is a product in the cosine domain (DCT-II), so that even a kernel far wider
than the picture is exact; `direct_filter` does the same with scipy.ndimage, for small pictures.
"""

from __future__ import annotations

from functools import cache

import colour
import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.ndimage
import scipy.special

Floats = npt.NDArray[np.float64]

OPPONENT = np.array(
    [[0.2787336, 0.7218031, -0.1065520], [-0.4487736, 0.2898056, 0.0771569], [0.0859513, -0.5899859, 0.5011089]]
)
KERNELS = [
    [(0.921, 0.0283), (0.105, 0.133), (-0.108, 4.336)],
    [(0.531, 0.0392), (0.330, 0.494)],
    [(0.488, 0.0536), (0.371, 0.386)],
]
D65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]


def half_kernel(s: float, pixels_per_degree: float, *, reach: float = 6.0) -> Floats:
    """A Gaussian integrated over pixels, from the middle one outwards, of sum 1 with its mirrored half."""
    width = s * pixels_per_degree
    edges = np.arange(int(np.ceil(reach * width)) + 2) - 0.5
    half = np.diff(scipy.special.erf(edges / width)) / 2.0
    return np.asarray(half / (half[0] + 2.0 * half[1:].sum()))


@cache
def transfer(s: float, pixels_per_degree: float, length: int) -> Floats:
    """What the kernel of `half_kernel` passes of each cosine of a side of `length` pixels."""
    half = half_kernel(s, pixels_per_degree)
    phase = np.pi * np.arange(length) / length
    waves = np.cos(np.outer(phase, np.arange(1, len(half))))
    return np.asarray(half[0] + 2.0 * (waves @ half[1:]))


def filter_channel(plane: Floats, kernel: list[tuple[float, float]], pixels_per_degree: float) -> Floats:
    total = sum(weight for weight, _ in kernel)
    passed = np.zeros(plane.shape)
    for weight, s in kernel:
        rows, columns = (transfer(s, pixels_per_degree, length) for length in plane.shape)
        passed += weight / total * np.outer(rows, columns)
    spectrum = scipy.fft.dctn(plane, norm="ortho") * passed
    return np.asarray(scipy.fft.idctn(spectrum, norm="ortho"))


def direct_filter(plane: Floats, kernel: list[tuple[float, float]], pixels_per_degree: float) -> Floats:
    total = sum(weight for weight, _ in kernel)
    out = np.zeros(plane.shape)
    for weight, s in kernel:
        half = half_kernel(s, pixels_per_degree)
        whole = np.concatenate([half[:0:-1], half])
        blurred = scipy.ndimage.correlate1d(plane, whole, axis=0, mode="reflect")
        out += weight / total * scipy.ndimage.correlate1d(blurred, whole, axis=1, mode="reflect")
    return out


def seen_lab(xyz: Floats, pixels_per_degree: float) -> Floats:
    """CIELAB (H, W, 3) of a picture in XYZ (H, W, 3), Y of white 1, as the eye's channels pass it."""
    opponent = xyz @ OPPONENT.T
    seen = np.stack([filter_channel(opponent[..., i], KERNELS[i], pixels_per_degree) for i in range(3)], axis=-1)
    return np.asarray(colour.XYZ_to_Lab(np.maximum(seen @ np.linalg.inv(OPPONENT).T, 0.0), D65))


def s_cielab(one: Floats, two: Floats, pixels_per_degree: float) -> Floats:
    """The difference of two pictures in XYZ at every pixel, (H, W)."""
    return np.asarray(
        colour.delta_E(seen_lab(one, pixels_per_degree), seen_lab(two, pixels_per_degree), method="CIE 2000")
    )


def statistics_of(values: Floats) -> dict[str, float]:
    """Mean, median, 95th percentile (linear interpolation) and maximum, by numpy."""
    return {
        "mean": float(values.mean()),
        "median": float(np.median(values)),
        "p95": float(np.percentile(values, 95.0)),
        "max": float(values.max()),
    }


def xyz_of_srgb(srgb: npt.NDArray[np.uint8]) -> Floats:
    """XYZ of encoded sRGB 0 to 255, by colour-science, with matrices derived from the primaries."""
    space = colour.RGB_COLOURSPACES["sRGB"].copy()
    space.use_derived_transformation_matrices(True)
    return np.asarray(colour.RGB_to_XYZ(srgb / 255.0, space, illuminant=D65, apply_cctf_decoding=True))
