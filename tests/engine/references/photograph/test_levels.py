"""Trimmed means, flat field, tone curve and correction, each against a truth that is put in."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import trim_mean

from tests.engine.references.simulated_camera import chart_spectra, raw_of
from worker.engine.colorimetry import srgb_decoded, srgb_encoded
from worker.engine.references.photograph.chart import NEUTRALS, chart_xyz
from worker.engine.references.photograph.correction import _fit, fit_correction
from worker.engine.references.photograph.flat_field import even_light, fit_flat_field
from worker.engine.references.photograph.neutrals import (
    clear_offset,
    fit_tone_curve,
    neutral_light,
    offset_share,
    veiling_offset,
)
from worker.engine.references.photograph.patches import TRIM, trimmed_mean
from worker.errors import PhotographError

EVEN = np.ones((6, 3))
NONE = np.zeros(3)


@given(st.integers(5, 400), st.integers(0, 2**32 - 1))
def test_the_trimmed_mean_is_scipys(count: int, seed: int) -> None:
    light = np.random.default_rng(seed).random((count, 3))
    assert trimmed_mean(light) == pytest.approx(trim_mean(light, TRIM, axis=0), abs=1e-12)


def test_a_fifth_of_bad_pixels_moves_a_patch_by_little() -> None:
    random = np.random.default_rng(0)
    light = random.normal(0.4, 0.01, (900, 3))
    light[random.permutation(900)[:90]] = 1.0
    light[random.permutation(900)[:90]] = 0.0
    assert trimmed_mean(light) == pytest.approx(0.4, abs=0.003)
    assert abs(light.mean() - 0.4) > 0.01


def field_at(places: np.ndarray) -> np.ndarray:
    """Three quadratics in pixels."""
    x, y = places.T / 1000.0
    return np.column_stack([1 + 0.2 * x - 0.1 * y, 0.8 - 0.1 * x * x + 0.05 * x * y, 1.1 + 0.1 * y - 0.2 * y * y])


def test_a_quadratic_light_is_found_exactly_and_is_one_at_the_chart() -> None:
    random = np.random.default_rng(1)
    places, middle = random.uniform(0, 2000, (24, 2)), np.array([1500.0, 400.0])
    field = fit_flat_field(places, field_at(places), middle)
    elsewhere = random.uniform(0, 2000, (50, 2))
    assert field.at(elsewhere) == pytest.approx(field_at(elsewhere) / field_at(middle[None]), rel=1e-9)
    assert field.at(middle[None]) == pytest.approx(1.0)
    assert field.residual < 1e-9


def test_a_shadow_on_the_surround_is_no_quadratic() -> None:
    places = np.random.default_rng(2).uniform(0, 2000, (60, 2))
    light = field_at(places) * np.where(places[:, :1] < 700, 0.7, 1.0)
    assert fit_flat_field(places, light, np.array([1000.0, 1000.0])).residual > 0.08


def test_even_light_is_one_everywhere() -> None:
    assert np.all(even_light(np.zeros(2)).at(np.array([[3.0, 4.0], [500.0, 2.0]])) == 1.0)


@given(st.floats(0.4, 2.6), st.floats(0.2, 1.0))
def test_any_power_and_gain_is_made_linear(power: float, gain: float) -> None:
    """A power is a straight line in the logarithms, which the curve draws exactly, beyond its ends too."""
    curve = fit_tone_curve(gain * neutral_light() ** power, EVEN, NONE, "x")
    light = np.geomspace(0.004, 1.5, 40)[:, None] * np.ones(3)
    assert curve.linear(gain * light**power) == pytest.approx(light, rel=1e-6)


def test_an_s_curve_is_undone_between_the_neutrals() -> None:
    def bent(light: np.ndarray) -> np.ndarray:
        code = srgb_encoded(light)
        return srgb_decoded((np.tanh(3.5 * (code - 0.5)) / np.tanh(1.75) + 1.0) / 2.0)

    curve = fit_tone_curve(bent(0.8 * neutral_light()), EVEN, NONE, "x")
    light = np.geomspace(0.04, 0.85, 60)[:, None] * np.ones(3)
    assert np.abs(curve.linear(bent(0.8 * light)) / light - 1.0).max() < 0.06
    assert np.abs(bent(0.8 * light) / (0.8 * light) - 1.0).max() > 0.2  # what there was to undo
    assert np.all(np.diff(curve.linear(np.linspace(0.0, 1.0, 300)[:, None] * np.ones(3)), axis=0) >= 0.0)


def test_neutrals_out_of_order_are_refused() -> None:
    light = neutral_light().copy()
    light[[2, 3]] = light[[3, 2]]
    with pytest.raises(PhotographError, match=r"shot: of the chart's neutrals, number 4 from white"):
        fit_tone_curve(light, EVEN, NONE, "shot")


def test_a_veil_is_found_where_there_is_one_and_only_there() -> None:
    random = np.random.default_rng(3)
    noise = 1.0 + random.normal(0.0, 0.002, (6, 3))
    clean, veiled = 0.7 * neutral_light() * noise, 0.7 * (neutral_light() + 0.012) * noise
    assert np.all(clear_offset(clean, EVEN) == 0.0)
    offset = clear_offset(veiled, EVEN)
    assert offset == pytest.approx(0.7 * 0.012, rel=0.1)
    curve = fit_tone_curve(veiled, EVEN, offset, "x")
    assert offset_share(veiled, EVEN, curve) == pytest.approx(0.012, rel=0.1)


@pytest.mark.parametrize("power", [0.5, 0.8, 1.3])
def test_a_tone_curve_that_lifts_the_shadows_is_not_taken_for_a_veil(power: float) -> None:
    light = neutral_light() ** power
    assert np.all(np.abs(veiling_offset(light, EVEN)[0]) > 0.003)
    assert np.all(clear_offset(light, EVEN) == 0.0)


@pytest.fixture(scope="module")
def camera_light() -> np.ndarray:
    return np.array([raw_of(spectrum, "LED-B3") for spectrum in chart_spectra().values()])


def test_the_correction_is_colour_sciences(camera_light: np.ndarray) -> None:
    found = fit_correction(camera_light)
    wanted = colour.colour_correction(
        camera_light, camera_light, chart_xyz(), "Finlayson 2015", degree=found.degree, root_polynomial_expansion=True
    )
    assert found.xyz(camera_light) == pytest.approx(wanted, abs=1e-9)
    assert found.degree == 2


def test_exposure_changes_no_chromaticity(camera_light: np.ndarray) -> None:
    """The reason for roots (Finlayson et al. 2015): half the light gives half the XYZ."""
    found = fit_correction(camera_light)
    assert found.xyz(0.5 * camera_light) == pytest.approx(0.5 * found.xyz(camera_light), rel=1e-9)


def test_a_patch_is_left_out_of_the_fit_that_guesses_it(camera_light: np.ndarray) -> None:
    """One stained patch: its own left-out error is the worst, and as large as the stain."""
    stained = camera_light.copy()
    stained[13] *= [1.6, 1.0, 0.6]
    found = fit_correction(stained)
    assert int(found.left_out.argmax()) == 13
    assert found.left_out[13] > 8.0
    assert fit_correction(camera_light).left_out[13] < 4.0


def test_the_first_degree_is_taken_where_it_guesses_better() -> None:
    """A camera that is an exact matrix of XYZ, with noise: three terms are all there is to find."""
    random = np.random.default_rng(4)
    matrix = np.array([[0.9, 0.2, -0.1], [0.1, 0.8, 0.1], [0.0, 0.1, 0.9]])
    linear = (chart_xyz() @ matrix) * (1.0 + random.normal(0.0, 0.03, (24, 3)))
    found = fit_correction(linear)
    assert found.degree == 1
    assert found.left_out.mean() < _fit(linear, 2).left_out.mean()


def test_only_the_neutrals_make_the_tone_curve() -> None:
    assert neutral_light()[:, 0] == pytest.approx(chart_xyz()[NEUTRALS, 1])
