"""Limits measured on layers: against drawn widths, and against OpenCV (`layer_check.py`)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.boards import board
from tests.engine.fabrication.fabs import changed
from tests.engine.fabrication.layer_check import broken_limits
from worker.engine.fabrication.limits import LimitReport, measure_limits
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes, planes_of

PITCH_UM = 10.0


def _board(height: int = 300, width: int = 300) -> npt.NDArray[np.uint8]:
    return np.full((height, width), BOARD, dtype=np.uint8)


def _measure(stack: npt.NDArray[np.uint8]) -> LimitReport:
    return measure_limits(LayerPlanes(stack=stack.copy(), pitch_um=PITCH_UM), board("nocturne-gold"))


def _found(report: LimitReport) -> dict[tuple[str, str], int]:
    return {key: number for key, number in report.counts.items() if number}


def test_a_line_as_wide_as_the_limit_passes_and_one_pixel_less_does_not() -> None:
    stack = _board()
    stack[100:115, 60:240] |= COPPER
    assert _measure(stack).total == 0
    stack[114, 60:240] &= np.uint8(0xFF ^ COPPER)
    report = _measure(stack)
    assert _found(report) == {("copper", "line"): 1}
    (violation,) = report.violations
    assert violation.limit == "copper.line_mm"
    assert violation.limit_mm == 0.15
    assert violation.size_mm == pytest.approx(0.14, abs=0.011)
    assert violation.x_mm == pytest.approx(1.5, abs=0.02)
    assert violation.y_mm == pytest.approx(3.0 - 1.07, abs=0.02)
    assert report.pixels[107, 150]
    assert not report.pixels[50, 50]


def test_a_slanting_line_is_measured_across() -> None:
    y, x = np.mgrid[:300, :300]
    across = np.abs((y - x) / np.sqrt(2.0))
    inside = np.abs((y + x - 300) / np.sqrt(2.0)) < 90
    for width, broken in ((17.0, False), (13.0, True)):
        stack = _board()
        stack[inside & (across <= width / 2)] |= COPPER
        assert (("copper", "line") in _found(_measure(stack))) == broken


@pytest.mark.parametrize(
    ("bits", "kinds"),
    [
        (COPPER, {("copper", "gap")}),
        (OPENING, {("solder_mask", "web")}),
        (LEGEND, {("legend", "gap")}),
        (COPPER | OPENING, {("copper", "gap"), ("solder_mask", "web")}),
    ],
)
def test_gaps(bits: int, kinds: set[tuple[str, str]]) -> None:
    stack = _board()
    stack[60:120, 60:240] |= np.uint8(bits)
    stack[134:200, 60:240] |= np.uint8(bits)
    assert set(_found(_measure(stack))) == kinds


def test_bare_metal_keeps_its_own_gap_unless_mask_lies_between() -> None:
    stack = _board()
    stack[60:200, 60:240] |= OPENING | COPPER
    stack[120:140] &= np.uint8(0xFF ^ COPPER)
    assert _found(_measure(stack)) == {("copper", "metal gap"): 1}  # 0.20 of 0.25 mm
    stack[122:138] &= np.uint8(0xFF ^ OPENING)
    assert _measure(stack).total == 0  # the same gap with a web of 0.16 mm in it


def test_legend_keeps_clear_of_openings() -> None:
    stack = _board()
    stack[60:120, 60:240] |= OPENING | COPPER
    stack[135:160, 60:240] |= LEGEND
    assert _measure(stack).total == 0
    stack[134, 60:240] |= LEGEND
    report = _measure(stack)
    assert _found(report) == {("legend", "clearance"): 1}
    assert report.violations[0].size_mm == pytest.approx(0.14)


def test_what_is_near_the_edge_is_found_at_the_edge_of_the_grid_and_of_the_board() -> None:
    stack = _board()
    stack[29:100, 100:200] |= COPPER | OPENING
    report = _measure(stack)
    assert _found(report) == {("copper", "edge"): 1, ("solder_mask", "edge"): 1}
    assert report.violations[0].size_mm == pytest.approx(0.29)
    stack = _board()
    stack[:, :50] = 0
    stack[100:200, 74:150] |= LEGEND
    assert _found(_measure(stack)) == {("legend", "edge"): 1}
    stack[100:200, 74] &= np.uint8(0xFF ^ LEGEND)
    assert _measure(stack).total == 0


def test_a_place_has_the_width_of_its_own_pixels_not_of_what_lies_in_its_box() -> None:
    stack = _board()
    stack[60:66, 60:240] |= COPPER
    stack[60:240, 234:240] |= COPPER
    stack[100:200, 100:200] |= COPPER  # wide, amid the angle that the thin line makes
    (violation,) = _measure(stack).violations
    assert (violation.kind, violation.limit_mm) == ("line", 0.15)
    assert violation.size_mm == pytest.approx(0.06, abs=0.011)


def test_corner_touches_are_counted_apart() -> None:
    stack = _board()
    stack[60:120, 60:120] |= COPPER
    stack[120:180, 120:180] |= COPPER
    report = _measure(stack)
    assert _found(report) == {}
    assert report.corner_touches == {"copper": 1, "solder_mask": 0, "legend": 0}
    assert [violation.kind for violation in report.violations] == ["corner touch"]


def test_large_solid_legend_counts_where_the_profile_says_so() -> None:
    stack = _board()
    stack[60:260, 60:260] |= LEGEND
    planes = LayerPlanes(stack=stack, pitch_um=PITCH_UM)
    assert ("legend", "solid") not in measure_limits(planes, board()).counts
    fab = changed("nocturne-gold", (r"\[limits\.legend\]", "[limits.legend]\nsolid_area_mm2 = 3.9"))
    report = measure_limits(planes, fab)
    assert report.counts["legend", "solid"] == 1
    assert report.violations[0].size_mm == pytest.approx(4.0)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), threads=st.sampled_from([1, 2]))
def test_the_same_pixels_as_opencv_finds(seed: int, threads: int) -> None:
    rng = np.random.default_rng(seed)
    fab = board(("nocturne-gold", "meadow-tin", "alba-black")[seed % 3])
    height, width, grain = (int(rng.integers(low, high)) for low, high in ((1, 120), (1, 120), (1, 12)))
    coarse = rng.integers(0, len(fab.finishes), (height // grain + 1, width // grain + 1))
    labels = np.kron(coarse, np.ones((grain, grain)))[:height, :width].astype(np.uint8)
    stack = planes_of(labels, fab, pitch_um=20.0).stack.copy()
    stack[rng.random(stack.shape) < 0.5] ^= np.uint8(COPPER)
    stack[: int(rng.integers(0, height + 1)), : int(rng.integers(0, width + 1))] = 0
    report = measure_limits(LayerPlanes(stack=stack, pitch_um=20.0), fab, threads=threads)
    copper, opening, legend, inside = ((stack & bit) != 0 for bit in (COPPER, OPENING, LEGEND, BOARD))
    broken = broken_limits(copper, opening, legend, inside, fab, 20.0)
    assert bool(broken) == bool(report.total)
    names = {
        "copper line": ("copper", "line"),
        "copper gap": ("copper", "gap"),
        "mask opening": ("solder_mask", "opening"),
        "mask web": ("solder_mask", "web"),
        "legend line": ("legend", "line"),
        "legend gap": ("legend", "gap"),
        "metal gap": ("copper", "metal gap"),
        "legend near opening": ("legend", "clearance"),
        "copper near edge": ("copper", "edge"),
        "opening near edge": ("solder_mask", "edge"),
        "legend near edge": ("legend", "edge"),
    }
    for name, key in names.items():
        assert (name in broken) == (report.counts[key] > 0), name
    for name, layer in (("copper", "copper"), ("opening", "solder_mask"), ("legend", "legend")):
        assert broken.get(f"{name} touches itself at corners", 0) == report.corner_touches[layer]
