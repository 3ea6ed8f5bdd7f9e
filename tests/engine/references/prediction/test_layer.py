"""The layer over any ground, against an integration of Kubelka and Munk's differential equation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from worker.engine.references.prediction.layer import (
    Layer,
    clear_layer_between,
    coefficients,
    layer_between,
    layer_of,
)


def integrated(k: float, s: float, thickness: float, ground: float) -> float:
    """dR/dx = S - 2 (K + S) R + S R^2 from R(0) = ground to the thickness (Kubelka 1948), by scipy's DOP853."""
    found = solve_ivp(
        lambda _, r: s - 2.0 * (k + s) * r + s * r * r, (0.0, thickness), [ground], "DOP853", rtol=1e-11, atol=1e-13
    )
    return float(found.y[0, -1])


def column(*values: float) -> npt.NDArray[np.float64]:
    return np.array(values)[:, None]


def test_the_worked_numbers() -> None:
    """K = 0.3, S = 0.8, X = 1.2: a, SX and R-infinity by hand, R by the differential equation (six digits)."""
    layer = layer_of([0.3], [0.8], 1.2)
    assert layer.r0[0] == pytest.approx(0.372135, abs=1e-6)
    assert np.sqrt(layer.t2[0]) == pytest.approx(0.339284, abs=1e-6)
    for ground, wanted in ((0.05, 0.377999622), (0.85, 0.515251135), (0.40, 0.426232970)):
        assert float(layer.over(ground)[0]) == pytest.approx(wanted, abs=1e-8)
        assert integrated(0.3, 0.8, 1.2, ground) == pytest.approx(wanted, abs=1e-8)
    a, sx = coefficients(layer)
    assert (a[0], sx[0]) == (pytest.approx(1.375), pytest.approx(0.96))
    assert a[0] - np.sqrt(a[0] ** 2 - 1) == pytest.approx(0.431271, abs=1e-6)


def test_the_worked_numbers_backwards() -> None:
    layer = layer_between(column(0.3779996, 0.5152511), column(0.05, 0.85))
    a, sx = coefficients(layer)
    assert (a[0], sx[0]) == (pytest.approx(1.375, abs=2e-6), pytest.approx(0.96, abs=2e-6))
    assert float(layer.over(0.40)[0]) == pytest.approx(0.4262330, abs=2e-7)
    # The classical form where the reflectance over black is known: a = (R + (R0 - R + Rg) / (R0 Rg)) / 2.
    r, r0, rg = 0.5152511, 0.372135, 0.85
    assert a[0] == pytest.approx((r + (r0 - r + rg) / (r0 * rg)) / 2.0, abs=1e-5)


strengths = st.floats(0.0, 3.0)
grounds = st.floats(0.0, 1.0)


@given(k=strengths, s=strengths, thickness=st.floats(0.05, 2.0), ground=grounds)
def test_forward_is_the_differential_equation(k: float, s: float, thickness: float, ground: float) -> None:
    assert float(layer_of([k], [s], thickness).over(ground)[0]) == pytest.approx(
        integrated(k, s, thickness, ground), abs=1e-8
    )


@given(k=strengths, s=strengths, dark=grounds, light=grounds, third=grounds)
def test_two_grounds_tell_the_third(k: float, s: float, dark: float, light: float, third: float) -> None:
    assume(light - dark > 0.1)
    made = layer_of([k], [s])
    known = column(dark, light)
    found = layer_between(np.array([made.over(g) for g in known[:, 0]]), known)
    assert float(found.over(third)[0]) == pytest.approx(integrated(k, s, 1.0, third), abs=1e-7)


@pytest.mark.parametrize("s", [1e-4, 1e-6, 0.0])
def test_without_scattering_it_is_beer_and_lambert(s: float) -> None:
    """S -> 0: R = G exp(-2 KX); the inverse stays whole there, as R0 and T^2 do."""
    layer = layer_of([0.3], [s], 1.2)
    for ground in (0.05, 0.4, 0.9):
        assert float(layer.over(ground)[0]) == pytest.approx(ground * np.exp(-2 * 0.3 * 1.2), abs=1.3 * s + 1e-9)
    back = layer_between(np.array([layer.over(0.05), layer.over(0.85)]), column(0.05, 0.85))
    assert back.t2[0] == pytest.approx(np.exp(-0.72), abs=1e-3)
    clear = clear_layer_between(np.array([layer.over(0.85)]), column(0.85))
    assert clear.t2[0] == pytest.approx(np.exp(-0.72), abs=4 * s + 1e-9)


def test_more_than_two_grounds_are_averaged() -> None:
    """Noise of known size over many grounds: the error of the fit falls with their number."""
    chance = np.random.default_rng(5)
    made = layer_of(np.full(400, 0.3), np.full(400, 0.8))

    def error(count: int) -> float:
        known = np.linspace(0.05, 0.9, count)[:, None] * np.ones((1, 400))
        shown = np.array([made.over(g) for g in known]) + chance.normal(0.0, 0.002, known.shape)
        return float(np.abs(layer_between(shown, known).over(0.5) - made.over(0.5)).mean())

    assert error(12) < 0.6 * error(2)


def test_layers_keep_their_shape() -> None:
    made = layer_between(np.full((3, 5, 31), 0.2), np.linspace(0.1, 0.9, 3)[:, None, None] * np.ones((3, 5, 31)))
    assert made.over(np.full(31, 0.3)).shape == (5, 31)
    assert isinstance(made, Layer)
