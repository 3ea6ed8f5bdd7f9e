"""Contrast: lightness stretched towards the finishes' range, against colour-science."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from tests.boards import board, lab_of
from tests.engine.open_pictures import photograph
from worker.engine.palette.contrast import lightness_line, stretch_lightness
from worker.engine.palette.histogram import histogram_of

D65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
LAB = lab_of(board("nocturne-gold"))


def test_the_line_takes_the_artworks_range_to_the_finishes() -> None:
    histogram = histogram_of(photograph("chelsea"))
    slope, offset = lightness_line(histogram, LAB, 1.0)
    lightness = np.repeat(histogram.lab[:, 0], histogram.counts)
    low, high = np.percentile(lightness, [0.5, 99.5])
    assert slope * low + offset == pytest.approx(LAB[:, 0].min(), abs=1.0)
    assert slope * high + offset == pytest.approx(LAB[:, 0].max(), abs=1.0)


def test_the_amount_goes_from_nothing_to_all() -> None:
    histogram = histogram_of(photograph("chelsea"))
    whole = np.array(lightness_line(histogram, LAB, 1.0))
    assert lightness_line(histogram, LAB, 0.0) == (1.0, 0.0)
    half = np.array(lightness_line(histogram, LAB, 0.5))
    np.testing.assert_allclose(half, (whole + np.array([1.0, 0.0])) / 2.0)


def test_art_of_one_lightness_is_left_alone() -> None:
    assert lightness_line(histogram_of(np.full((5, 5, 3), 90, np.uint8)), LAB, 1.0) == (1.0, 0.0)


@pytest.mark.parametrize(("slope", "offset"), [(1.0, 0.0), (0.7, 20.0), (1.4, -15.0), (0.5, 0.0)])
def test_lightness_is_stretched_and_the_hue_kept(slope: float, offset: float) -> None:
    srgb = np.ascontiguousarray(photograph("coffee")[::7, ::7])
    space = colour.RGB_COLOURSPACES["sRGB"].copy()
    space.use_derived_transformation_matrices(True)
    lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(srgb / 255.0, space, illuminant=D65, apply_cctf_decoding=True), D65)
    lab[..., 0] = np.clip(lab[..., 0] * slope + offset, 0.0, 100.0)
    linear = colour.XYZ_to_RGB(colour.Lab_to_XYZ(lab, D65), space, illuminant=D65)
    wanted = colour.models.eotf_inverse_sRGB(np.clip(linear, 0.0, 1.0)) * 255.0
    # Half a level of rounding, and as much for the table that encodes dark colours.
    assert np.abs(stretch_lightness(srgb, slope, offset) - wanted).max() < 1.0


def test_nothing_to_stretch_changes_nothing() -> None:
    srgb = photograph("astronaut")
    assert (np.abs(stretch_lightness(srgb, 1.0, 0.0).astype(int) - srgb) == 0).all()


def test_threads_change_nothing() -> None:
    srgb = photograph("rocket")
    assert stretch_lightness(srgb, 0.8, 5.0, threads=3).tobytes() == stretch_lightness(srgb, 0.8, 5.0).tobytes()
