"""Gerber files: rule by rule of the Gerber Layer Format Specification (Ucamco), and read back by two readers.

Of the specification only the cover and the contents could be read here: every rule is from memory, with the section
where one is remembered.
"""

from __future__ import annotations

import datetime
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from gerbonara.rs274x import GerberFile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import ndimage

from tests.engine.fabrication.rasters import SEEDS, planes_from, random_stack
from tests.engine.fabrication.readers import drawn_by_gerbonara, drawn_by_gerbv, needs_gerbv
from worker.engine.fabrication.contours import trace
from worker.engine.fabrication.file_attributes import Project, field_text, project_guid
from worker.engine.fabrication.gerber import gerber_layer, gerber_profile
from worker.engine.fabrication.grid import seen_from_the_top
from worker.engine.fabrication.planes import BOARD, COPPER, LayerPlanes
from worker.engine.fabrication.rings import layer_rings
from worker.engine.fabrication.simplify import COARSE_PX, FINE_PX, simplify
from worker.errors import SettingsError

PROJECT = Project(
    name="owl, 40 % *new*",
    guid=project_guid(b"owl"),
    revision="1",
    version="0.1.0",
    created=datetime.datetime(2026, 11, 25, 12, 30, tzinfo=datetime.UTC),
)
SQUARE = np.array([[0, 0], [40_000_000, 0], [40_000_000, 30_000_000], [0, 30_000_000]], np.int64)


def copper_file(planes: LayerPlanes, *, tolerance: float | None = None, project: Project = PROJECT) -> bytes:
    """The copper's file."""
    contours = trace(planes)
    if tolerance is not None:
        contours = simplify(contours, tolerance)
    pieces = gerber_layer(
        layer_rings(contours, COPPER),
        function="Copper,L1,Top",
        polarity="Positive",
        project=project,
        aperture_function="NonConductor",
    )
    return b"".join(pieces)


def cells(seed: int = 3, size: int = 4) -> LayerPlanes:
    """A dithered side: cells of 4 x 4 pixels."""
    picked = np.random.default_rng(seed).random((20, 25)) < 0.35
    stack = np.where(np.kron(picked, np.ones((size, size), bool)), BOARD | COPPER, BOARD).astype(np.uint8)
    return planes_from(stack)


def commands(data: bytes) -> list[str]:
    """The commands of a file, in order; extended ones with their percent signs."""
    text = data.decode("ascii").replace("\n", "")
    return re.findall(r"%[^%]*%|[^%*]*\*", text)


