"""The colours of an error map: from dark (no error) to light (a large one), in steps that look alike.

The scale is fixed, so that maps of different jobs can be compared by eye.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from worker.engine.arrays import Float32s, Floats, Labels, Srgb
from worker.engine.colorimetry import lab_to_srgb, lab_to_xyz, xyz_to_linear_rgb

LARGEST = 20.0
"""CIEDE2000 at the light end; larger errors look the same."""

COLOURS = 240
GREYS = 16
"""Indices 240 to 255 are greys from black to white, for captions and for what is outside the board."""
WHITE_INDEX = COLOURS + GREYS - 1
OUTSIDE_INDEX = COLOURS + 11
"""A grey that can't be taken for the light end of the scale."""

_LIGHTNESS = (8.0, 97.0)
_HUE_DEGREES = (280.0, 460.0)
_MOST_CHROMA = 62.0
_SHARE_OF_GAMUT = 0.9


@cache
def scale_palette() -> Srgb:
    """uint8 (256, 3), encoded sRGB, read-only: 240 colours of the scale, then 16 greys.

    L* rises evenly from 8 to 97 while the hue turns from blue by red to yellow, with as much chroma as sRGB holds.
    """
    lightness = np.linspace(*_LIGHTNESS, COLOURS)
    hue = np.deg2rad(np.linspace(*_HUE_DEGREES, COLOURS))
    chroma = np.minimum(_SHARE_OF_GAMUT * _gamut_chroma(lightness, hue), _MOST_CHROMA)
    colours = lab_to_srgb(np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1))
    greys = np.repeat(np.linspace(0, 255, GREYS).astype(np.uint8)[:, None], 3, axis=1)
    palette = np.concatenate([colours, greys])
    palette.setflags(write=False)
    return palette


def _gamut_chroma(lightness: Floats, hue: Floats) -> Floats:
    """The largest CIELAB chroma that sRGB holds at each lightness and hue (radians), by bisection."""
    low, high = np.zeros_like(lightness), np.full_like(lightness, 150.0)
    for _ in range(24):
        chroma = (low + high) / 2
        rgb = xyz_to_linear_rgb(lab_to_xyz(np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)))
        inside = ((rgb >= 0.0) & (rgb <= 1.0)).all(axis=-1)
        low, high = np.where(inside, chroma, low), np.where(inside, high, chroma)
    return low


def scale_indices(values: Float32s) -> Labels:
    """uint8 index into `scale_palette` of each error; NaN, which stands outside the board, becomes grey."""
    outside = np.isnan(values)
    steps = np.clip(np.where(outside, 0.0, values) * ((COLOURS - 1) / LARGEST) + 0.5, 0.0, COLOURS - 1).astype(np.uint8)
    return np.where(outside, np.uint8(OUTSIDE_INDEX), steps)
