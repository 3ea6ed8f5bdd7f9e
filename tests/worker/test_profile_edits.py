"""Edits of a fab profile do what was asked for, keep every comment, and nothing else changes."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.boards import FABS
from tests.worker.reading_files.test_round_trips import readings
from worker.errors import FabProfileError, NotFoundError
from worker.fab_profile import FabProfile, read_fab_profile
from worker.profile_edits import (
    add_readings,
    clear_override,
    drop_reading,
    new_readings,
    profile_differences,
    reading_text,
    set_geometry,
    set_override,
)
from worker.reading import Override, Reading, Spectrum

TOML = (FABS / "alba-black.toml").read_bytes()
LAB = Reading(geometry="45:0", origin="measured", lab=(90.5, -0.5, 2.0), illuminant="D50", observer="2", date="spring")
SPECTRUM = Reading(
    geometry="d:8 SCI",
    origin="measured",
    spectrum=Spectrum(start_nm=400.0, step_nm=10.0, values=(0.5,) * 31),
    uncertainty=0.5,
    instrument='bench "2"\\',
    date="2026-11-25",
)
OVERRIDE = Override(lab=(70.0, 4.0, 28.0), illuminant="D65", observer="2", by="Ä", date="2026-11-25", note="why")

TABLES = TOML.replace(
    b"""[[finishes.readings]]
lab = [91.0, -0.8, 2.6]
illuminant = "D65"
observer = "2"
geometry = "45:0"
origin = "assumed"
date = 2026-11-25
source = "invented for the demo"
""",
    b"""[[finishes.references]] # the earlier name
geometry = "45:0" # as ordered
origin = "assumed"

[finishes.references.spectrum]
start_nm = 400
step_nm = 10
values = [
  # flat
  """
    + b", ".join([b"0.8"] * 31)
    + b"""
]

# by eye
[finishes.override]
lab = [91, 0, 2]
illuminant = "D65"
observer = "2"
""",
)
INLINE = TOML.replace(
    TOML[TOML.index(b"[[finishes.readings]]\nlab = [91") : TOML.index(b"# Carbon black")],
    b"""readings = [
    # first
    { lab = [91, 0, 2], illuminant = "D65", observer = "2", geometry = "45:0", origin = "assumed" }, # one
    { xyz = [80, 84, 88], illuminant = "D65", observer = "2", geometry = "45:0", origin = "photo" }
]

""",
)
LAYOUTS = {
    "demo": TOML,
    "tables": TABLES,
    "inline": INLINE,
    "crlf": TOML.replace(b"\n", b"\r\n"),
    "no last line end": TOML.rstrip(b"\n"),
}
layouts = pytest.mark.parametrize("toml", LAYOUTS.values(), ids=LAYOUTS)


def read(toml: bytes) -> FabProfile:
    return read_fab_profile(toml)


def comments(toml: bytes) -> list[tuple[str, str]]:
    """Every comment of its own line with the line below it, where that is no reading: what it stands above."""
    lines = toml.decode().splitlines()
    below = [*lines[1:], ""]
    return [(line, next_line) for line, next_line in zip(lines, below, strict=True) if line.lstrip().startswith("#")]


def others(toml: bytes, finish: str) -> Any:
    """The parsed profile without one finish's readings, geometry and override."""
    parsed = tomllib.loads(toml.decode())
    for entry in parsed["finishes"]:
        if entry["id"] == finish:
            for key in ("readings", "references", "geometry", "override"):
                entry.pop(key, None)
    return parsed


@layouts
@pytest.mark.parametrize("finish", ["mask", "legend", "substrate"])
def test_a_reading_is_added_at_the_end_and_all_else_stays(toml: bytes, finish: str) -> None:
    edited = add_readings(toml, [(finish, LAB), (finish, SPECTRUM)])
    assert read(edited).finish(finish).readings == (*read(toml).finish(finish).readings, LAB, SPECTRUM)
    assert others(edited, finish) == others(toml, finish)
    assert comments(edited) == comments(toml)
    kept = toml.decode().splitlines()
    gone = [line for line in kept if line.strip() and line not in edited.decode().splitlines()]
    assert gone in ([], [kept[kept.index(gone[0])]] if gone else [])  # an array's last line may gain a comma
    assert [line for line in gone if not line.endswith("}")] == []


