"""References from readings: which of them count, their mean, grade, spread and uncertainty."""

from __future__ import annotations

from itertools import pairwise

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.engine.references.made_up import finish_of, lab_reading, spectral_reading
from tests.engine.references.metals import metal
from worker.engine.difference import ciede2000
from worker.engine.references.conditions import lab_of_xyz, lab_under
from worker.engine.references.reference import FLOORS, finish_reference
from worker.engine.references.robust_mean import error_of_mean
from worker.engine.references.spectrum import tristimulus, white_point
from worker.errors import FabProfileError
from worker.reading import GRADES, STANDARD_CONDITIONS, Override, Reading, Spectrum, read_viewing_conditions

D50 = read_viewing_conditions("D50/2")
GREY = (50.0, 1.0, -2.0)


def test_one_reading_under_the_viewing_conditions_is_taken_as_it_is() -> None:
    reference = finish_reference(finish_of(lab_reading(GREY)))
    assert reference.lab.tolist() == reference.viewing_lab.tolist() == list(GREY)
    assert (reference.derivation, reference.grade, reference.geometry) == ("as read", "colorimetric", "45:0")
    assert (reference.used, reference.set_aside, reference.spread) == ((0,), (), None)
    assert reference.uncertainty == FLOORS["colorimetric"]


def test_xyz_is_read_against_the_white_of_its_own_light() -> None:
    xyz = (40.0, 42.0, 31.0)
    reading = Reading(xyz=xyz, illuminant="D50", observer="2", geometry="45:0", origin="measured")
    wanted = colour.XYZ_to_Lab(np.array(xyz) / 100, colour.XYZ_to_xy(white_point("D50", "2")))
    reference = finish_reference(finish_of(reading), D50)
    np.testing.assert_allclose(reference.viewing_lab, wanted, atol=1e-9)
    assert reference.derivation == "as read"


def test_a_colour_from_other_conditions_is_adapted() -> None:
    reference = finish_reference(finish_of(lab_reading(GREY, illuminant="D50")))
    assert reference.derivation == "adapted"
    np.testing.assert_allclose(reference.lab, lab_under(GREY, D50, STANDARD_CONDITIONS), atol=1e-12)


def test_under_other_viewing_conditions_a_colour_of_d65_still_meets_the_artwork_where_it_was_read() -> None:
    reference = finish_reference(finish_of(lab_reading(GREY)), D50)
    assert reference.lab.tolist() == list(GREY)
    np.testing.assert_allclose(reference.viewing_lab, lab_under(GREY, STANDARD_CONDITIONS, D50), atol=1e-12)


def test_a_spectrum_is_computed_for_the_viewing_conditions() -> None:
    """Gold under D50 by E308, as in `test_spectrum`; adaptation from D65 would be off, since gold is not grey."""
    reference = finish_reference(finish_of(spectral_reading(metal("Au"))), D50)
    assert (reference.derivation, reference.grade) == ("spectrum", "spectral")
    np.testing.assert_allclose(reference.viewing_lab, (90.79, 7.94, 34.55), atol=0.08)
    np.testing.assert_allclose(reference.lab, lab_under(reference.viewing_lab, D50, STANDARD_CONDITIONS), atol=1e-12)
    adapted = lab_under(finish_reference(finish_of(spectral_reading(metal("Au")))).lab, STANDARD_CONDITIONS, D50)
    assert ciede2000(adapted, reference.viewing_lab) > 0.2


def test_readings_are_averaged_with_their_spread() -> None:
    labs = [(50.0, 1.0, -2.0), (50.6, 0.8, -2.2), (49.6, 1.3, -1.9)]
    reference = finish_reference(finish_of(*(lab_reading(lab) for lab in labs)))
    np.testing.assert_allclose(reference.lab, np.mean(labs, axis=0), atol=0.1)
    distances = [colour.delta_E(lab, reference.lab, method="CIE 2000") for lab in np.array(labs)]
    assert reference.spread == pytest.approx(np.mean(distances), rel=1e-9)
    assert reference.used == (0, 1, 2)


def test_spectra_are_averaged_as_spectra() -> None:
    """The mean's colour is the colour of the mean spectrum, which a mean of CIELAB would not be."""
    spectra = [metal("Cu", times=times) for times in (0.70, 0.72, 0.74)]
    reference = finish_reference(finish_of(*(spectral_reading(spectrum) for spectrum in spectra)))
    assert reference.spectrum is not None
    np.testing.assert_allclose(reference.spectrum.values, metal("Cu", times=0.72).values, atol=1e-3)
    own = lab_of_xyz(tristimulus(reference.spectrum, "D65", "2"), STANDARD_CONDITIONS)
    np.testing.assert_allclose(reference.lab, own, atol=1e-9)


def test_spectra_of_different_steps_are_averaged_too() -> None:
    """A flat spectrum is the same at any step."""
    coarse = Spectrum(start_nm=380.0, step_nm=10.0, values=(0.4,) * 36)
    fine = Spectrum(start_nm=400.0, step_nm=5.0, values=(0.5,) * 61)
    reference = finish_reference(finish_of(spectral_reading(coarse), spectral_reading(fine)))
    assert reference.spectrum is not None
    assert (reference.spectrum.start_nm, reference.spectrum.step_nm) == (400.0, 10.0)
    assert np.ptp(reference.spectrum.values) < 1e-12
    own = lab_of_xyz(tristimulus(reference.spectrum, "D65", "2"), STANDARD_CONDITIONS)
    np.testing.assert_allclose(reference.lab, own, atol=1e-9)


