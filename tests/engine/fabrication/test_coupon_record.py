"""What the coupon's folder says: every feature with its widths, and what the fab and the photographer must know."""

from __future__ import annotations

import json

import pytest

from tests.boards import board
from tests.engine.fabrication.fabs import changed, lab, without
from worker.engine.fabrication.coupon import lay_out_coupon
from worker.engine.fabrication.coupon_record import coupon_notes, coupon_record


def test_every_feature_is_recorded_with_what_was_asked_and_what_was_drawn() -> None:
    fab = board("meadow-tin")
    coupon = lay_out_coupon(fab, lab(fab), pitch_um=20.0)
    record = json.loads(json.dumps(coupon_record(coupon)))
    assert (record["fab"], record["revision"], record["pitch_um"]) == ("meadow-tin", fab.revision, 20.0)
    assert record["left_out"] == []
    assert len(record["features"]) == len(coupon.features)
    lines = [item for item in record["features"] if item["kind"] == "line" and item["direction"] == "x"]
    half = next(item for item in lines if item["nominal_mm"] == 0.075)
    assert half["drawn_mm"] == 0.08  # 3.75 pixels of 0.02 mm become 4
    assert half["limit_mm"] == 0.15
    assert {item["width"] for item in lines} == {item["drawn_mm"] for item in lines}
    for item in record["features"]:
        assert 0 <= item["x"] < record["board"]["width"] and 0 <= item["y"] < record["board"]["height"]


def test_the_notes_name_the_board_and_what_is_on_purpose() -> None:
    fab = board("alba-black")
    coupon = lay_out_coupon(fab, lab(fab), pitch_um=50.0)
    notes = coupon_notes(coupon)
    width, height = coupon.size_mm
    for said in (
        f"{width:g} x {height:g} mm ({width / 25.4:.3f} x {height / 25.4:.3f} in)",
        fab.revision,
        "plating ENIG",
        "3  gold: gold plating",
        "on purpose",
        "24-patch",
        "glass dust",
        "local codes and licensed practice decide",
        "combs of legend to copper: its steps",
    ):
        assert said in notes
    assert max(len(line) for line in notes.splitlines()) <= 130


@pytest.mark.parametrize("sides", [1, 2])
def test_the_notes_tell_of_the_far_side(sides: int) -> None:
    fab = without("meadow-tin", "tin")
    toml = fab.toml.decode().replace("sides = 2", f"sides = {sides}")
    from worker.fab_profile import read_fab_profile

    fab = read_fab_profile(toml.encode())
    notes = coupon_notes(lay_out_coupon(fab, lab(fab), pitch_um=50.0))
    assert ("far_copper.png" in notes) == (sides == 2)


def test_a_limit_of_solid_legend_is_asked_about() -> None:
    fab = changed("alba-black", (r"\[limits.legend\]\n", "[limits.legend]\nsolid_area_mm2 = 50\n"))
    notes = coupon_notes(lay_out_coupon(fab, lab(fab), pitch_um=50.0))
    assert "100 mm2 each, over your limit of 50 mm2" in notes
    plain = board("alba-black")
    assert "over your limit" not in coupon_notes(lay_out_coupon(plain, lab(plain), pitch_um=50.0))