@layouts
def test_adding_and_dropping_again_gives_the_same_bytes(toml: bytes) -> None:
    finishes = ["legend", "substrate"]
    edited = add_readings(toml, [(finish, LAB) for finish in finishes])
    for finish in finishes:
        edited = drop_reading(edited, finish, 1)
    assert edited.rstrip() == toml.rstrip()


def test_line_ends_stay_what_they_were() -> None:
    edited = add_readings(LAYOUTS["crlf"], [("mask", LAB), ("gold", SPECTRUM)])
    edited = set_override(edited, "gold", OVERRIDE)
    assert edited.count(b"\n") == edited.count(b"\r\n")


@layouts
@pytest.mark.parametrize("index", [0, 1, 2])
def test_any_reading_can_be_dropped(toml: bytes, index: int) -> None:
    held = add_readings(toml, [("mask", LAB), ("mask", SPECTRUM)])
    edited = drop_reading(held, "mask", index)
    before = read(held).finish("mask").readings
    assert read(edited).finish("mask").readings == before[:index] + before[index + 1 :]
    assert others(edited, "mask") == others(held, "mask")
    assert ("# Carbon black ink.", "[[finishes]]") in comments(edited)


@layouts
def test_an_override_is_set_replaced_and_taken_back(toml: bytes) -> None:
    for finish in ("mask", "gold", "substrate"):
        edited = set_override(toml, finish, OVERRIDE)
        assert read(edited).finish(finish).override == OVERRIDE
        other = replace(OVERRIDE, by="", date="", note="", lab=(1.0, 2.0, 3.0))
        again = set_override(edited, finish, other)
        assert read(again).finish(finish).override == other
        cleared = clear_override(again, finish)
        assert read(cleared).finish(finish) == replace(read(toml).finish(finish), override=None)
        for each in (edited, again, cleared):
            assert others(each, finish) == others(toml, finish)
            assert ("# Carbon black ink.", "[[finishes]]") in comments(each)


def test_setting_and_clearing_give_the_same_bytes() -> None:
    assert clear_override(set_override(TOML, "gold", OVERRIDE), "gold") == TOML
    assert set_geometry(set_geometry(TOML, "gold", "d:8 SCI"), "gold", "") == TOML


@layouts
def test_a_geometry_is_chosen(toml: bytes) -> None:
    edited = set_geometry(toml, "gold", "d:8 SCI")
    assert read(edited).finish("gold").geometry == "d:8 SCI"
    assert others(edited, "gold") == others(toml, "gold")
    assert comments(edited) == comments(toml)


@pytest.mark.parametrize(
    ("edit", "what", "mend"),
    [
        (lambda toml: add_readings(toml, [("golf", LAB)]), "has no finish 'golf'", "mask, legend, gold, substrate"),
        (lambda toml: drop_reading(toml, "golf", 0), "has no finish 'golf'", "mask"),
        (lambda toml: drop_reading(toml, "gold", 1), "gold has no reading 1", "from 0 to 0"),
        (lambda toml: drop_reading(toml, "gold", -1), "gold has no reading -1", "from 0 to 0"),
        (lambda toml: drop_reading(toml, "gold", 0), "gold has one reading only", "first"),
        (lambda toml: clear_override(toml, "gold"), "gold has no reference set by hand", "nothing"),
        (lambda toml: set_geometry(toml, "gold", "45:0"), "gold has no reading of geometry '45:0'", "d:8 SCI"),
        (lambda toml: set_override(toml, "gold", replace(OVERRIDE, illuminant="D51")), "override.illuminant", "D65"),
        (lambda toml: set_override(toml, "gold", replace(OVERRIDE, lab=(200.0, 0.0, 0.0))), "override.lab[0]", "110"),
        (lambda toml: add_readings(toml, [("gold", replace(LAB, geometry=""))] * 1000), "readings", "1 to 1000"),
        (lambda toml: add_readings(toml + b"x", [("gold", LAB)]), "TOML", "syntax"),
    ],
)
def test_what_can_not_be_done_says_why(edit: Any, what: str, mend: str) -> None:
    with pytest.raises((FabProfileError, NotFoundError)) as caught:
        edit(TOML)
    assert what in caught.value.what
    assert mend in caught.value.mend