EXAMPLES = {
    "copper": copper_file(cells()),
    "noise": copper_file(planes_from(random_stack(400, largest=60))),
    "simplified": copper_file(planes_from(random_stack(403, largest=60)), tolerance=COARSE_PX),
    "profile": gerber_profile([SQUARE, SQUARE // 4 + 5_000_000], project=PROJECT),
    "empty": copper_file(planes_from(np.full((3, 3), BOARD, np.uint8))),
}
each_file = pytest.mark.parametrize("data", EXAMPLES.values(), ids=EXAMPLES)


@each_file
def test_rule_ascii_and_every_command_known(data: bytes) -> None:
    """3: printable 7-bit signs and line ends; each command ends in *, extended ones stand between percent signs.

    Nothing deprecated (8): no G54, G70, G71, G74, G90, G91, M00, M01, IP, IN, LN, AS, MI, OF, SF; and no arcs.
    """
    assert set(data) <= set(range(32, 127)) | {10}
    known = (
        r"G04[^%*]*\*|%TF\.[^%*]+\*%|%TA\.[^%*]+\*%|%TD\*%|%FSLAX46Y46\*%|%MOMM\*%|%LP[DC]\*%|%ADD\d+[RC],[^%*]+\*%"
        r"|G75\*|G01\*|G36\*|G37\*|D\d{2,}\*|X-?\d+Y-?\d+D0[123]\*|M02\*"
    )
    for command in commands(data):
        assert re.fullmatch(known, command), command
    assert "".join(commands(data)) == data.decode("ascii").replace("\n", "")


@each_file
def test_rule_format_and_unit_come_once_and_first(data: bytes) -> None:
    """4.1 and 4.2: FS and MO exactly once, before any coordinate and any aperture."""
    found = commands(data)
    for wanted in ("%FSLAX46Y46*%", "%MOMM*%"):
        assert found.count(wanted) == 1
        uses = [i for i, command in enumerate(found) if command.startswith(("X", "%AD", "D"))]
        assert found.index(wanted) < min(uses, default=len(found))


@each_file
def test_rule_the_file_ends_with_m02(data: bytes) -> None:
    """4.13: M02 is the last command, once."""
    assert commands(data)[-1] == "M02*" and commands(data).count("M02*") == 1
    assert data.endswith(b"M02*\n")


@each_file
def test_rule_apertures_are_defined_before_use_from_d10_and_not_empty(data: bytes) -> None:
    """4.3: numbers from 10 on, no number twice, sizes above 0; 4.6: D selects a defined one."""
    known: set[int] = set()
    for command in commands(data):
        if match := re.fullmatch(r"%ADD(\d+)[RC],([0-9.X]+)\*%", command):
            assert int(match[1]) >= 10 and int(match[1]) not in known
            assert all(float(size) > 0 for size in match[2].split("X"))
            known.add(int(match[1]))
        if match := re.fullmatch(r"D(\d{2,})\*", command):
            assert int(match[1]) in known


@each_file
def test_rule_drawing_needs_an_aperture_and_a_mode(data: bytes) -> None:
    """4.7 and 4.8: G01 before the first D01; outside regions, D01 and D03 need a current aperture."""
    current, mode, inside = None, False, False
    for command in commands(data):
        mode |= command == "G01*"
        inside = command == "G36*" or (inside and command != "G37*")
        current = command if re.fullmatch(r"D\d{2,}\*", command) else current
        if command.endswith(("D01*", "D03*")) and command.startswith("X"):
            assert mode and (inside or current)


@each_file
def test_rule_regions_are_closed_simple_contours(data: bytes) -> None:
    """4.10: a contour begins with D02, goes on with D01, ends where it began, and does not cross itself.

    No D03 and no change of aperture or polarity between G36 and G37.
    """
    bodies = re.findall(r"G36\*(.*?)G37\*", data.decode("ascii").replace("\n", ""))
    assert data.count(b"G36*") == data.count(b"G37*") == len(bodies)
    for body in bodies:
        assert re.fullmatch(r"X\d+Y\d+D02\*(X\d+Y\d+D01\*){3,}", body)
        points = [tuple(map(int, point)) for point in re.findall(r"X(\d+)Y(\d+)", body)]
        assert points[0] == points[-1]
        assert all(a != b for a, b in pairwise(points))
        assert shapely.Polygon(points).is_valid


@each_file
def test_rule_file_attributes(data: bytes) -> None:
    """5.6: generation software, date with time zone, project, part, function, polarity and coordinates.

    Each once, before anything is drawn; commas, percent signs and stars of a text as \\uXXXX.
    """
    names = re.findall(rb"%TF\.(\w+),", data)
    assert sorted(names) == sorted(
        [
            b"GenerationSoftware",
            b"CreationDate",
            b"ProjectId",
            b"Part",
            b"FileFunction",
            b"FilePolarity",
            b"SameCoordinates",
        ]
    )
    assert b"%TF.CreationDate,2026-11-25T12:30:00+00:00*%" in data
    assert rb"%TF.ProjectId,owl\u002C 40 \u0025 \u002Anew\u002A," in data
    assert b"%TF.GenerationSoftware,Maskwright,Maskwright,0.1.0*%" in data
    assert data.rindex(b"%TF.") < data.index(b"%FS")


def test_rule_art_copper_is_no_conductor_and_the_profile_is_a_profile() -> None:
    """5.6.10: .AperFunction NonConductor for copper without an electrical function; Profile for the profile's line."""
    assert b"%TA.AperFunction,NonConductor*%" in EXAMPLES["copper"]
    assert b"%TA.AperFunction,Profile*%\n%ADD10C,0.1*%\n%TD*%" in EXAMPLES["profile"]


def test_rule_the_profile_is_closed_lines_and_no_fill() -> None:
    """Common practice, no source: cut lines are lines. 4.8: each begins with D02 and ends where it began."""
    data = EXAMPLES["profile"].decode("ascii")
    assert "G36" not in data and "LPC" not in data
    lines = re.findall(r"((?:X\d+Y\d+D0[12]\*\n)+)", data)[0].split("D02*")
    assert data.count("D02*") == 2 and len(lines) == 3
    points = re.findall(r"X(\d+)Y(\d+)D0(\d)", data)
    assert points[0][:2] == points[4][:2] == ("0", "0")
    assert points[5][:2] == points[9][:2] and points[5][2] == "2"


def test_an_outline_of_two_points_is_refused() -> None:
    with pytest.raises(SettingsError, match="outline has 2 points"):
        gerber_profile([SQUARE[[0, 0, 1]]], project=PROJECT)


def test_a_solder_masks_file_draws_its_openings_dark_and_says_negative() -> None:
    """5.6.4: the attribute states, it inverts nothing. Also seen in published example files."""
    rings = layer_rings(trace(cells()), COPPER)
    data = b"".join(gerber_layer(rings, function="Soldermask,Top", polarity="Negative", project=PROJECT))
    assert b"%TF.FileFunction,Soldermask,Top*%" in data and b"%TF.FilePolarity,Negative*%" in data
    assert b"%LPD*%" in data and b"AperFunction" not in data
    assert (drawn_by_gerbonara(data, 80, 100, 10.0) == cells().plane(COPPER)).all()


@pytest.mark.parametrize(
    ("columns", "pitch_um", "coordinate"),
    [(150, 10.0, 1_500_000), (10, 10.0, 100_000), (254, 100.0, 25_400_000), (30_000, 100.0, 3_000_000_000)],
)
def test_unit_arithmetic(columns: int, pitch_um: float, coordinate: int) -> None:
    """Format 4.6 in mm: 1.5 mm is 1500000, 0.1 mm 100000, 25.4 mm (1 inch) 25400000; 3 m need 64 bits."""
    data = copper_file(planes_from(np.full((2, columns), BOARD | COPPER, np.uint8), pitch_um))
    assert f"X{coordinate}Y0D01*" in data.decode("ascii")
    assert (f"Y{round(2 * pitch_um * 1000)}D0" in data.decode("ascii")) and "-" not in data.decode("ascii").split(
        "%LPD*%"
    )[1]


def test_rows_run_down_and_y_runs_up() -> None:
    """A pixel in the upper left of a 3 x 2 grid of 10 um: x from 0 to 0.01 mm, y from 0.01 to 0.02."""
    stack = np.full((2, 3), BOARD, np.uint8)
    stack[0, 0] |= COPPER
    points = set(re.findall(r"(X\d+Y\d+)D0", copper_file(planes_from(stack)).decode("ascii")))
    assert points == {"X0Y20000", "X10000Y20000", "X10000Y10000", "X0Y10000"}


def test_a_bottom_side_is_turned_over() -> None:
    stack = np.full((2, 3), BOARD, np.uint8)
    stack[0, 0] |= COPPER
    turned = seen_from_the_top(planes_from(stack))
    assert turned.plane(COPPER).tolist() == [[False, False, True], [False, False, False]]
    assert (seen_from_the_top(turned).stack == stack).all()


def test_frequent_rectangles_are_flashes_and_save_bytes() -> None:
    data = EXAMPLES["copper"]
    assert data.count(b"D03*") > 20
    flash = len(re.findall(rb"X\d+Y\d+D03\*\n", data)[0])
    region = len(re.findall(rb"G36\*\n[^G]*G37\*\n", data)[0])
    assert 4 * flash < region


def test_the_same_input_gives_the_same_bytes_and_the_date_can_be_left_out() -> None:
    assert copper_file(cells()) == copper_file(cells())
    undated = Project(name="owl", guid=project_guid(b"owl"), revision="1", version="0.1.0")
    assert b"CreationDate" not in copper_file(cells(), project=undated)
    with pytest.raises(SettingsError, match="no time zone"):
        Project(name="owl", guid="", revision="1", version="0", created=datetime.datetime(2026, 11, 25))


def test_guid_and_escapes() -> None:
    """RFC 9562: version 8 in the 13th digit, variant in the 17th. Gerber 3.4.3: a sign beyond ASCII as \\uXXXX."""
    assert re.fullmatch(
        r"[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}", project_guid(b"a", b"b")
    )
    assert project_guid(b"a", b"b") != project_guid(b"ab") != project_guid(b"b", b"a")
    assert field_text("é,%") == r"\u00E9\u002C\u0025"


@settings(max_examples=30, deadline=None)
@given(SEEDS, st.sampled_from([5.0, 10.0, 12.5, 20.0, 30.0, 100.0]))
def test_gerbonara_draws_the_layer(seed: int, pitch_um: float) -> None:
    """Exact, also through fewer points: below half a pixel no pixel's centre changes sides."""
    planes = planes_from(random_stack(seed), pitch_um)
    for tolerance in (None, FINE_PX):
        data = copper_file(planes, tolerance=tolerance)
        assert (drawn_by_gerbonara(data, planes.height_px, planes.width_px, pitch_um) == planes.plane(COPPER)).all()


@needs_gerbv
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(SEEDS, st.sampled_from([10.0, 20.0, 25.0, 50.0]))
def test_gerbv_draws_the_layer(tmp_path: Path, seed: int, pitch_um: float) -> None:
    """On a grid twice as fine, since gerbv moves a flash's middle to a whole pixel."""
    planes = planes_from(random_stack(seed), pitch_um)
    data = copper_file(planes)
    drawn = drawn_by_gerbv(data, 2 * planes.height_px, 2 * planes.width_px, pitch_um / 2, tmp_path)
    assert (drawn == np.kron(planes.plane(COPPER), np.ones((2, 2), bool))).all()


@needs_gerbv
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(SEEDS)
def test_both_draw_simplified_contours_within_the_tolerance(tmp_path: Path, seed: int) -> None:
    """Where they differ from the layer, a border is at most a pixel away."""
    planes = planes_from(random_stack(seed, largest=60))
    layer = planes.plane(COPPER)
    data = copper_file(planes, tolerance=COARSE_PX)
    square = np.ones((3, 3), bool)
    near = (
        ndimage.binary_dilation(layer, square)
        & ndimage.binary_dilation(np.pad(~layer, 1, constant_values=True), square)[1:-1, 1:-1]
    )
    for drawn in (
        drawn_by_gerbonara(data, planes.height_px, planes.width_px, 10.0),
        drawn_by_gerbv(data, planes.height_px, planes.width_px, 10.0, tmp_path),
    ):
        assert not ((drawn != layer) & ~near).any()


def test_gerbonara_reads_the_attributes() -> None:
    """Another reader than our own eyes: layer, polarity and unit as written."""
    read = GerberFile.from_string(EXAMPLES["copper"].decode("ascii"))
    assert read.file_attrs[".FileFunction"] == ("Copper", "L1", "Top")
    assert read.file_attrs[".FilePolarity"] == ("Positive",)
    assert str(read.import_settings.unit) == "mm"
    assert read.import_settings.number_format == (4, 6)
