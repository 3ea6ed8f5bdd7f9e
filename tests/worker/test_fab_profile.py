"""Fab profiles: read, checked, and complained about by file, key and mend.

That legend in a mask opening is clipped off, and that every layer's limit bounds a finish's smallest feature: common
practice, no source.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomlkit

from tests.boards import FABS
from worker.errors import FabProfileError
from worker.fab_profile import (
    FINISH_KEYS,
    KEYS,
    LIMITS,
    MAX_BYTES,
    MAX_FINISHES,
    MAX_LINES,
    READING_KEYS,
    RECIPE_KEYS,
    STACK_UP,
    UNSTATED_LIMITS,
    Limit,
    limit_unit,
    read_fab_profile,
    smallest_feature_mm,
)
from worker.finish import LayerRecipe

ALL_LIMITS = [(section, key) for section, known in LIMITS.items() for key in known]
GOOD = (FABS / "meadow-tin.toml").read_bytes()
GOOD_LIMITS = tomllib.loads(GOOD.decode())["limits"]


def changed(key: str, value: Any) -> bytes:
    """The good profile with one key, given by its path, set to a value; ... takes it away."""
    document: Any = tomlkit.parse(GOOD.decode())
    place = document
    *path, last = [int(part) if part.isdecimal() else part for part in key.split(".")]
    for part in path:
        place = place[part]
    if value is ...:
        del place[last]
    else:
        place[last] = value
    return tomlkit.dumps(document).encode()


@pytest.mark.parametrize("path", sorted(FABS.glob("*.toml")), ids=lambda path: path.stem)
def test_the_demo_profiles_can_be_read_and_say_that_they_are_invented(path: Path) -> None:
    fab = read_fab_profile(path.read_bytes(), file_name=path.name)
    assert fab.id == path.stem
    assert "nvented" in fab.note
    assert {reference.origin for finish in fab.finishes for reference in finish.readings} == {"assumed"}
    assert set(fab.limits) == set(ALL_LIMITS) - {("legend", "solid_area_mm2")}
    assert all(limit.stated and limit.date and limit.source for limit in fab.limits.values())


def test_three_demo_profiles_differ_in_what_they_are_made_of() -> None:
    fabs = [read_fab_profile(path.read_bytes()) for path in FABS.glob("*.toml")]
    assert len(fabs) == 3
    assert len({fab.stack_up["solder_mask"] for fab in fabs}) == 3


def test_the_revision_is_the_hash_of_the_bytes() -> None:
    assert read_fab_profile(GOOD).revision == hashlib.sha256(GOOD).hexdigest()[:16]
    assert read_fab_profile(GOOD + b"\n").revision != read_fab_profile(GOOD).revision


def test_everything_of_the_file_is_in_the_profile() -> None:
    written, fab = tomllib.loads(GOOD.decode()), read_fab_profile(GOOD)
    for key in ("id", "fab", "name", "note", "plating", "lead_free", "background"):
        assert getattr(fab, key) == written[key]
    assert dict(fab.stack_up) == written["stack_up"]
    for finish, entry in zip(fab.finishes, written["finishes"], strict=True):
        assert (finish.id, finish.name, finish.texture) == (entry["id"], entry["name"], entry["texture"])
        assert finish.recipe.copper == entry["recipe"]["copper"]
        assert list(finish.readings[0].lab) == entry["readings"][0]["lab"]
        assert finish.readings[0].date == str(entry["readings"][0].get("date", ""))


def test_the_readme_shows_a_whole_profile() -> None:
    readme = (FABS.parent.parent / "README.md").read_text()
    (example,) = re.findall(r"```toml\n(.*?)```", readme, re.DOTALL)
    fab = read_fab_profile(example.encode())
    assert fab.finish("gold").readings[0].geometry == "d:8 SCI"
    assert fab.limits["copper", "line_mm"] == Limit(value=0.15, date="2026-11-25", source="the fab's page")


REQUIRED = [
    "id", "fab", "name", "plating", "lead_free", "background", "stack_up", "limits", "finishes",
    *(f"stack_up.{key}" for key in STACK_UP),
    *(f"limits.{section}" for section in LIMITS if section not in ("holes", "routing")),
    *(f"limits.{section}.{key}" for section, key in ALL_LIMITS if (section, key) not in UNSTATED_LIMITS),
    *(f"finishes.0.{key}" for key in FINISH_KEYS if key not in ("geometry", "override")),
    *(f"finishes.0.recipe.{key}" for key in RECIPE_KEYS if key != "far_copper"),
    "finishes.0.readings.0.origin",
]  # fmt: skip


@pytest.mark.parametrize("key", REQUIRED)
def test_a_missing_key_is_named_with_its_file(key: str) -> None:
    with pytest.raises(FabProfileError) as caught:
        read_fab_profile(changed(key, ...), file_name="mine.toml")
    named = re.sub(r"\.(\d+)", r"[\1]", key)
    assert caught.value.what.startswith(f"mine.toml: {named}: is missing")
    assert caught.value.mend.startswith("Add it")


@pytest.mark.parametrize("key", ["illuminant", "observer", "geometry"])
def test_a_lab_without_its_conditions_is_refused(key: str) -> None:
    with pytest.raises(FabProfileError) as caught:
        read_fab_profile(changed(f"finishes.0.readings.0.{key}", ...), file_name="mine.toml")
    assert caught.value.what == f"mine.toml: finishes[0].readings[0]: has lab without {key}."
    assert "add what is missing" in caught.value.mend


def with_reading(**reading: object) -> bytes:
    """The good profile with another first reading of its first finish."""
    document: Any = tomlkit.parse(GOOD.decode())
    document["finishes"][0]["readings"][0] = reading
    return tomlkit.dumps(document).encode()


SPECTRUM = {"start_nm": 400, "step_nm": 10, "values": [0.25] * 31}
CONDITIONS = {"illuminant": "D50", "observer": "2"}


def test_a_reading_is_a_spectrum_xyz_or_lab() -> None:
    rest = {"geometry": "45:0", "origin": "measured"}
    spectral = read_fab_profile(with_reading(spectrum=SPECTRUM, **rest)).finishes[0].readings[0]
    assert spectral.grade == "spectral"
    assert spectral.spectrum is not None
    assert spectral.spectrum.end_nm == 700.0
    stimulus = read_fab_profile(with_reading(xyz=[20.0, 21.0, 15.0], **CONDITIONS, **rest)).finishes[0].readings[0]
    assert (stimulus.grade, stimulus.xyz, stimulus.illuminant) == ("colorimetric", (20.0, 21.0, 15.0), "D50")
    photo = with_reading(lab=[50.0, 1.0, 2.0], **CONDITIONS, geometry="photo", origin="photo", uncertainty=2.5)
    assert read_fab_profile(photo).finishes[0].readings[0].uncertainty == 2.5


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        ({}, "has none of spectrum, xyz and lab"),
        ({"lab": [50.0, 0.0, 0.0], "xyz": [1.0, 1.0, 1.0]}, "has xyz and lab"),
        ({"spectrum": SPECTRUM, "illuminant": "D65"}, "illuminant: stands beside a spectrum"),
        ({"spectrum": {**SPECTRUM, "start_nm": 410}}, r"start_nm: is 410 nm"),
        ({"spectrum": {**SPECTRUM, "step_nm": 20}}, r"step_nm: is 20 nm"),
        ({"spectrum": {**SPECTRUM, "values": [0.25] * 30}}, "values: end at 690 nm"),
        ({"spectrum": {**SPECTRUM, "values": [25.0] * 31}}, r"values\[0\]: is 25"),
        ({"xyz": [1.0, 2.0], **CONDITIONS}, r"xyz: is \[1.0, 2.0\]"),
        ({"lab": [50.0, 0.0, 0.0], **CONDITIONS, "uncertainty": -1.0}, "uncertainty: is -1"),
    ],
)
def test_a_wrong_reading_is_refused(reading: dict[str, object], said: str) -> None:
    with pytest.raises(FabProfileError, match=r"mine.toml: finishes\[0\].readings\[0\].*" + said):
        read_fab_profile(with_reading(geometry="45:0", origin="measured", **reading), file_name="mine.toml")


def test_the_earlier_name_of_readings_is_read() -> None:
    fab = read_fab_profile(GOOD.replace(b"[[finishes.readings]]", b"[[finishes.references]]"))
    assert [finish.readings for finish in fab.finishes] == [
        finish.readings for finish in read_fab_profile(GOOD).finishes
    ]
    both = GOOD.replace(b"[[finishes.readings]]", b"[[finishes.references]]", 1) + b""
    document: Any = tomlkit.parse(both.decode())
    document["finishes"][0]["readings"] = document["finishes"][0]["references"]
    with pytest.raises(FabProfileError, match="references: is the earlier name of readings"):
        read_fab_profile(tomlkit.dumps(document).encode())


def test_an_override_is_read() -> None:
    document: Any = tomlkit.parse(GOOD.decode())
    document["finishes"][0]["override"] = {"lab": [40.0, -20.0, 5.0], **CONDITIONS, "by": "me", "note": "by eye"}
    override = read_fab_profile(tomlkit.dumps(document).encode()).finishes[0].override
    assert override is not None
    assert (override.lab, override.illuminant, override.by) == ((40.0, -20.0, 5.0), "D50", "me")


@pytest.mark.parametrize("key", ["note", "finishes.0.recipe.far_copper", "finishes.0.readings.0.source"])
def test_what_may_be_left_out(key: str) -> None:
    read_fab_profile(changed(key, ...))


@pytest.mark.parametrize(("section", "key"), UNSTATED_LIMITS)
def test_a_limit_that_is_left_out_gets_a_cautious_value_and_says_so(section: str, key: str) -> None:
    fab = read_fab_profile(changed(f"limits.{section}.{key}", ...) if key in GOOD_LIMITS[section] else GOOD)
    value, source = UNSTATED_LIMITS[section, key]
    if value is None:
        assert (section, key) not in fab.limits
    else:
        assert fab.limits[section, key] == Limit(value=value, date="", source=source, stated=False)
    assert all(limit.stated for name, limit in fab.limits.items() if name != (section, key))


def test_a_profile_without_the_later_limits_is_as_valid_as_before() -> None:
    document: Any = tomlkit.parse(GOOD.decode())
    for section, key in UNSTATED_LIMITS:
        document["limits"][section].pop(key, None)
    del document["limits"]["holes"], document["limits"]["routing"]
    fab = read_fab_profile(tomlkit.dumps(document).encode())
    assert {name for name, limit in fab.limits.items() if limit.stated} == set(ALL_LIMITS) - set(UNSTATED_LIMITS)


@pytest.mark.parametrize(
    ("section", "key", "most_tolerant", "most_cautious"),
    [
        ("copper", "ring_mm", 0.13, 0.25),
        ("legend", "text_height_mm", 0.7, 1.0),
        ("edge", "legend_mm", 0.2, 0.25),
        ("holes", "plated_mm", 0.15, 0.3),
        ("holes", "bare_mm", 0.25, 0.5),
        ("holes", "slot_mm", 0.5, 2.0),
        ("routing", "bit_mm", 0.5, 2.4),
    ],
)
def test_what_counts_unstated_lies_at_the_cautious_end_of_published_fab_pages(
    section: str, key: str, most_tolerant: float, most_cautious: float
) -> None:
    # Published fab pages, range. The bit and the slot: the low-cost column.
    value = UNSTATED_LIMITS[section, key][0]
    assert value is not None
    assert most_tolerant < value <= most_cautious


def test_units() -> None:
    assert {limit_unit(key) for _, key in ALL_LIMITS} == {"mm", "mm2", "percent"}
    fab = read_fab_profile(changed("limits.legend.solid_area_mm2", 50))
    assert fab.limits["legend", "solid_area_mm2"].value == 50.0
    with pytest.raises(FabProfileError, match=r"limits.copper.balance_percent: is 120 percent"):
        read_fab_profile(changed("limits.copper.balance_percent", 120))
    with pytest.raises(FabProfileError, match=r"limits.routing.bit_mm: is 0 mm"):
        read_fab_profile(changed("limits.routing.bit_mm", 0))


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("id", "Not An Id"),
        ("id", ""),
        ("id", "-x"),
        ("id", 7),
        ("name", "a\nb"),
        ("name", "x" * 501),
        ("plating", "chrome"),
        ("lead_free", "yes"),
        ("background", "no-such"),
        ("colour", "red"),
        ("stack_up.sides", 3),
        ("stack_up.sides", True),
        ("stack_up.thickness_mm", 0),
        ("stack_up.copper_um", "35"),
        ("stack_up.weight", 1),
        ("limits.copper.line_mm", 0.0),
        ("limits.copper.line_mm", 6.0),
        ("limits.copper.line_mm", True),
        ("limits.copper.line_mm", "thin"),
        ("limits.copper.line_mm", {"value": 0.15, "unit": "mm"}),
        ("limits.copper.line_mm", {"date": "2026-11-25"}),
        ("limits.copper.width_mm", 0.15),
        ("limits.solder_mask", 0.15),
        ("finishes", []),
        ("finishes", [1, 2]),
        ("finishes.0.id", "../x"),
        ("finishes.0.texture", "shiny"),
        ("finishes.0.gloss", 1),
        ("finishes.0.recipe.copper", "maybe"),
        ("finishes.0.recipe.mask_opening", 1),
        ("finishes.0.recipe.far_copper", "hatch"),
        ("finishes.0.readings", []),
        ("finishes.0.readings.0.lab", [50.0, 0.0]),
        ("finishes.0.readings.0.lab", [111.0, 0.0, 0.0]),
        ("finishes.0.readings.0.lab", [50.0, float("nan"), 0.0]),
        ("finishes.0.readings.0.illuminant", "sun"),
        ("finishes.0.readings.0.observer", "20"),
        ("finishes.0.readings.0.origin", "guessed"),
        ("finishes.0.readings.0.xyz", [1, 2, 3]),
    ],
)
def test_a_wrong_value_is_named_with_its_file_and_a_mend(key: str, value: Any) -> None:
    with pytest.raises(FabProfileError) as caught:
        read_fab_profile(changed(key, value), file_name="mine.toml")
    assert caught.value.what.startswith("mine.toml: ")
    assert key.split(".")[-2 if key.split(".")[-1].isdecimal() else -1] in caught.value.what
    assert caught.value.mend


def test_two_finishes_of_one_id_are_refused() -> None:
    with pytest.raises(FabProfileError, match="two entries with id"):
        read_fab_profile(changed("finishes.1.id", tomllib.loads(GOOD.decode())["finishes"][0]["id"]))


def test_the_number_of_finishes_is_bounded() -> None:
    one = tomllib.loads(GOOD.decode())["finishes"][0]
    many = [{**one, "id": f"finish-{i}"} for i in range(MAX_FINISHES + 1)]
    with pytest.raises(FabProfileError, match="finishes"):
        read_fab_profile(changed("finishes", many))
    with pytest.raises(FabProfileError, match="finishes"):
        read_fab_profile(changed("finishes", many[:1]))
    assert len(read_fab_profile(_with_background("finish-0", many[:-1])).finishes) == MAX_FINISHES


def _with_background(background: str, finishes: list[dict[str, Any]]) -> bytes:
    document = tomlkit.parse(changed("background", background).decode())
    document["finishes"] = finishes
    return tomlkit.dumps(document).encode()


@pytest.mark.parametrize(
    "recipe",
    [
        {"copper": "solid", "mask_opening": True, "legend": True},
        {"copper": "either", "mask_opening": True, "legend": False},
    ],
)
def test_a_stack_that_no_fab_makes_is_refused(recipe: dict[str, Any]) -> None:
    with pytest.raises(FabProfileError, match="recipe"):
        read_fab_profile(changed("finishes.0.recipe", recipe))


@pytest.mark.parametrize(
    "toml", [b"id = ", b"\xff\xfe", b"", b"a = [" * 5000, b"#" * (MAX_BYTES + 1), b"\n" * MAX_LINES]
)
def test_a_damaged_file_is_refused_by_name(toml: bytes) -> None:
    with pytest.raises(FabProfileError, match=r"^mine\.toml: "):
        read_fab_profile(toml, file_name="mine.toml")


LIMIT_VALUES = {
    "copper": {"line_mm": 0.11, "gap_mm": 0.12, "metal_gap_mm": 0.25, "hatch_mm": 0.3},
    "solder_mask": {"opening_mm": 0.13, "web_mm": 0.14},
    "legend": {"line_mm": 0.16, "gap_mm": 0.1, "dot_mm": 0.2},
}


@pytest.mark.parametrize(
    ("copper", "mask_opening", "legend", "wanted"),
    [
        ("solid", True, False, 0.13),  # metal: copper line 0.11, mask opening 0.13, legend gap 0.10
        ("none", True, False, 0.13),  # laminate: copper gap 0.12, mask opening 0.13
        ("none", False, False, 0.14),  # mask on laminate: copper gap 0.12, mask web 0.14
        ("solid", False, False, 0.14),  # mask on copper: copper line 0.11, mask web 0.14
        ("hatch", False, False, 0.3),  # hatched copper under mask: hatch 0.30
        ("either", False, False, 0.14),  # mask, whatever lies below
        ("either", False, True, 0.2),  # legend: line 0.16, dot 0.20
    ],
)
def test_the_smallest_feature_is_the_widest_limit_of_its_layers(
    copper: Any, mask_opening: bool, legend: bool, wanted: float
) -> None:
    limits = {
        (section, key): Limit(value=value, date="", source="")
        for section, known in LIMIT_VALUES.items()
        for key, value in known.items()
    }
    recipe = LayerRecipe(copper=copper, mask_opening=mask_opening, legend=legend)
    assert smallest_feature_mm(recipe, limits) == wanted


def test_every_key_has_a_meaning() -> None:
    for table in (KEYS, STACK_UP, FINISH_KEYS, RECIPE_KEYS, READING_KEYS, *LIMITS.values()):
        assert all(table.values())
