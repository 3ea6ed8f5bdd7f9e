"""Colours under other conditions, against colour-science's Bradford adaptation."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.engine.references.conditions import lab_of_xyz, lab_under
from worker.engine.references.spectrum import white_point
from worker.reading import ILLUMINANTS, OBSERVERS, STANDARD_CONDITIONS, ViewingConditions, read_viewing_conditions

RNG = np.random.default_rng(5)
LAB = np.column_stack([RNG.uniform(5, 100, 300), RNG.uniform(-60, 60, (300, 2))])


@pytest.mark.parametrize("known", ["D50/2", "A/2", "D65/10", "F11/10", "E/2"])
def test_a_colour_under_another_white_comes_to_d65(known: str) -> None:
    given_under = read_viewing_conditions(known)
    old = white_point(given_under.illuminant, given_under.observer) / 100.0
    new = white_point("D65", "2") / 100.0
    xyz = colour.Lab_to_XYZ(LAB, colour.XYZ_to_xy(old))
    adapted = colour.chromatic_adaptation(xyz, old, new, method="Von Kries", transform="Bradford")
    inside = (adapted > 1e-4).all(axis=1)
    assert inside.sum() > 200
    wanted = colour.XYZ_to_Lab(adapted[inside], colour.XYZ_to_xy(new))
    np.testing.assert_allclose(lab_under(LAB, given_under, STANDARD_CONDITIONS)[inside], wanted, atol=1e-6)


def test_nothing_changes_under_the_same_conditions() -> None:
    assert (lab_under(LAB, STANDARD_CONDITIONS, STANDARD_CONDITIONS) == LAB).all()


conditions = st.builds(ViewingConditions, illuminant=st.sampled_from(ILLUMINANTS), observer=st.sampled_from(OBSERVERS))


@given(conditions, conditions)
def test_white_stays_white_and_the_way_back_leads_back(one: ViewingConditions, other: ViewingConditions) -> None:
    np.testing.assert_allclose(lab_under([100.0, 0.0, 0.0], one, other), [100.0, 0.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(lab_under(lab_under(LAB[:20], one, other), other, one), LAB[:20], atol=1e-8)
    np.testing.assert_allclose(lab_of_xyz(white_point(one.illuminant, one.observer), one), [100.0, 0.0, 0.0], atol=1e-9)