@settings(max_examples=40, deadline=None)
@given(st.lists(readings(), min_size=1, max_size=3))
def test_any_reading_goes_in_and_comes_out_the_same(added: list[Reading]) -> None:
    edited = add_readings(TOML, [("gold", reading) for reading in added])
    assert read(edited).finish("gold").readings[1:] == tuple(added)


def test_readings_that_the_profile_holds_are_no_new_ones() -> None:
    held = add_readings(TOML, [("gold", LAB)])
    twice = [("gold", LAB), ("mask", LAB), ("gold", SPECTRUM), ("gold", SPECTRUM)]
    assert new_readings(read(held), twice) == twice[1:]


def test_every_difference_is_named() -> None:
    edited = add_readings(TOML, [("gold", SPECTRUM), ("gold", LAB)])
    edited = set_override(set_geometry(drop_reading(edited, "gold", 0), "gold", "45:0"), "mask", OVERRIDE)
    edited = edited.replace(b"line_mm = { value = 0.15", b"line_mm = { value = 0.2", 1)
    edited = edited.replace(b'id = "substrate"', b'id = "bare"').replace(b"thickness_mm = 1.0", b"thickness_mm = 1.6")
    found = [(each.kind, each.finish, each.key) for each in profile_differences(read(TOML), read(edited))]
    assert found == [
        ("profile changed", "", "stack_up.thickness_mm"),
        ("limit changed", "", "copper.line_mm"),
        ("override set", "mask", "override"),
        ("finish changed", "gold", "geometry"),
        ("finish changed", "gold", "smallest_feature_mm"),
        ("reading dropped", "gold", "readings"),
        ("reading added", "gold", "readings"),
        ("reading added", "gold", "readings"),
        ("finish dropped", "substrate", "id"),
        ("finish added", "bare", "id"),
    ]
    assert profile_differences(read(TOML), read(TOML + b"# no more than a comment\n")) == []


def test_a_changed_and_a_cleared_override_are_told_apart() -> None:
    one, two = set_override(TOML, "gold", OVERRIDE), set_override(TOML, "gold", replace(OVERRIDE, note="no"))
    kinds = [profile_differences(read(old), read(new))[0].kind for old, new in ((TOML, one), (one, two), (two, TOML))]
    assert kinds == ["override set", "override changed", "override cleared"]


def test_a_reading_in_words_names_its_colour_and_conditions() -> None:
    assert reading_text(LAB) == "Lab 90.5, -0.5, 2; D50/2; 45:0; measured; spring"
    assert reading_text(SPECTRUM).startswith("spectrum 400-700 nm every 10 nm; ±0.5; d:8 SCI; measured; 2026-11-25")


def test_limits_that_come_and_go_are_named_with_their_unit() -> None:
    solid = b"solid_area_mm2 = { value = 50, date = 2026-11-25, source = 'their page' }\n"
    edited = TOML.replace(b"[limits.edge]", solid + b"[limits.edge]")
    edited = b"\n".join(line for line in edited.splitlines() if not line.startswith(b"ring_mm"))
    found = {each.key: (each.old, each.new) for each in profile_differences(read(TOML), read(edited))}
    assert found["legend.solid_area_mm2"] == ("no limit", "50 mm2 (2026-11-25; their page)")
    assert found["copper.ring_mm"][1] == "0.25 mm (not stated by the profile)"
    assert len(found) == 2
