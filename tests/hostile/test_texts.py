"""Texts of every kind that the product reads: whatever they hold, they end in an error of ours or in a value.

Each parser gets any text, and texts made of the words of its own grammar, which come further.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.engine.sweeps import sweep_size
from tests.hostile.damage import broken
from tests.hostile.judging import fault_of
from worker.board_file import BoardFile, read_board_file
from worker.bounded_text import TextFault, parse_toml
from worker.errors import MaskwrightError
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import SETTINGS, read_settings
from worker.outlines import MAX_POINTS, read_path_data
from worker.panel_file import PanelFile, read_panel_file
from worker.patch_map import PatchMap, read_patch_map
from worker.reading import read_viewing_conditions
from worker.reading_files import ReadingDefaults, read_readings

ROOT = Path(__file__).parents[2]
FAB = (ROOT / "samples/fabs/alba-black.toml").read_bytes()
BOARD = b"""origin = "centre"
[outline]
path = "M -20 -15 H 20 V 15 C 10 15 0 10 -20 15 A 1 1 0 0 1 -20 -15 Z"
[[cut_outs]]
circle = [12, -7, 5]
[[holes]]
x = -16
y = 11
diameter = 1.2
plated = true
[[scores]]
y = -15
"""
BOARD_JSON = b'{"origin": "centre", "holes": [{"x": 1, "y": 2, "diameter": 1.5, "plated": false, "to": [3, 4]}]}'
PANEL = b"""
name = "tokens"
size = [100, 80.5]
join = "tabs"
spacing = 2.4
label = true
rails = { top = 8, bottom = 8 }
[[free]]
circle = [50, 40, 60]
[[taken]]
path = "M 0 0 H 10 V 10 Z"
[[pieces]]
job = "3f0c"
count = "fill"
turns = [0, 180]
[tabs]
width = 2.5
angles = [10, 190.5]
[fiducials]
diameter = 1.2
[tooling_holes]
count = 3
[numbering]
start = 7
height = 1.5
"""
MAP = b"""{"schema_version": 1, "board": {"width": 60, "height": 40}, "odd_corner": "top_left",
"corners": {"coupon": [[0, 0], [60, 0], [60, 40], [0, 40]], "chart": null},
"patches": [{"finish": "gold", "x": 1, "y": 1, "width": 5, "height": 5, "repeat": 1}], "surround": [[20, 20, 5, 5]]}"""
CSV = b"finish,geometry,origin,illuminant,observer,L*,a*,b*\ngold,45:0,measured,D50,2 degree,76.0,5.0,33.0\n"
CGATS = b"""CGATS.17
INSTRUMENTATION "one; two"
MEASUREMENT_GEOMETRY "45/0"
WEIGHTING_FUNCTION "ILLUMINANT, D50"
WEIGHTING_FUNCTION "OBSERVER, 2 degree"
NUMBER_OF_FIELDS 4
BEGIN_DATA_FORMAT
SAMPLE_NAME LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 1
BEGIN_DATA
"gold" 76.0 5.0 33.0
END_DATA
"""
CXF = b"""<?xml version="1.0" encoding="UTF-8"?>
<cc:CxF xmlns:cc="http://colorexchangeformat.com/CxF3-core"><cc:FileInformation><cc:Creator>c</cc:Creator>
</cc:FileInformation><cc:Resources><cc:ObjectCollection><cc:Object ObjectType="Standard" Name="gold" Id="1">
<cc:ColorValues><cc:ColorCIELab ColorSpecification="s"><cc:L>76.0</cc:L><cc:A>5.0</cc:A><cc:B>33.0</cc:B>
</cc:ColorCIELab></cc:ColorValues></cc:Object></cc:ObjectCollection><cc:ColorSpecificationCollection>
<cc:ColorSpecification Id="s"><cc:TristimulusSpec><cc:Illuminant>D50</cc:Illuminant><cc:Observer>2_Degree</cc:Observer>
</cc:TristimulusSpec></cc:ColorSpecification></cc:ColorSpecificationCollection></cc:Resources></cc:CxF>
"""


def path_data(data: bytes) -> Any:
    return read_path_data(data.decode("utf-8", "replace"), where="board file: outline.path")


def cxf(data: bytes) -> Any:
    return read_readings(data, defaults=ReadingDefaults(geometry="45:0"))


READERS: dict[str, tuple[Callable[[bytes], Any], bytes]] = {
    "fab profile": (read_fab_profile, FAB),
    "board file": (read_board_file, BOARD),
    "board file in JSON": (read_board_file, BOARD_JSON),
    "panel file": (read_panel_file, PANEL),
    "patch map": (read_patch_map, MAP),
    "CSV": (read_readings, CSV),
    "CGATS": (read_readings, CGATS),
    "CxF": (cxf, CXF),
    "path data": (
        path_data,
        b"M 0 0 h 5.5 V 4 c 1 1 2,2 3 3 s 1 1 2 2 q 1 1 2 2 T 9 9 A 1 2 30 0 1 9 8 z m 1 1 L 3e1 4 Z",
    ),
}
BITS = (
    b"nan", b"inf", b"-1", b"1e999", b"0x" + b"f" * 4000, b"9" * 500, b"9" * 5000, b"[" * 3000, b"{" * 3000,
    b'{"a":' * 3000,
    b"a." * 60 + b"a=1\n", b"\0", b"\xff\xfe", b"\x1b[31m", b"\xed\xa0\x80", b'"\\ud800"', b"'''", b'"""',
    b"\r", b"\n" * 50, b"2023-13-99",
    b"1979-05-27T07:32:00Z", b"true", b"[[a]]\n", b"&a;", b"<a>" * 60, b"<!DOCTYPE x>", b",,,", b";", b"\t",
    b"#", b'"', b"1,5",
    "é°µ".encode(), b"1e400", b"1e-400", b"-0", b"{}", b"[]", b"null", )  # fmt: skip


