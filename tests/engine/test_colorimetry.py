"""Every colour space against colour-science.

colour-science rounds the sRGB matrices to four digits, as IEC 61966-2-1 prints them; ours follow from the standard's
primaries and white to full precision. So we check against colour-science twice: with the matrices that it derives from
the same primaries, tightly; and with the printed ones, where 0.03 in CIELAB is what their rounding makes (0.023
measured, beside the red primary).
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.engine.colorimetry import (
    D65_WHITE,
    LINEAR_RGB_TO_XYZ,
    SRGB_TO_LINEAR,
    adapt_xyz,
    lab_to_din99d,
    lab_to_srgb,
    lab_to_xyz,
    linear_rgb_to_xyz,
    srgb_decoded,
    srgb_encoded,
    srgb_to_lab,
    xy_to_xyz,
    xyz_to_lab,
    xyz_to_linear_rgb,
)

RNG = np.random.default_rng(11)
SRGB = RNG.integers(0, 256, (5000, 3))
SRGB[:8] = np.array(np.meshgrid([0, 255], [0, 255], [0, 255])).reshape(3, -1).T
LAB = np.column_stack([RNG.uniform(0, 100, 5000), RNG.uniform(-100, 100, (5000, 2))])
OBSERVER_NAMES = {"2": "CIE 1931 2 Degree Standard Observer", "10": "CIE 1964 10 Degree Standard Observer"}
D65 = colour.CCS_ILLUMINANTS[OBSERVER_NAMES["2"]]["D65"]


def derived_srgb() -> colour.RGB_Colourspace:
    """colour-science's sRGB with matrices from the primaries, not from the standard's rounded print."""
    space = colour.RGB_COLOURSPACES["sRGB"].copy()
    space.use_derived_transformation_matrices(True)
    return space


def test_the_transfer_function_is_that_of_srgb() -> None:
    encoded = np.linspace(0.0, 1.0, 4097)
    # At the joint of its two pieces the standard's rounded threshold leaves 3e-8.
    np.testing.assert_allclose(srgb_decoded(encoded), colour.models.eotf_sRGB(encoded), atol=1e-7)
    np.testing.assert_allclose(srgb_encoded(encoded), colour.models.eotf_inverse_sRGB(encoded), atol=1e-6)
    np.testing.assert_allclose(SRGB_TO_LINEAR, colour.models.eotf_sRGB(np.arange(256) / 255), rtol=1e-6)


def test_encoding_undoes_decoding_and_clips() -> None:
    codes = np.arange(256) / 255.0
    np.testing.assert_allclose(srgb_encoded(srgb_decoded(codes)), codes, atol=1e-12)
    assert srgb_encoded([-0.5, 1.5]).tolist() == pytest.approx([0.0, 1.0], abs=1e-12)


def test_the_matrix_follows_from_the_primaries() -> None:
    np.testing.assert_allclose(LINEAR_RGB_TO_XYZ, derived_srgb().matrix_RGB_to_XYZ, atol=1e-12)
    # As IEC 61966-2-1 prints it, to four digits.
    printed = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    np.testing.assert_allclose(LINEAR_RGB_TO_XYZ, printed, atol=6e-5)
    np.testing.assert_allclose(linear_rgb_to_xyz([1.0, 1.0, 1.0]), D65_WHITE, atol=1e-12)


def test_srgb_to_lab() -> None:
    tight = colour.XYZ_to_Lab(
        colour.RGB_to_XYZ(SRGB / 255.0, derived_srgb(), apply_cctf_decoding=True, illuminant=D65), D65
    )
    np.testing.assert_allclose(srgb_to_lab(SRGB), tight, atol=2e-5)
    printed = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(SRGB / 255.0), D65)
    np.testing.assert_allclose(srgb_to_lab(SRGB), printed, atol=0.03)


def test_xyz_and_lab() -> None:
    xyz = colour.Lab_to_XYZ(LAB, D65)
    np.testing.assert_allclose(lab_to_xyz(LAB), xyz, atol=1e-12)
    inside = xyz[(xyz > 0).all(axis=1)]
    np.testing.assert_allclose(xyz_to_lab(inside), colour.XYZ_to_Lab(inside, D65), atol=1e-9)
    for name in ("A", "D50"):
        xy = colour.CCS_ILLUMINANTS[OBSERVER_NAMES["2"]][name]
        white = colour.xy_to_XYZ(xy)
        np.testing.assert_allclose(lab_to_xyz(LAB, white), colour.Lab_to_XYZ(LAB, xy), atol=1e-12)
        np.testing.assert_allclose(xyz_to_lab(inside, white), colour.XYZ_to_Lab(inside, xy), atol=1e-9)


def test_din99d() -> None:
    """Cui et al. (2002) first put 1.12 X - 0.12 Z for X, which colour-science leaves to the caller."""
    turn = np.array([[1.12, 0.0, -0.12], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    turned_white = colour.XYZ_to_xy(turn @ colour.xy_to_XYZ(D65))
    inside = srgb_to_lab(SRGB)
    turned = colour.XYZ_to_Lab(colour.Lab_to_XYZ(inside, D65) @ turn.T, turned_white)
    np.testing.assert_allclose(lab_to_din99d(inside), colour.Lab_to_DIN99(turned, method="DIN99d"), atol=1e-9)


def test_greys_of_din99d_have_no_chroma() -> None:
    greys = srgb_to_lab(np.repeat(np.arange(256)[:, None], 3, axis=1))
    np.testing.assert_allclose(lab_to_din99d(greys)[:, 1:], 0.0, atol=1e-9)
    # 325.22 ln(1 + 0.0036 L*): white stays at 100 (Cui et al. 2002).
    assert lab_to_din99d(np.array([100.0, 0.0, 0.0]))[0] == pytest.approx(100.0, abs=0.01)


@pytest.mark.parametrize("illuminant", ["A", "D50", "E"])
def test_bradford_adaptation(illuminant: str) -> None:
    xyz = colour.Lab_to_XYZ(LAB[:500], D65)
    white = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS[OBSERVER_NAMES["2"]][illuminant])
    wanted = colour.chromatic_adaptation(xyz, white, D65_WHITE, method="Von Kries", transform="Bradford")
    np.testing.assert_allclose(adapt_xyz(xyz, white, D65_WHITE), wanted, atol=1e-9)
    np.testing.assert_allclose(adapt_xyz(white, white, D65_WHITE), D65_WHITE, atol=1e-12)
    back = adapt_xyz(adapt_xyz(xyz, white, D65_WHITE), D65_WHITE, white)
    np.testing.assert_allclose(back, xyz, atol=1e-12)


channel = st.integers(0, 255)


@given(st.tuples(channel, channel, channel))
def test_every_encoded_colour_survives_the_way_to_lab_and_back(srgb: tuple[int, int, int]) -> None:
    assert lab_to_srgb(srgb_to_lab(np.array(srgb))).tolist() == list(srgb)


@given(st.tuples(st.floats(0, 100), st.floats(-120, 120), st.floats(-120, 120)))
def test_lab_survives_the_way_to_xyz_and_to_linear_light(lab: tuple[float, float, float]) -> None:
    np.testing.assert_allclose(xyz_to_lab(lab_to_xyz(lab)), lab, atol=1e-9)
    xyz = lab_to_xyz(lab)
    np.testing.assert_allclose(linear_rgb_to_xyz(xyz_to_linear_rgb(xyz)), xyz, atol=1e-12)


def test_colours_outside_srgb_are_clipped() -> None:
    assert lab_to_srgb([50.0, -120.0, 120.0]).dtype == np.uint8
    assert lab_to_srgb([[100.0, 0.0, 0.0], [0.0, 0.0, 0.0]]).tolist() == [[255, 255, 255], [0, 0, 0]]


def test_chromaticity_to_xyz() -> None:
    np.testing.assert_allclose(xy_to_xyz((0.3457, 0.3585)), colour.xy_to_XYZ((0.3457, 0.3585)), atol=1e-12)