@pytest.mark.parametrize("place", range(5))
def test_a_bad_reading_among_five_is_set_aside_wherever_it_stands(place: int) -> None:
    labs = [(50.0, 0.0, 0.0), (50.2, 0.1, 0.0), (49.9, 0.0, 0.2), (50.1, -0.1, 0.0)]
    readings = [lab_reading(lab) for lab in labs]
    clean = finish_reference(finish_of(*readings))
    readings.insert(place, lab_reading((75.0, 4.0, 30.0)))
    reference = finish_reference(finish_of(*readings))
    assert ciede2000(reference.lab, clean.lab) < 0.02
    (aside,) = reference.set_aside
    assert (aside.index, aside.outlier) == (place, True)
    assert place not in reference.used


def readings_of_every_grade() -> list[Reading]:
    return [
        lab_reading((10.0, 0.0, 0.0), origin="assumed"),
        lab_reading((20.0, 0.0, 0.0), origin="predicted"),
        lab_reading((30.0, 0.0, 0.0), origin="photo"),
        lab_reading((40.0, 0.0, 0.0)),
        spectral_reading(Spectrum(start_nm=400.0, step_nm=10.0, values=(0.5,) * 31), geometry="45:0"),
    ]


def test_only_the_best_grade_counts() -> None:
    readings = readings_of_every_grade()
    for best in GRADES:
        reference = finish_reference(finish_of(*readings))
        assert reference.grade == best
        assert reference.used == (len(readings) - 1,)
        assert [aside.index for aside in reference.set_aside] == list(range(len(readings) - 1))
        assert all(best in aside.reason and not aside.outlier for aside in reference.set_aside)
        readings.pop()


def test_a_better_grade_is_more_certain_where_nothing_is_stated() -> None:
    floors = [FLOORS[grade] for grade in GRADES]
    assert all(one < other for one, other in pairwise(floors))


def test_several_geometries_are_refused_until_one_is_chosen() -> None:
    readings = (lab_reading(GREY), lab_reading((60.0, 1.0, 1.0), geometry="d:8 SCI"))
    with pytest.raises(FabProfileError) as caught:
        finish_reference(finish_of(*readings, finish_id="gold"))
    assert "gold" in caught.value.what
    assert "45:0, d:8 SCI" in caught.value.what
    assert 'geometry = "45:0"' in caught.value.mend
    chosen = finish_reference(finish_of(*readings, geometry="D:8 sci"))
    assert (chosen.used, chosen.lab[0]) == ((1,), 60.0)
    assert chosen.set_aside[0].reason == "geometry is 45:0, not D:8 sci"


def test_a_chosen_geometry_may_lead_to_a_lower_grade() -> None:
    readings = (spectral_reading(metal("Au")), lab_reading(GREY, geometry="photo", origin="photo"))
    assert finish_reference(finish_of(*readings)).grade == "spectral"
    assert finish_reference(finish_of(*readings, geometry="photo")).grade == "photo"


def test_a_geometry_that_no_reading_has_is_refused() -> None:
    with pytest.raises(FabProfileError, match="none of its readings") as caught:
        finish_reference(finish_of(lab_reading(GREY), geometry="d:8 SCE"))
    assert "45:0" in caught.value.mend


def test_geometries_that_do_not_count_need_no_choice() -> None:
    readings = (lab_reading(GREY), lab_reading((60.0, 1.0, 1.0), geometry="photo", origin="photo"))
    assert finish_reference(finish_of(*readings)).geometry == "45:0"


def test_an_override_wins_until_it_is_taken_back() -> None:
    override = Override(lab=(40.0, 2.0, 3.0), illuminant="D50", observer="2", by="me")
    reference = finish_reference(finish_of(lab_reading(GREY), override=override))
    assert reference.overridden
    assert (reference.grade, reference.used, reference.derivation) == ("assumed", (), "adapted")
    assert [aside.index for aside in reference.set_aside] == [0]
    np.testing.assert_allclose(reference.lab, lab_under((40.0, 2.0, 3.0), D50, STANDARD_CONDITIONS), atol=1e-12)
    assert finish_reference(finish_of(lab_reading(GREY), override=override), D50).derivation == "as read"


def test_what_readings_state_is_their_uncertainty() -> None:
    stated = [lab_reading(GREY, uncertainty=value) for value in (1.0, 7.0)]
    # The root of the mean of 1 and 49.
    assert finish_reference(finish_of(*stated)).uncertainty == pytest.approx(5.0)
    one = finish_reference(finish_of(lab_reading(GREY, uncertainty=0.1)))
    assert one.uncertainty == pytest.approx(0.1)


def test_scatter_that_is_larger_than_what_was_stated_counts() -> None:
    readings = [lab_reading((50.0 + step, 0.0, 0.0), uncertainty=0.1) for step in (-3.0, 0.0, 3.0)]
    reference = finish_reference(finish_of(*readings))
    assert reference.spread is not None
    assert reference.uncertainty == error_of_mean(reference.spread, 3) > 3.0


@settings(deadline=None, max_examples=50)
@given(st.permutations(range(6)))
def test_the_order_of_readings_does_not_matter(order: list[int]) -> None:
    rng = np.random.default_rng(8)
    labs = np.array([60.0, 5.0, 10.0]) + rng.normal(scale=0.5, size=(6, 3))
    first = finish_reference(finish_of(*(lab_reading(tuple(lab)) for lab in labs.tolist())))
    other = finish_reference(finish_of(*(lab_reading(tuple(labs[i].tolist())) for i in order)))
    np.testing.assert_allclose(first.lab, other.lab, atol=1e-5)
    assert first.uncertainty == pytest.approx(other.uncertainty, rel=1e-5)
