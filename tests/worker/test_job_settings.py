"""Settings from their written form and back.

An inch is 25.4 mm exactly (international yard and pound agreement of 1959).
"""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.errors import SettingsError
from worker.job_settings import REPEATABLE, SETTINGS, Pin, Settings, length_mm, read_pin, read_settings
from worker.reading import ILLUMINANTS, OBSERVERS


def test_nothing_given_means_the_defaults() -> None:
    assert read_settings({}) == Settings()
    assert read_settings(dict.fromkeys(SETTINGS, "")) == Settings()
    assert read_settings(dict.fromkeys(SETTINGS, None)) == Settings()


@pytest.mark.parametrize("name", [name for name, (_, default, _) in SETTINGS.items() if default])
def test_the_stated_default_is_the_default(name: str) -> None:
    assert read_settings({name: SETTINGS[name][1]}) == Settings()


@pytest.mark.parametrize("name", SETTINGS)
def test_the_stated_example_can_be_read(name: str) -> None:
    assert read_settings({name: SETTINGS[name][0]}).as_text()[name] not in (None, [])


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("60mm", 60.0),
        ("6 cm", 60.0),
        ("1in", 25.4),
        ("2.5 inch", 63.5),
        ('1"', 25.4),
        ("20um", 0.02),
        ("20µm", 0.02),
        (".5mm", 0.5),
        ("1e2mm", 100.0),
    ],
)
def test_lengths(text: str, mm: float) -> None:
    assert length_mm("width", text) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize("text", ["60", "mm", "60 furlong", "-5mm", "1,5mm", "nanmm", "infmm", "60mm60mm", "٣mm"])
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="width") as caught:
        read_settings({"width": text})
    assert repr(text) in caught.value.what
    assert "60mm" in caught.value.mend


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("width", "0.05mm"),
        ("height", "1201mm"),
        ("pitch", "4.9um"),
        ("pitch", "101um"),
        ("clusters", "0"),
        ("clusters", "257"),
        ("clusters", "eight"),
        ("clusters", "-1"),
        ("max_finishes", "0"),
        ("max_finishes", "2.5"),
        ("assignment", "contrast:1.5"),
        ("assignment", "contrast:"),
        ("assignment", "faithful:0.5"),
        ("assignment", "contrast:nan"),
        ("assignment", "loud"),
        ("edges", "soft"),
        ("quality", "finest"),
        ("clean_up", "maybe"),
        ("use", "toy"),
        ("voltage", "12"),
        ("voltage", "-5V"),
        ("viewing_distance", "10mm"),
        ("viewing_conditions", "D65"),
        ("board", "oval"),
        ("board", "rectangle:"),
        ("board", "rectangle:2"),
        ("board", "rectangle:200mm"),
        ("board", "disc:2mm"),
        ("board", "path:edge"),
        ("board", "path:#"),
        ("round_corners", "yes"),
        ("viewing_conditions", "D60/2"),
        ("viewing_conditions", "D65/5"),
        ("pin", "red=gold"),
        ("pin", "#12345=gold"),
        ("pin", "#112233~-1=gold"),
        ("pin", "#112233~101=gold"),
        ("pin", "#112233="),
    ],
)
def test_a_bad_value_is_named_with_a_mend(name: str, value: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read_settings({name: value})
    assert name in caught.value.what
    assert caught.value.mend


def test_an_unknown_setting_is_named_with_those_that_are_known() -> None:
    with pytest.raises(SettingsError, match="widht") as caught:
        read_settings({"widht": "60mm"})
    assert "width" in caught.value.mend


def test_what_may_not_be_repeated_is_refused_twice() -> None:
    with pytest.raises(SettingsError, match="width"):
        read_settings({"width": ["60mm", "70mm"]})
    assert read_settings({"forbid": ["gold", "tin"]}).forbid == ("gold", "tin")


def test_pins() -> None:
    assert read_pin("#C82828~12=legend") == Pin(srgb=(200, 40, 40), delta_e=12.0, finish="legend")
    assert read_pin("#c82828=legend").delta_e == 5.0


@pytest.mark.parametrize("given", [{"pin": "#C82828=gold", "forbid": "gold"}, {"background": "gold", "forbid": "gold"}])
def test_settings_that_contradict_each_other_are_refused(given: dict[str, str]) -> None:
    with pytest.raises(SettingsError, match="gold"):
        read_settings(given)


@pytest.mark.parametrize(
    ("text", "volts", "kind"), [("12V", 12.0, "unknown"), ("48 Vdc", 48.0, "dc"), ("230VAC", 230.0, "ac")]
)
def test_voltage(text: str, volts: float, kind: str) -> None:
    settings = read_settings({"voltage": text})
    assert (settings.voltage, settings.voltage_kind) == (volts, kind)


finish_ids = st.from_regex(r"[a-z0-9]([a-z0-9-]{0,8}[a-z0-9])?", fullmatch=True)
written: st.SearchStrategy[dict[str, Any]] = st.fixed_dictionaries(
    {},
    optional={
        "width": st.integers(1, 1200).map(lambda mm: f"{mm}mm"),
        "height": st.floats(0.1, 47.2).map(lambda inch: f"{inch!r}in"),
        "pitch": st.floats(5, 100).map(lambda um: f"{um!r}um"),
        "clusters": st.one_of(st.sampled_from(["auto", "none"]), st.integers(1, 256).map(str)),
        "pin": st.lists(
            st.builds("#{:06x}~{}={}".format, st.integers(0, 0xFFFFFF), st.integers(0, 100), finish_ids), max_size=3
        ),
        "max_finishes": st.integers(1, 64).map(str),
        "assignment": st.floats(0, 1).filter(lambda v: v == 0 or v > 1e-4).map(lambda v: f"contrast:{v:.6f}"),
        "edges": st.sampled_from(["threshold", "dither", "auto"]),
        "quality": st.sampled_from(["fast", "best"]),
        "clean_up": st.sampled_from(["on", "off"]),
        "viewing_distance": st.integers(50, 20000).map(lambda mm: f"{mm}mm"),
        "viewing_conditions": st.builds("{}/{}".format, st.sampled_from(ILLUMINANTS), st.sampled_from(OBSERVERS)),
        "use": st.sampled_from(["wall", "handheld", "worn", "child"]),
        "board": st.one_of(
            st.just("disc"),
            st.builds("{}:{}mm".format, st.sampled_from(["rectangle", "silhouette"]), st.integers(1, 100)),
            st.builds("path:#{}".format, st.from_regex(r"[a-z][a-z0-9_-]{0,8}", fullmatch=True)),
        ),
        "round_corners": st.sampled_from(["on", "off"]),
        "voltage": st.builds("{}V{}".format, st.integers(0, 1000), st.sampled_from(["", "ac", "dc"])),
    },
)


@given(written)
def test_settings_survive_being_written_and_read(given: dict[str, Any]) -> None:
    settings = read_settings(given)
    again = read_settings(settings.as_text())
    assert again.as_text() == settings.as_text()
    for field in dataclasses.fields(Settings):
        first, second = getattr(settings, field.name), getattr(again, field.name)
        assert second == (pytest.approx(first, rel=1e-9) if isinstance(first, float) else first)


def test_every_setting_is_written_by_its_own_name() -> None:
    assert list(Settings().as_text()) == list(SETTINGS)
    assert set(REPEATABLE) <= set(SETTINGS)


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("rectangle", "rectangle"),
        ("rectangle:2mm", "rectangle:2mm"),
        ("rectangle : 0.1in", "rectangle:2.54mm"),
        ("disc", "disc"),
        ("silhouette", "silhouette"),
        ("silhouette:1.5mm", "silhouette:1.5mm"),
        ("path:#the edge", "path:#the edge"),
    ],
)
def test_the_board_s_shape_is_written_as_it_is_read(text: str, written: str) -> None:
    assert read_settings({"board": text}).as_text()["board"] == written
