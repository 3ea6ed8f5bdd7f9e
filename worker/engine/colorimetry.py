"""Colour spaces and white points, on arrays, in float64.

Every function takes and gives arrays of shape (..., 3). XYZ is scaled so that the white has Y = 1.

Sources: IEC 61966-2-1:1999 (sRGB); ISO/CIE 11664-4:2019 (CIELAB); DIN 6176 and Cui, Luo, Rigg, Roesler and Witt,
"Uniform colour spaces based on the DIN99 colour-difference formula", Color Research and Application 27 (2002)
(DIN99d); Lam (1985), as in CIE 160:2004 (Bradford adaptation).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Float32s, Floats

D65_XY = (0.3127, 0.3290)
"""Chromaticity of the sRGB white, IEC 61966-2-1."""


def _rgb_to_xyz_matrix() -> Floats:
    """Linear sRGB to XYZ from the primaries and the white of IEC 61966-2-1, to full precision."""
    xy = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])
    primaries = np.column_stack([xy[:, 0] / xy[:, 1], np.ones(3), (1.0 - xy.sum(axis=1)) / xy[:, 1]]).T
    white = xy_to_xyz(D65_XY)
    return np.asarray(primaries * np.linalg.solve(primaries, white), dtype=np.float64)


def xy_to_xyz(xy: tuple[float, float]) -> Floats:
    """XYZ with Y = 1 of a chromaticity (x, y)."""
    x, y = xy
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


D65_WHITE = xy_to_xyz(D65_XY)
LINEAR_RGB_TO_XYZ = _rgb_to_xyz_matrix()
XYZ_TO_LINEAR_RGB: Floats = np.asarray(np.linalg.inv(LINEAR_RGB_TO_XYZ), dtype=np.float64)

BRADFORD: Floats = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def srgb_decoded(encoded: npt.ArrayLike) -> Floats:
    """Linear light 0 to 1 from encoded sRGB 0 to 1 (IEC 61966-2-1)."""
    value = np.asarray(encoded, dtype=np.float64)
    return np.where(value <= 0.04045, value / 12.92, ((np.maximum(value, 0.04045) + 0.055) / 1.055) ** 2.4)


def srgb_encoded(linear: npt.ArrayLike) -> Floats:
    """Encoded sRGB 0 to 1 from linear light 0 to 1, clipped to that range (IEC 61966-2-1)."""
    value = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.where(value <= 0.0031308, value * 12.92, 1.055 * np.maximum(value, 0.0031308) ** (1 / 2.4) - 0.055)


SRGB_TO_LINEAR: Float32s = srgb_decoded(np.arange(256) / 255.0).astype(np.float32)
"""float32 (256,): linear light 0 to 1 of each encoded value."""
SRGB_TO_LINEAR.setflags(write=False)

LINEAR_TO_SRGB: npt.NDArray[np.uint8] = np.rint(srgb_encoded(np.arange(1 << 14) / ((1 << 14) - 1)) * 255.0).astype(
    np.uint8
)
"""uint8 (2^14,): encoded value of linear light, in even steps from 0 to 1."""
LINEAR_TO_SRGB.setflags(write=False)


def white_ratios() -> Floats:
    """What each encoded value of each channel adds to X, Y and Z over the D65 white: float64 (256, 3, 3)."""
    return np.ascontiguousarray(
        srgb_decoded(np.arange(256) / 255.0)[:, None, None] * LINEAR_RGB_TO_XYZ.T[None] / D65_WHITE
    )


def linear_rgb_to_xyz(linear_rgb: npt.ArrayLike) -> Floats:
    """XYZ (D65, Y of white 1) from linear sRGB 0 to 1."""
    return np.asarray(np.asarray(linear_rgb, dtype=np.float64) @ LINEAR_RGB_TO_XYZ.T)


def xyz_to_linear_rgb(xyz: npt.ArrayLike) -> Floats:
    """Linear sRGB (not clipped) from XYZ (D65, Y of white 1)."""
    return np.asarray(np.asarray(xyz, dtype=np.float64) @ XYZ_TO_LINEAR_RGB.T)


def xyz_to_lab(xyz: npt.ArrayLike, white: npt.ArrayLike = D65_WHITE) -> Floats:
    """CIELAB from XYZ, ISO/CIE 11664-4."""
    ratio = np.asarray(xyz, dtype=np.float64) / np.asarray(white, dtype=np.float64)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def lab_to_xyz(lab: npt.ArrayLike, white: npt.ArrayLike = D65_WHITE) -> Floats:
    """XYZ from CIELAB, ISO/CIE 11664-4."""
    value = np.asarray(lab, dtype=np.float64)
    fy = (value[..., 0] + 16) / 116
    f = np.stack([fy + value[..., 1] / 500, fy, fy - value[..., 2] / 200], axis=-1)
    ratio = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    return np.asarray(ratio * np.asarray(white, dtype=np.float64))


def srgb_to_lab(srgb: npt.ArrayLike) -> Floats:
    """CIELAB (D65/2 degree) from encoded sRGB, 0 to 255."""
    return xyz_to_lab(linear_rgb_to_xyz(srgb_decoded(np.asarray(srgb, dtype=np.float64) / 255.0)))


def lab_to_srgb(lab: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """Encoded sRGB uint8 of CIELAB (D65/2 degree), clipped to the sRGB gamut."""
    return np.rint(srgb_encoded(xyz_to_linear_rgb(lab_to_xyz(lab))) * 255.0).astype(np.uint8)


def lab_to_din99d(lab: npt.ArrayLike) -> Floats:
    """DIN99d from CIELAB (D65/2 degree).

    DIN99d first turns X into 1.12 X - 0.12 Z, so it starts from XYZ again (Cui et al. 2002).
    """
    xyz = lab_to_xyz(lab)
    white = D65_WHITE
    turned_xyz = np.stack([1.12 * xyz[..., 0] - 0.12 * xyz[..., 2], xyz[..., 1], xyz[..., 2]], axis=-1)
    turned_white = np.array([1.12 * white[0] - 0.12 * white[2], white[1], white[2]])
    turned = xyz_to_lab(turned_xyz, turned_white)
    lightness, a, b = turned[..., 0], turned[..., 1], turned[..., 2]
    cos50, sin50 = np.cos(np.deg2rad(50.0)), np.sin(np.deg2rad(50.0))
    e = a * cos50 + b * sin50
    f = 1.14 * (b * cos50 - a * sin50)
    chroma = 22.5 * np.log1p(0.06 * np.hypot(e, f))
    hue = np.arctan2(f, e) + np.deg2rad(50.0)
    return np.stack([325.22 * np.log1p(0.0036 * lightness), chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)


def adapt_xyz(xyz: npt.ArrayLike, white_from: npt.ArrayLike, white_to: npt.ArrayLike) -> Floats:
    """XYZ under another white by linear Bradford adaptation."""
    scale = (BRADFORD @ np.asarray(white_to)) / (BRADFORD @ np.asarray(white_from))
    matrix = np.linalg.inv(BRADFORD) @ (scale[:, None] * BRADFORD)
    return np.asarray(np.asarray(xyz, dtype=np.float64) @ matrix.T)
