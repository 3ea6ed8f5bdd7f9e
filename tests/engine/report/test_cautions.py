"""Cautions: what each job must be told, and nothing more.

Limits of harmless voltage: IEC 62368-1, class ES1, 60 V DC and 30 V AC rms (from memory). Nickel: Regulation (EC)
1907/2006, annex XVII, entry 27. Which platings hold nickel: IPC-4552 (ENIG), IPC-4556 (ENEPIG); hard gold over
nickel: common practice, no source.
"""

from __future__ import annotations

import dataclasses

import pytest

from tests.boards import board
from worker.engine.report.cautions import Caution, bare_metal, cautions_for, is_hazardous, without_live_metal
from worker.errors import SettingsError
from worker.fab_profile import PLATINGS
from worker.job_settings import Settings, read_settings


def shown(plating: str = "immersion tin", lead_free: bool = True, **given: str) -> dict[str, Caution]:
    fab = dataclasses.replace(board(), plating=plating, lead_free=lead_free)
    return {caution.id: caution for caution in cautions_for(fab, read_settings(given))}


def test_a_plain_wall_piece_is_told_of_dust_only() -> None:
    assert set(shown()) == {"glass-dust"}


@pytest.mark.parametrize("plating", PLATINGS)
@pytest.mark.parametrize("use", ["wall", "handheld", "worn", "child"])
def test_nickel_shows_for_gold_over_nickel_near_skin(plating: str, use: str) -> None:
    holds_nickel = plating in ("ENIG", "ENEPIG", "hard gold")
    assert ("nickel" in shown(plating, use=use)) == (holds_nickel and use != "wall")


@pytest.mark.parametrize(
    ("plating", "lead_free", "use", "wanted"),
    [
        ("HASL", False, "wall", {"lead"}),
        ("HASL", False, "handheld", {"lead"}),
        ("HASL", False, "worn", {"lead-near-skin"}),
        ("HASL", False, "child", {"lead-near-skin"}),
        ("HASL", True, "child", set()),
        ("immersion tin", False, "worn", set()),
    ],
)
def test_lead_is_stronger_for_what_is_worn(plating: str, lead_free: bool, use: str, wanted: set[str]) -> None:
    ids = set(shown(plating, lead_free, use=use))
    assert ids & {"lead", "lead-near-skin"} == wanted


@pytest.mark.parametrize(
    ("voltage", "hazardous"),
    [
        ("60Vdc", False),
        ("60.1Vdc", True),
        ("30Vac", False),
        ("30.1Vac", True),
        ("230Vac", True),
        ("48Vdc", False),
        ("48V", True),
        ("30V", False),
        ("", False),
    ],
)
def test_hazardous_voltage(voltage: str, hazardous: bool) -> None:
    assert is_hazardous(read_settings({"voltage": voltage})) == hazardous
    assert ("hazardous-voltage" in shown(voltage=voltage)) == hazardous
    assert ("no-insulation" in shown(voltage=voltage)) == hazardous


def test_an_unstated_kind_of_voltage_is_named_as_the_reason() -> None:
    because = shown(voltage="48V")["hazardous-voltage"].because
    assert "48 V" in because
    assert "stricter" in because


def test_open_metal_counts_once_there_is_a_voltage() -> None:
    assert "bare-metal" not in shown()
    assert "tin" in shown(voltage="5Vdc")["bare-metal"].because
    assert "bare-metal" not in shown(voltage="0V")


def test_a_child_board_is_no_toy() -> None:
    assert "toy" in shown(use="child")
    assert "toy" not in shown(use="worn")


def test_every_caution_says_why_and_from_where_and_defers() -> None:
    everything = {
        **shown("HASL", False, use="child", voltage="230Vac"),
        **shown("HASL", False),
        **shown("ENIG", use="worn"),
    }
    assert len(everything) >= 9
    for caution in everything.values():
        assert caution.because
        assert caution.source
        assert "local codes and licensed practice decide" in caution.text


def test_the_order_is_fixed() -> None:
    fab = dataclasses.replace(board(), plating="ENIG")
    settings = Settings(use="child", voltage=230.0)
    assert cautions_for(fab, settings) == cautions_for(fab, settings)


ROWS = {
    "gold over nickel, worn": ({"use": "worn"}, "nickel"),
    "HASL": ({}, "lead"),
    "a child's piece": ({"use": "child"}, "toy"),
    "tabs": ({"includes": "tabs"}, "glass-dust"),
    "metal and a circuit": ({"includes": "circuit"}, "bare-metal"),
    "mains": ({"voltage": "230Vac"}, "hazardous-voltage"),
    "mains and mask": ({"voltage": "230Vac"}, "no-insulation"),
    "coin cell": ({"includes": "coin-cell"}, "coin-cell"),
    "LED": ({"includes": "led"}, "warm-parts"),
    "cut by hand": ({"includes": "hand-cut"}, "sharp-edges"),
    "antenna": ({"includes": "antenna"}, "antenna"),
    "powered": ({"includes": "battery"}, "flame-rating"),
}
"""The twelve rows of the trade's list of cautions: what calls for each (common practice, no source)."""


@pytest.mark.parametrize("row", ROWS)
def test_each_of_the_twelve_rows_has_what_calls_for_it(row: str) -> None:
    given, wanted = ROWS[row]
    plating = "HASL" if wanted == "lead" else "ENIG"
    assert wanted in shown(plating, plating != "HASL", **given)
    plain = shown("immersion tin")
    assert wanted == "glass-dust" or wanted not in plain


@pytest.mark.parametrize(
    ("degrees", "use", "wanted"),
    [
        (45.0, "wall", True),
        (90.0, "wall", False),
        (90.0, "handheld", True),
        (120.0, "handheld", False),
        (None, "handheld", False),
    ],
)
def test_points_of_the_outline_call_for_a_caution(degrees: float | None, use: str, wanted: bool) -> None:
    found = cautions_for(board(), read_settings({"use": use}), sharpest_degrees=degrees)
    assert ("sharp-edges" in {caution.id for caution in found}) == wanted


def test_bare_metal_is_left_out_where_the_voltage_is_hazardous() -> None:
    fab = board()
    metal = bare_metal(fab)
    assert metal == ("tin",)
    settings, said = without_live_metal(fab, read_settings({"voltage": "230Vac", "forbid": "legend"}))
    assert settings.forbid == ("legend", "tin")
    assert said is not None and "230 V AC" in said and "licensed practice" in said
    kept, unsaid = without_live_metal(fab, read_settings({"voltage": "230Vac", "bare_metal": "keep"}))
    assert kept.forbid == () and unsaid is None
    assert without_live_metal(fab, read_settings({"voltage": "12Vdc"})) == (read_settings({"voltage": "12Vdc"}), None)


@pytest.mark.parametrize("given", [{"pin": "#808080=tin"}, {"background": "tin"}])
def test_metal_that_is_asked_for_and_left_out_is_an_error(given: dict[str, str]) -> None:
    with pytest.raises(SettingsError, match="230 V AC") as caught:
        without_live_metal(board(), read_settings({"voltage": "230Vac", **given}))
    assert "bare_metal keep" in caught.value.mend
