"""Bytes of a photograph in, upright samples out, as the camera wrote them."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import ExifTags, Image, TiffImagePlugin

from worker.engine.arrays import Floats
from worker.engine.artwork.decode import Decoded, decode_samples, turn_upright
from worker.engine.artwork.file_format import FileFormat
from worker.engine.colorimetry import srgb_decoded
from worker.errors import ArtworkError, PhotographError

MAX_PIXELS = 200_000_000
READABLE = "JPEG, PNG or TIFF, 8 or 16 bits"

_FORMATS: tuple[FileFormat, ...] = ("PNG", "JPEG", "TIFF")
_EXPORT = "Export it from the raw program as a 16-bit TIFF without a tone curve, or as a JPEG, and give that."
# TIFF tags that only raw files have, and PhotometricInterpretation's values for sensor data (TIFF/EP, ISO 12234-2).
_RAW_TAGS, _PHOTOMETRIC, _SENSOR_DATA = (37398, 50706), 262, (32803, 34892)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CameraPicture:
    """A photograph.

    `samples` is uint8 or uint16 (H, W, 3), upright. An embedded ICC profile is left aside on purpose: converting by it
    would clip colours outside sRGB, and the chart says what the camera's values mean. `date` is as YYYY-MM-DD or empty.
    """

    name: str
    samples: npt.NDArray[Any]
    date: str = ""
    camera: str = ""

    @property
    def full_scale(self) -> int:
        """The highest code that a sample can have."""
        return int(np.iinfo(self.samples.dtype).max)

    def nominal_light(self) -> Floats:
        """float64 (full scale + 1,): the light 0 to 1 of every code, if its tone curve were that of sRGB."""
        return srgb_decoded(np.arange(self.full_scale + 1) / self.full_scale)


def read_picture(data: bytes, *, name: str) -> CameraPicture:
    """Decode a photograph.

    Parameters
    ----------
    data : bytes
        JPEG, PNG or TIFF, RGB, 8 or 16 bits a channel.
    name : str
        How errors name the photograph.

    Raises
    ------
    PhotographError
        It is a raw file, damaged, too large, in another format, grey or CMYK.
    """
    _refuse_raw(data, name)
    try:
        decoded = decode_samples(data, name=name, formats=_FORMATS, max_pixels=MAX_PIXELS)
    except ArtworkError as error:
        raise PhotographError(
            error.what, mend=f"Give the photograph as {READABLE}. If it is a raw file: {_EXPORT}"
        ) from error
    samples = turn_upright(_colours(decoded, name), decoded.orientation)
    samples.flags.writeable = False
    date, camera = _exif(data)
    return CameraPicture(name=name, samples=samples, date=date, camera=camera)


def _colours(decoded: Decoded, name: str) -> npt.NDArray[Any]:
    if decoded.space != "rgb":
        raise PhotographError(
            f"{name}: the picture is {decoded.space}, not RGB.", mend="Give the camera's colour picture, not converted."
        )
    return decoded.pixels[..., :3]


def _refuse_raw(data: bytes, name: str) -> None:
    if data[8:10] == b"CR" or any(_is_raw(tags) for tags in _tiff_directories(data)):
        raise PhotographError(f"{name}: the file holds raw sensor data, which is not read.", mend=_EXPORT)


def _is_raw(tags: TiffImagePlugin.ImageFileDirectory_v2) -> bool:
    return any(tag in tags for tag in _RAW_TAGS) or tags.get(_PHOTOMETRIC) in _SENSOR_DATA


def _tiff_directories(data: bytes) -> list[TiffImagePlugin.ImageFileDirectory_v2]:
    """The first directory of a TIFF, or none. What can't be read is the decoder's to report."""
    if data[:4] not in (b"II*\x00", b"MM\x00*"):
        return []
    try:
        directory = TiffImagePlugin.ImageFileDirectory_v2(data[:8])
        stream = io.BytesIO(data)
        stream.seek(directory.next)
        directory.load(stream)
    except Exception:
        return []
    return [directory]


def _exif(data: bytes) -> tuple[str, str]:
    """The day it was taken and the camera, as far as the file says (CIPA DC-008)."""
    try:
        with Image.open(io.BytesIO(data)) as picture:
            exif = picture.getexif()
    except Exception:  # a broken EXIF block costs the date, not the photograph
        return "", ""
    taken = exif.get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)
    maker, model = (_line(exif.get(tag)) for tag in (ExifTags.Base.Make, ExifTags.Base.Model))
    return _day(taken), model if model.startswith(maker) else f"{maker} {model}".strip()


def _line(value: object) -> str:
    return "".join(letter for letter in str(value or "") if letter.isprintable()).strip()[:100]


def _day(value: object) -> str:
    day = _line(value)[:10]
    digits = day.replace(":", "")
    return f"{digits[:4]}-{digits[4:6]}-{digits[6:]}" if len(digits) == 8 and digits.isdigit() else ""