def end_of(read: Callable[[bytes], Any], data: bytes) -> tuple[str, str]:
    """How reading ended, and what is wrong with that."""
    try:
        value = read(data)
    except MaskwrightError as error:
        return "refused", fault_of(error, data.decode("latin-1"))
    except Exception as error:
        return "refused", fault_of(error)
    return "taken", fault_of_value(value)


def fault_of_value(value: Any) -> str:
    """What is wrong with what was read: every number in it must be one, within what its reader allows."""
    if isinstance(value, FabProfile):
        numbers = [limit.value for limit in value.limits.values()]
    elif isinstance(value, BoardFile):
        numbers = [part for hole in value.holes for part in (hole.x, hole.y, hole.diameter)]
        numbers += [part for point in value.outline or () for part in point]
        numbers += [part for cut in value.cut_outs for point in cut.points for part in point]
    elif isinstance(value, PanelFile):
        numbers = [part for point in value.outline for part in point]
        numbers += [part for _, points in (*value.free, *value.taken) for point in points for part in point]
        numbers += [value.spacing, value.tabs.width, *value.tabs.angles, *(piece.count or 1 for piece in value.pieces)]
    elif isinstance(value, PatchMap):
        numbers = [part for patch in value.patches for part in (patch.place.x, patch.place.width, patch.repeat)]
    elif value and hasattr(value[0], "reading"):
        numbers = [
            part
            for each in value
            for part in (*(each.reading.lab or ()), *(each.reading.xyz or ()), each.reading.uncertainty or 0.0)
        ]
    else:
        numbers = [part for subpath in value for point in subpath.points for part in point]
        if sum(len(subpath.points) for subpath in value) > MAX_POINTS + len(value):
            return "has more points than a path may have"
    return (
        "" if all(math.isfinite(number) and abs(number) < 1e9 for number in numbers) else "holds a number that is none"
    )


@pytest.mark.parametrize("name", READERS)
def test_a_sound_text_is_taken(name: str) -> None:
    read, sound = READERS[name]
    assert end_of(read, sound) == ("taken", "")


@pytest.mark.parametrize("name", READERS)
def test_a_broken_text_is_refused_in_words_or_taken(name: str) -> None:
    """Cut short, bytes flipped, stretches lost, and hostile bits put in at places of a seed."""
    read, sound = READERS[name]
    count = sweep_size(10 if name in ("fab profile", "CxF") else 30, 600)
    cases = list(broken(name, sound, cut=count, flip=count, lose=count))
    places = [len(sound) * step // 7 for step in range(8)]
    found = [(case.name, end_of(read, case.data)) for case in cases]
    for bit in BITS:
        for place in places[::3] if name in ("fab profile", "CxF") else places:
            found.append((f"{bit[:20]!r} at {place}", end_of(read, sound[:place] + bit + sound[place:])))
        lines = sound.split(b"\n")
        number = 1 + len(bit) % max(1, len(lines) - 1)
        key, sign, _ = lines[number % len(lines)].partition(b"=")
        if sign:
            lines[number % len(lines)] = key + b"= " + bit
            found.append((f"{key!r} = {bit[:20]!r}", end_of(read, b"\n".join(lines))))
    assert [(case, fault) for case, (_, fault) in found if fault] == []
    assert {end for _, (end, _) in found} == {"refused", "taken"}


@pytest.mark.parametrize(
    "bit", ["A 1 1 0 0 1 1e6 1e6 ", "C 1e6 1e6 1e6 1e6 0 0 ", "Q 1e6 1e6 0 0 ", "l 1e6 1e6 ", "M 1 1 L 2 2 "]
)
def test_a_path_without_end_is_cut_off(bit: str) -> None:
    """Curves of the largest numbers, each of thousands of points, and many short ones."""
    assert end_of(path_data, b"M 0 0 " + bit.encode() * 3_000)[1] == ""


GRAMMAR = """M z A C 0 1 -5.5 1e6 , = " ' [ ] [[ ]] { } . # nan inf finish L* a* b* X Y Z 400 700 BEGIN_DATA END_DATA
BEGIN_DATA_FORMAT END_DATA_FORMAT LAB_L SPECTRAL_NM outline path holes x polygon finishes limits copper line_mm true
< > / CxF cc: illuminant D50"""
WORDS = st.sampled_from([*GRAMMAR.split(), "\n", "\t", " ", "\ud800"])
TEXTS = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=100).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.lists(WORDS, max_size=40).map(lambda words: " ".join(words).encode("utf-8", "surrogatepass")),
    st.lists(WORDS, max_size=40).map(lambda words: "".join(words).encode("utf-8", "surrogatepass")),
)


