"""Files of photographs: samples as the camera wrote them, upright, with day and camera."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageCms

from worker.engine.references.photograph.picture import read_picture

RANDOM = np.random.default_rng(5)
SAMPLES = RANDOM.integers(0, 256, (7, 11, 3), dtype=np.uint8)


def png(samples: np.ndarray = SAMPLES, **options: object) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(samples).save(stream, "PNG", **options)
    return stream.getvalue()


def test_samples_are_as_written() -> None:
    picture = read_picture(png(), name="x")
    assert np.array_equal(picture.samples, SAMPLES)
    assert picture.full_scale == 255 and picture.nominal_light().shape == (256,)


def test_sixteen_bits_stay_sixteen() -> None:
    import cv2

    samples = RANDOM.integers(0, 65536, (5, 6, 3), dtype=np.uint16)
    done, data = cv2.imencode(".tiff", samples[..., ::-1])
    assert done
    picture = read_picture(bytes(data), name="x")
    assert picture.samples.dtype == np.uint16 and np.array_equal(picture.samples, samples)
    assert picture.nominal_light()[-1] == 1.0


def test_an_embedded_profile_moves_nothing() -> None:
    """Converting would clip what lies outside sRGB; the chart tells what the values mean."""
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    assert np.array_equal(read_picture(png(icc_profile=lab.tobytes()), name="x").samples, SAMPLES)


@pytest.mark.parametrize(("orientation", "turn"), [(3, 2), (6, -1), (8, 1)])
def test_it_is_turned_upright(orientation: int, turn: int) -> None:
    """CIPA DC-008: 6 means that the top of the scene is at the right of the file."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    picture = read_picture(png(exif=exif), name="x")
    assert np.array_equal(picture.samples, np.rot90(SAMPLES, turn))


def test_day_and_camera_come_from_the_file() -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Invented Optics", "Box 3\n"
    exif.get_ifd(0x8769)[0x9003] = "2026:11:25 08:15:00"
    picture = read_picture(png(exif=exif), name="x")
    assert (picture.date, picture.camera) == ("2026-11-25", "Invented Optics Box 3")


@pytest.mark.parametrize("day", ["", "yesterday", "0000:00", "    :  :     :  :  "])
def test_a_day_that_is_none_is_left_out(day: str) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = day
    assert read_picture(png(exif=exif), name="x").date == ""
