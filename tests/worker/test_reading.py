"""Viewing conditions as they are written."""

from __future__ import annotations

import pytest

from worker.errors import SettingsError
from worker.reading import ILLUMINANTS, OBSERVERS, STANDARD_CONDITIONS, ViewingConditions, read_viewing_conditions


@pytest.mark.parametrize("illuminant", ILLUMINANTS)
@pytest.mark.parametrize("observer", OBSERVERS)
def test_every_light_and_observer_can_be_given_back(illuminant: str, observer: str) -> None:
    conditions = ViewingConditions(illuminant=illuminant, observer=observer)
    assert read_viewing_conditions(conditions.text()) == conditions
    assert read_viewing_conditions(f" {illuminant.lower()} / {observer}") == conditions


def test_the_standard_is_that_of_srgb() -> None:
    """IEC 61966-2-1: D65, and the 2 degree observer."""
    assert STANDARD_CONDITIONS.text() == "D65/2"


@pytest.mark.parametrize("text", ["", "D65", "D65/", "/2", "D60/2", "D65/4", "D65/2/2", "2/D65"])
def test_unknown_conditions_are_refused_with_those_that_are_known(text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read_viewing_conditions(text)
    assert repr(text) in caught.value.what
    assert "F11" in caught.value.mend
    assert "D65/2" in caught.value.mend