@pytest.mark.parametrize("name", READERS)
@settings(max_examples=sweep_size(40, 3000), suppress_health_check=list(HealthCheck))
@given(data=TEXTS, place=st.floats(0, 1))
def test_any_text_is_refused_in_words_or_taken(name: str, data: bytes, place: float) -> None:
    """Alone, and in the midst of a sound one."""
    read, sound = READERS[name]
    at = int(place * len(sound))
    assert end_of(read, data)[1] == ""
    assert end_of(read, sound[:at] + data + sound[at:])[1] == ""


ODD = (
    "", "nan", "inf", "-1mm", "0mm", "1e999mm", "1e-999mm", "9" * 400 + "mm", "mm", "1 mm 2", "\u0661mm", "1mm\0",
    "1" * 3000, "\ud800", "x" * 3000, "#", "#FFFFFF~1e9=gold", "#FFFFFF~nan=gold", "#FFFFFF=" + "g" * 3000,
    "contrast:nan", "contrast:1e999", "rectangle:-1mm", "rectangle:1e999mm", "path:#", "path:#\0", "9" * 400 + "V",
    "-1V", "1e9V", "infVdc", "0", "-1", "257", "99999999", "D65/", "/2", "D50/2/2", "\x1b[31m",
)  # fmt: skip


@pytest.mark.parametrize("name", SETTINGS)
def test_an_odd_setting_is_refused_in_words_or_written_back_as_it_is_read(name: str) -> None:
    """What is taken is a number in range: written out, it reads back as the same settings."""
    for value in ODD:
        try:
            taken = read_settings({name: value})
            assert read_settings(taken.as_text()) == taken, value
        except MaskwrightError as error:
            assert fault_of(error, value) == "", value


@settings(max_examples=sweep_size(150, 5000))
@given(
    name=st.sampled_from(list(SETTINGS)),
    value=st.text(max_size=30) | st.from_regex(r"[#a-z:~=0-9.]{0,20}(mm|in|V|/2)?"),
)
def test_any_setting_is_refused_or_written_back_as_it_is_read(name: str, value: str) -> None:
    try:
        taken = read_settings({name: value})
        assert read_settings(taken.as_text()) == taken
    except MaskwrightError as error:
        assert fault_of(error, value) == ""


@given(text=st.text(max_size=20))
def test_any_viewing_conditions(text: str) -> None:
    try:
        assert read_viewing_conditions(text).text() == text.upper().replace(" ", "") or text.strip() != text
    except MaskwrightError as error:
        assert fault_of(error, text) == ""


@pytest.mark.parametrize(
    "text",
    [
        "a" + ".a" * 80_000 + "=1",
        "x = {a" + " . 'b'" * 80_000 + " = 1}",
        "x = " + "[" * 100_000,
        "x = 0x" + "f" * 1_000_000,
    ],
)
def test_what_takes_the_parser_hours_is_refused_before(text: str) -> None:
    """Each would take Python's TOML reader minutes and gigabytes, or give a number that can't be printed."""
    with pytest.raises(TextFault, match="line 1 "):
        parse_toml(text)


@given(text=st.text(alphabet="ab.\"'[]{}=#\\ \n1,", max_size=60))
def test_what_the_parser_takes_is_taken_as_it_takes_it(text: str) -> None:
    """Outside check: Python's own TOML reader, on texts below the limits."""
    import tomllib

    try:
        wanted: Any = tomllib.loads(text)
    except ValueError:
        with pytest.raises(TextFault):
            parse_toml(text)
    else:
        assert parse_toml(text) == wanted
