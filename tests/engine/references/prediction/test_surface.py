"""The surface of a mask: its two reflectances by integrals of Fresnel's equations, and Saunderson's formula."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from worker.engine.references.prediction.surface import (
    external_diffuse,
    internal_diffuse,
    normal_reflectance,
    reads_mirror,
    reflectance,
    saunderson,
    surface_of,
)
from worker.errors import PredictionError


def fresnel(n_from: float, n_to: float, angle: float) -> float:
    """Fresnel's equations by the angles on both sides, total reflection included (Born and Wolf, from memory)."""
    sine = n_from / n_to * math.sin(angle)
    if sine >= 1.0:
        return 1.0
    out = math.asin(sine)
    if angle == 0.0:
        return ((n_from - n_to) / (n_from + n_to)) ** 2
    across = math.sin(angle - out) / math.sin(angle + out)
    along = math.tan(angle - out) / math.tan(angle + out)
    return (across**2 + along**2) / 2.0


@pytest.mark.parametrize("index", [1.4, 1.5, 1.6])
def test_both_reflectances_are_fresnel_s_integral(index: float) -> None:
    """Integrated by scipy over the hemisphere, the inner one with its total reflection."""
    critical = math.asin(1.0 / index)
    outside = quad(lambda t: fresnel(1.0, index, t) * math.sin(2 * t), 0.0, math.pi / 2)[0]
    inside = quad(lambda t: fresnel(index, 1.0, t) * math.sin(2 * t), 0.0, critical)[0] + math.cos(critical) ** 2
    assert external_diffuse(index) == pytest.approx(outside, abs=1e-6)
    assert internal_diffuse(index) == pytest.approx(inside, abs=1e-6)
    assert float(reflectance(index, 0.7)) == pytest.approx(fresnel(1.0, index, 0.7), rel=1e-12)


def test_the_figures_of_resin() -> None:
    """n = 1.5: k1 0.0400 upright and 0.09178 diffuse, k2 0.59635 (rounded to 0.04 and 0.6 in the literature)."""
    assert normal_reflectance(1.5) == pytest.approx(0.04)
    assert external_diffuse(1.5) == pytest.approx(0.09178, abs=5e-6)
    assert internal_diffuse(1.5) == pytest.approx(0.59635, abs=1e-5)


def test_saunderson_s_worked_number() -> None:
    """k1 = 0.04, k2 = 0.596: Ri = 0.5 reads 0.316239 with the specular part (by hand), 0.04 less without."""
    for specular, wanted in ((True, 0.316239), (False, 0.276239)):
        textbook = saunderson(0.04, 0.596, specular=specular)
        assert float(textbook.measured(0.5)) == pytest.approx(wanted, abs=5e-7)
        assert float(textbook.internal(wanted)) == pytest.approx(0.5, abs=1e-6)
        ours = surface_of("d:8 SCI" if specular else "d:8 SCE")
        assert float(ours.measured(0.5)) == pytest.approx(wanted, abs=2e-4)  # whose k2 has more digits


@given(ri=st.floats(0.0, 0.99), geometry=st.sampled_from(["d:8 SCI", "d:8 SCE", "45:0", "45a:0", "0:45", "8:d sci"]))
def test_there_and_back(ri: float, geometry: str) -> None:
    surface = surface_of(geometry)
    assert float(surface.internal(surface.measured(ri))) == pytest.approx(ri, abs=1e-12)


@pytest.mark.parametrize("geometry", ["d:8 SCI", "45:0"])
def test_a_white_below_the_surface_loses_what_the_surface_must_return(geometry: str) -> None:
    """Ri = 1 keeps all light: a diffuse instrument reads 1; at 45:0 what leaves is not quite the same all around."""
    read = float(surface_of(geometry).measured(1.0))
    assert read == pytest.approx(1.0, abs=1e-9 if geometry == "d:8 SCI" else 0.01)


def test_45_to_0_against_counted_light() -> None:
    """Light in at 45 degrees, scattered evenly below the surface, read upright: traced bounce by bounce."""
    ri, index = 0.4, 1.5
    k2 = internal_diffuse(index)
    up = sum(ri * (k2 * ri) ** bounce for bounce in range(200)) * (1.0 - fresnel(1.0, index, math.pi / 4))
    # Of evenly scattered light the radiance below is up / pi; refraction spreads it by the square of the index.
    radiance_factor = up * (1.0 - fresnel(index, 1.0, 0.0)) / index**2
    assert float(surface_of("45:0").measured(ri)) == pytest.approx(radiance_factor, rel=1e-9)


@pytest.mark.parametrize("geometry", ["photo", "d:8", "45:45", "", "sphere"])
def test_a_geometry_that_does_not_tell_is_refused(geometry: str) -> None:
    with pytest.raises(PredictionError, match="do not tell"):
        surface_of(geometry)


def test_which_geometries_read_the_mirror() -> None:
    assert [reads_mirror(g) for g in ("d:8 SCI", "8:d SCI", "d:8 SCE", "45:0")] == [True, True, False, False]


def test_a_reading_below_the_surface_s_own_counts_as_black() -> None:
    assert (np.asarray(surface_of("d:8 SCI").internal([0.0, 0.04])) == 0.0).all()
