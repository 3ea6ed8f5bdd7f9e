"""Embedded ICC profiles: from the artwork's own colours into encoded sRGB.

The intent is relative colorimetric with black point compensation: art is mostly colours inside sRGB, which this keeps
exact; paper white becomes white and the darkest ink black; and matrix profiles hold nothing else. Perceptual tables
move colours inside the gamut as well, each profile maker in another way.
"""

from __future__ import annotations

import io
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms

from worker.engine.arrays import Srgb

ColourSpace = Literal["grey", "rgb", "cmyk"]

INTENT = ImageCms.Intent.RELATIVE_COLORIMETRIC
FLAGS = ImageCms.Flags.BLACKPOINTCOMPENSATION | ImageCms.Flags.HIGHRESPRECALC

_MODES: dict[ColourSpace, str] = {"grey": "L", "rgb": "RGB", "cmyk": "CMYK"}
_SIGNATURES: dict[ColourSpace, str] = {"grey": "GRAY", "rgb": "RGB ", "cmyk": "CMYK"}
_STRIP_PX = 1 << 20


class BrokenProfile(Exception):
    """The profile can't be used; the text says why, and never leaves this room."""


def read_profile(icc: bytes, space: ColourSpace) -> ImageCms.ImageCmsProfile:
    """The profile, checked to describe this colour space. Raises BrokenProfile."""
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        signature = profile.profile.xcolor_space
    except (OSError, ImageCms.PyCMSError, TypeError, ValueError) as error:
        raise BrokenProfile("is broken") from error
    if signature != _SIGNATURES[space]:
        told = "".join(letter for letter in signature if letter.isprintable()).strip()
        raise BrokenProfile(f"is for {told or 'unknown'} colours, but the picture is {space}")
    return profile


def build_transform(icc: bytes, space: ColourSpace) -> ImageCms.ImageCmsTransform:
    """The transform of 8-bit pixels of this space into encoded sRGB. Raises BrokenProfile."""
    profile = read_profile(icc, space)
    try:
        return ImageCms.buildTransform(
            profile, ImageCms.createProfile("sRGB"), _MODES[space], "RGB", renderingIntent=INTENT, flags=FLAGS
        )
    except (OSError, ImageCms.PyCMSError, ValueError) as error:
        raise BrokenProfile("is broken") from error


def is_srgb(transform: ImageCms.ImageCmsTransform) -> bool:
    """Whether an RGB transform moves no colour of a 17 x 17 x 17 lattice by more than one level."""
    levels = np.linspace(0, 255, 17).round().astype(np.uint8)
    lattice = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), axis=-1).reshape(17, 289, 3)
    moved = np.asarray(_applied(transform, lattice, "RGB")).astype(np.int16) - lattice
    return int(np.abs(moved).max()) <= 1


def convert_by_profile(
    transform: ImageCms.ImageCmsTransform, pixels: npt.NDArray[np.uint8], space: ColourSpace
) -> Srgb:
    """uint8 (H, W) grey, (H, W, 3) RGB or (H, W, 4) CMYK pixels in encoded sRGB."""
    height, width = pixels.shape[:2]
    srgb = np.empty((height, width, 3), np.uint8)
    rows = max(1, _STRIP_PX // width)
    for top in range(0, height, rows):
        srgb[top : top + rows] = _applied(transform, pixels[top : top + rows], _MODES[space])
    return srgb


def _applied(transform: ImageCms.ImageCmsTransform, pixels: npt.NDArray[np.uint8], mode: str) -> Any:
    picture = Image.frombytes(mode, (pixels.shape[1], pixels.shape[0]), np.ascontiguousarray(pixels).tobytes())
    return ImageCms.applyTransform(picture, transform)
