"""Warnings against published optical constants of metals, and against what legend and mask are said to be."""

from __future__ import annotations

import dataclasses

import colour
import pytest

from tests.boards import FABS, board
from tests.engine.references.made_up import BARE, LEGEND, MASK, fab_of, finish_of, lab_reading, spectral_reading
from tests.engine.references.metals import metal
from worker.engine.references.findings import fab_findings
from worker.engine.references.plausibility import Finding, metal_of
from worker.finish import LayerRecipe
from worker.reading import Reading, Spectrum, read_viewing_conditions


def metal_findings(reading: Reading, plating: str, conditions: str = "D65/2") -> list[str]:
    fab = fab_of(finish_of(reading, finish_id="bare", texture="metallic"), plating=plating)
    return [finding.rule for finding in fab_findings(fab, read_viewing_conditions(conditions)).warnings]


GOLD, COPPER = ("ENIG", "ENEPIG", "hard gold"), ("none", "organic coating")


@pytest.mark.parametrize("times", [1.0, 0.5, 0.3])
@pytest.mark.parametrize("conditions", ["D65/2", "D50/2", "A/10"])
def test_polished_and_dull_metals_by_johnson_and_christy_pass(times: float, conditions: str) -> None:
    for name in ("Au", "Au50_on_Ni", "Au100_on_Ni"):
        for plating in GOLD:
            assert metal_findings(spectral_reading(metal(name, times=times)), plating, conditions) == []
    for plating in COPPER:
        assert metal_findings(spectral_reading(metal("Cu", times=times)), plating, conditions) == []


@pytest.mark.parametrize(
    ("plating", "lab"),
    [
        # Gold by McPeak, Olmon and Babar, copper by McPeak and Babar: other data sets of the same public database.
        ("ENIG", (92.09, 1.46, 38.56)),
        ("ENIG", (91.66, 1.50, 38.84)),
        ("ENIG", (91.70, 1.61, 41.90)),
        ("none", (89.61, 12.64, 14.90)),
        ("none", (88.91, 14.78, 17.50)),
    ],
)
def test_other_published_constants_pass_by_hue(plating: str, lab: tuple[float, float, float]) -> None:
    assert metal_findings(lab_reading(lab), plating) == []


def test_metals_that_were_mixed_up_are_told_by_hue_and_ratio() -> None:
    assert metal_findings(spectral_reading(metal("Cu")), "ENIG") == ["metal-hue", "metal-ratio"]
    assert metal_findings(spectral_reading(metal("Au")), "none") == ["metal-hue", "metal-ratio"]
    assert metal_findings(lab_reading((86.06, 11.86, 13.05)), "ENIG") == ["metal-hue"]


def test_silver_and_nickel_are_too_grey_for_gold() -> None:
    assert metal_findings(spectral_reading(metal("Ag")), "ENIG") == ["metal-hue", "metal-ratio"]
    (first, _) = fab_findings(fab_of(finish_of(spectral_reading(metal("Ag")), finish_id="bare"))).warnings
    assert "almost grey" in first.text
    assert first.finishes == ("bare",)


def test_black_is_no_metal_and_no_division_by_zero() -> None:
    black = Spectrum(start_nm=400.0, step_nm=10.0, values=(0.0,) * 31)
    assert metal_findings(spectral_reading(black), "ENIG") == ["metal-hue", "metal-ratio"]


@pytest.mark.parametrize("plating", ["HASL", "immersion tin", "immersion silver"])
def test_other_platings_have_no_gates(plating: str) -> None:
    assert metal_findings(spectral_reading(metal("Cu")), plating) == []


def test_only_bare_solid_copper_shows_its_plating() -> None:
    bare = finish_of(lab_reading((50.0, 0.0, 0.0)), recipe=BARE)
    assert metal_of(bare, "ENIG") == "gold"
    assert metal_of(bare, "organic coating") == "copper"
    for recipe in (MASK, LEGEND, LayerRecipe(copper="none", mask_opening=True, legend=False)):
        assert metal_of(finish_of(lab_reading((50.0, 0.0, 0.0)), recipe=recipe), "ENIG") is None


def legend_findings(mask_l: float, legend_l: float, mask: str, legend: str) -> list[Finding]:
    fab = fab_of(
        finish_of(lab_reading((mask_l, -5.0, 5.0)), finish_id="mask", recipe=MASK),
        finish_of(lab_reading((legend_l, 0.0, 0.0)), finish_id="legend", recipe=LEGEND),
        mask=mask,
        legend=legend,
    )
    return list(fab_findings(fab).warnings)


@pytest.mark.parametrize(
    ("mask_l", "legend_l", "mask", "legend", "told"),
    [
        (30.0, 90.0, "green, gloss", "white", False),
        (90.0, 30.0, "green, gloss", "white", True),
        (90.0, 20.0, "white, matte", "black", False),
        (20.0, 90.0, "White, matte", "Black", True),
        (50.0, 20.0, "green", "black", False),
        (20.0, 50.0, "green", "black", True),
        (20.0, 50.0, "black, matte", "yellow", False),
        (50.0, 20.0, "black, matte", "yellow", True),
        # Nothing is known of the order of two colours, nor of words that name both.
        (50.0, 20.0, "green", "yellow", False),
        (50.0, 20.0, "green", "black and white", False),
    ],
)
def test_legend_and_mask(mask_l: float, legend_l: float, mask: str, legend: str, told: bool) -> None:
    findings = legend_findings(mask_l, legend_l, mask, legend)
    assert [finding.rule for finding in findings] == ["legend-lightness"] * told
    if told:
        assert findings[0].finishes == ("legend", "mask")
        assert f"L* {mask_l:.0f}" in findings[0].text


def test_legend_is_compared_with_the_mask_that_it_is_printed_on() -> None:
    """White legend over copper alone says nothing of a mask over laminate."""
    printed = LayerRecipe(copper="solid", mask_opening=False, legend=True)
    for copper, rules in (("none", []), ("solid", ["legend-lightness"])):
        fab = fab_of(
            finish_of(lab_reading((95.0, 0.0, 0.0)), finish_id="mask", recipe=dataclasses.replace(MASK, copper=copper)),
            finish_of(lab_reading((80.0, 0.0, 0.0)), finish_id="legend", recipe=printed),
        )
        assert [finding.rule for finding in fab_findings(fab).warnings] == rules


def test_two_finishes_that_no_eye_can_tell_apart_are_named() -> None:
    one, other = (60.0, 10.0, 10.0), (61.0, 10.5, 10.0)
    difference = colour.delta_E(one, other, method="CIE 2000")
    assert difference < 2.0
    fab = fab_of(
        finish_of(lab_reading(one), finish_id="one", recipe=MASK),
        finish_of(lab_reading(other), finish_id="other", recipe=MASK),
        finish_of(lab_reading((64.0, 10.0, 10.0)), finish_id="third", recipe=MASK),
    )
    (finding,) = fab_findings(fab).warnings
    assert (finding.rule, finding.finishes) == ("one-colour", ("one", "other"))
    assert f"{difference:.1f}" in finding.text


@pytest.mark.parametrize("name", sorted(path.stem for path in FABS.glob("*.toml")))
def test_the_demo_profiles_are_plausible(name: str) -> None:
    assert fab_findings(board(name)).warnings == ()
