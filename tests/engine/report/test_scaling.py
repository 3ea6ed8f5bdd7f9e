"""Scaling for the glance: against OpenCV's area interpolation and colour-science's sRGB curve."""

from __future__ import annotations

import colour
import cv2
import numpy as np
import numpy.typing as npt
import pytest
from skimage.transform import downscale_local_mean

from worker.engine.report.scaling import enlarge, shrink_labels, shrink_map

COLOURS = np.random.default_rng(7).integers(0, 256, (256, 3), dtype=np.uint8)


def light_of(srgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    return np.asarray(colour.cctf_decoding(srgb / 255.0, function="sRGB"))


def levels_of(light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(colour.cctf_encoding(light, function="sRGB")) * 255.0


@pytest.mark.parametrize(("shape", "wanted"), [((37, 53), (11, 20)), ((64, 64), (64, 64)), ((90, 1), (7, 1))])
@pytest.mark.parametrize("threads", [1, 2])
def test_labels_shrink_as_light_mixes(shape: tuple[int, int], wanted: tuple[int, int], threads: int) -> None:
    labels = np.random.default_rng(1).choice(np.array([0, 1, 2, 255], np.uint8), shape)
    got = shrink_labels(labels, COLOURS, height_px=wanted[0], width_px=wanted[1], threads=threads)
    light = light_of(COLOURS[labels]).astype(np.float32)
    outside = levels_of(cv2.resize(light, (wanted[1], wanted[0]), interpolation=cv2.INTER_AREA))
    assert np.abs(got - outside).max() < 0.51


def test_a_checkerboard_of_black_and_white_is_half_the_light() -> None:
    """Half the light of white is level 188 in sRGB: 255 * (1.055 * 0.5 ** (1 / 2.4) - 0.055), IEC 61966-2-1."""
    colours = np.zeros((256, 3), np.uint8)
    colours[1] = 255
    labels = (np.indices((8, 8)).sum(axis=0) % 2).astype(np.uint8)
    assert (shrink_labels(labels, colours, height_px=2, width_px=2) == 188).all()


def test_a_map_shrinks_to_the_mean_of_its_cells() -> None:
    values = np.random.default_rng(3).random((12, 20), dtype=np.float32)
    got = shrink_map(values, height_px=3, width_px=4)
    assert got == pytest.approx(downscale_local_mean(values, (4, 5)), rel=1e-5)


def test_what_is_outside_does_not_count_in_a_map() -> None:
    values = np.array([[1.0, np.nan, np.nan, np.nan], [3.0, np.nan, np.nan, np.nan]], dtype=np.float32)
    got = shrink_map(values, height_px=1, width_px=2)
    assert got[0, 0] == 2.0
    assert np.isnan(got[0, 1])


def test_enlarging_repeats_pixels() -> None:
    pixels = np.array([[1, 2], [3, 4]], np.uint8)
    assert (enlarge(pixels, 3) == np.kron(pixels, np.ones((3, 3), np.uint8))).all()
    assert enlarge(pixels, 1) is pixels
