"""Coupons: every finish is there, apart and large enough, and every feature has the width that its record states.

Sizes are measured back from the labels by OpenCV (distance transform, connected components), which draws none of them.
"""

from __future__ import annotations

import itertools
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from tests.boards import board
from tests.engine.fabrication.fabs import DEMO, changed, lab, without
from worker.engine.fabrication.coupon import CHEAP_SIDE_MM, Coupon, lay_out_coupon
from worker.engine.fabrication.shapes import Feature
from worker.errors import CouponError
from worker.fab_profile import FabProfile
from worker.patch_map import Rectangle, read_patch_map, write_patch_map

PITCH_UM = 25.0
UPSCALE = 8


def laid_out(fab: FabProfile, pitch_um: float = PITCH_UM) -> Coupon:
    return lay_out_coupon(fab, lab(fab), pitch_um=pitch_um)


@cache
def coupon(name: str) -> Coupon:
    return laid_out(board(name))


def part(made: Coupon, place: Rectangle, grow_px: int = 0) -> npt.NDArray[np.uint8]:
    """The labels of a place."""
    p = made.pitch_um / 1000.0
    left, top = round(place.x / p), round(place.y / p)
    right, bottom = round((place.x + place.width) / p), round((place.y + place.height) / p)
    return made.labels[
        max(0, top - grow_px) : bottom + grow_px,
        max(0, left - grow_px) : right + grow_px,
    ]


def label(made: Coupon, finish: str) -> int:
    return [f.id for f in made.fab.finishes].index(finish)


def width_px(mask: npt.NDArray[np.bool_]) -> float:
    """Width of the bar in the middle: the diameter of the largest circle inside, by OpenCV's distance transform.

    The picture is enlarged first, smoothly, so that the stairs of a slanted edge become the edge that they stand for.
    """
    height, width = mask.shape
    large = cv2.resize(mask.astype(np.float32), (width * UPSCALE, height * UPSCALE), interpolation=cv2.INTER_LINEAR)
    inside = (large >= 0.5).astype(np.uint8)
    _, numbered = cv2.connectedComponents(inside, connectivity=4)
    middle = numbered[inside.shape[0] // 2, inside.shape[1] // 2]
    assert middle > 0
    distance = cv2.distanceTransform((numbered == middle).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return float(2.0 * distance.max() - 1.0) / UPSCALE


@pytest.mark.parametrize("name", DEMO)
def test_every_finish_stands_often_and_large_enough_over_each_far_side(name: str) -> None:
    made = coupon(name)
    far = made.far_copper
    assert far is not None
    for finish in made.fab.finishes:
        for state in ("none", "solid"):
            own = [p for p in made.patch_map.patches if (p.finish, p.far_copper) == (finish.id, state)]
            assert [p.repeat for p in own] == [1, 2, 3]
            for patch in own:
                assert min(patch.place.width, patch.place.height) >= 10.0
                assert (part(made, patch.place) == label(made, finish.id)).all()
                behind = part(made_far(made), patch.place, grow_px=10)
                assert behind.all() if state == "solid" else not behind.any()


def made_far(made: Coupon) -> Coupon:
    """The same coupon with the far side's copper in place of its labels."""
    from dataclasses import replace

    assert made.far_copper is not None
    return replace(made, labels=made.far_copper.view(np.uint8))


@pytest.mark.parametrize("name", DEMO)
def test_repeats_are_scattered(name: str) -> None:
    """The least distance between two repeats is over three patches, and no finish keeps to one half of the board."""
    made = coupon(name)
    width, height = made.size_mm
    for (finish, state), group in itertools.groupby(
        sorted(made.patch_map.patches, key=lambda p: (p.finish, p.far_copper)), key=lambda p: (p.finish, p.far_copper)
    ):
        centres = [(p.place.x + 5.0, p.place.y + 5.0) for p in group]
        assert min(np.hypot(a[0] - b[0], a[1] - b[1]) for a, b in itertools.combinations(centres, 2)) > 30.0
        assert max(y for _, y in centres) - min(y for _, y in centres) > height / 2, (finish, state)
        assert max(x for x, _ in centres) - min(x for x, _ in centres) > width / 3, (finish, state)


@pytest.mark.parametrize("name", DEMO)
def test_nothing_overlaps_or_leaves_the_board(name: str) -> None:
    made = coupon(name)
    width, height = made.size_mm
    places = [("patch", patch.place) for patch in made.patch_map.patches]
    places += [(f.kind, f.place) for f in made.features if f.kind != "line" or f.direction != "45"]
    for kind, place in places:
        assert place.x >= 0.5 - 1e-6 and place.y >= 0.5 - 1e-6, kind
        assert place.x + place.width <= width - 0.5 + 1e-6 and place.y + place.height <= height - 0.5 + 1e-6, kind
    for (kind, a), (other, b) in itertools.combinations(places, 2):
        across = min(a.x + a.width, b.x + b.width) - max(a.x, b.x)
        down = min(a.y + a.height, b.y + b.height) - max(a.y, b.y)
        assert min(across, down) < 1e-6, (kind, a, other, b)


@pytest.mark.parametrize("name", DEMO)
def test_the_size_keeps_to_cheap_boards_and_every_pixel_has_a_finish(name: str) -> None:
    made = coupon(name)
    assert max(made.size_mm) <= CHEAP_SIDE_MM
    assert made.labels.shape == (round(made.size_mm[1] / 0.025), round(made.size_mm[0] / 0.025))
    assert set(np.unique(made.labels)) == set(range(len(made.fab.finishes)))
    assert made.left_out == ()


@pytest.mark.parametrize("name", DEMO)
def test_the_map_is_read_as_it_was_written(name: str) -> None:
    made = coupon(name).patch_map
    assert read_patch_map(write_patch_map(made)) == made
    assert made.coupon_corners == ((0, 0), (made.width_mm, 0), (made.width_mm, made.height_mm), (0, made.height_mm))
    for ring in made.surround:
        off_board = (
            ring.x + ring.width <= 0 or ring.y + ring.height <= 0 or ring.x >= made.width_mm or ring.y >= made.height_mm
        )
        assert off_board and min(ring.width, ring.height) >= 10.0


@pytest.mark.parametrize("name", DEMO)
def test_lines_and_gaps_are_as_wide_as_stated(name: str) -> None:
    """Within half a pixel of the nominal width, along x, along y and across 45 degrees."""
    made = coupon(name)
    lines = [feature for feature in made.features if feature.kind == "line"]
    seen = set()
    for line in lines:
        measured = width_px(part(made, line.place, grow_px=2) == label(made, line.finish))
        assert measured == pytest.approx(line.nominal_mm / 0.025, abs=0.5 + 1.5 / UPSCALE), line
        seen.add((line.layer, line.limit, line.direction, round(line.nominal_mm / line.limit_mm, 3)))
    wanted = {("copper", "line_mm"), ("copper", "gap_mm"), ("copper", "metal_gap_mm"), ("solder_mask", "opening_mm")}
    wanted |= {("solder_mask", "web_mm"), ("legend", "line_mm"), ("legend", "gap_mm")}
    assert seen == {
        (*limit, direction, step)
        for limit in wanted
        for direction in ("x", "y", "45")
        for step in (0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0)
    }
    assert len(lines) == len(seen)


def recipes_differ_only(made: Coupon, feature: Feature) -> set[str]:
    a, b = (made.fab.finish(finish).recipe for finish in (feature.finish, feature.field))
    changes = {"copper"} if a.copper != b.copper and "either" not in (a.copper, b.copper) else set()
    return changes | {key for key in ("mask_opening", "legend") if getattr(a, key) != getattr(b, key)}


@pytest.mark.parametrize("name", DEMO)
def test_a_layer_is_tested_by_finishes_that_differ_in_nothing_else(name: str) -> None:
    made = coupon(name)
    layer = {"copper": {"copper"}, "solder_mask": {"mask_opening"}, "legend": {"legend"}}
    for feature in made.features:
        if feature.kind in ("line", "dots", "hatch"):
            assert recipes_differ_only(made, feature) == layer[feature.layer], feature
    bare = [feature for feature in made.features if feature.limit == "metal_gap_mm"]
    assert bare and all(made.fab.finish(f.finish).recipe.mask_opening for f in bare)


@pytest.mark.parametrize("name", DEMO)
def test_dots_are_counted_and_sized(name: str) -> None:
    """Ten diameters, from half to three times the limit in even ratios; areas by OpenCV's connected components."""
    made = coupon(name)
    ramps: dict[tuple[str, str, str], list[float]] = {}
    for field in (feature for feature in made.features if feature.kind == "dots"):
        mask = (part(made, field.place) == label(made, field.finish)).astype(np.uint8)
        count, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
        many = int(field.note.split(" x ")[0])
        assert count - 1 == many**2
        diameter = 2.0 * np.sqrt(stats[1:, cv2.CC_STAT_AREA].mean() / np.pi) * 0.025
        assert diameter == pytest.approx(field.nominal_mm, abs=0.005)
        ramps.setdefault((field.layer, field.limit, field.finish), []).append(field.nominal_mm / field.limit_mm)
    assert len(ramps) == 6
    for steps in ramps.values():
        assert steps == pytest.approx(np.geomspace(0.5, 3.0, 10))


def bar_centres(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """Middles of the runs along a row, in pixels."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return (edges[0::2] + edges[1::2]) / 2.0


@pytest.mark.parametrize("name", DEMO)
@pytest.mark.parametrize("pitch_um", [25.0, 20.0])
def test_combs_have_their_pitches_and_stand_in_line(name: str, pitch_um: float) -> None:
    made = coupon(name) if pitch_um == 25.0 else laid_out(board(name), pitch_um)
    p = pitch_um / 1000.0
    combs = [feature for feature in made.features if feature.kind == "comb"]
    assert len(combs) == 8
    middles: dict[tuple[str, str], list[float]] = {}
    for scale in combs:
        labels = part(made, scale.place)
        labels = labels if scale.direction == "x" else labels.T
        mask = labels == label(made, scale.finish)
        # Every bar of a scale crosses the row that lies 0.7 mm inside the tips, where both scales meet.
        upper = scale.note.startswith("main")
        row = mask.shape[0] - round(0.9 / p) if upper else mask.shape[0] - round(1.4 / p)
        centres = bar_centres(mask[row])
        assert len(centres) == int(scale.note.split(" of ")[1].split(" ")[0])
        pitch = np.polyfit(np.arange(len(centres)), centres, 1)[0] * p
        assert pitch == pytest.approx(scale.nominal_mm, abs=1e-3)
        start = scale.place.x if scale.direction == "x" else scale.place.y
        middles.setdefault((scale.layer, scale.direction), []).append(start + centres[len(centres) // 2] * p)
    for main, vernier in middles.values():
        assert vernier == pytest.approx(main, abs=p + 1e-9)


@pytest.mark.parametrize("name", DEMO)
def test_a_comb_reads_the_largest_shift_of_the_profile(name: str) -> None:
    made = coupon(name)
    for scale in (feature for feature in made.features if feature.kind == "comb"):
        bars = int(scale.note.split(" of ")[1].split(" ")[0])
        assert (bars // 2) * 0.025 >= 1.25 * scale.limit_mm - 1e-9


@pytest.mark.parametrize("name", DEMO)
def test_the_scale_is_fifty_millimetres(name: str) -> None:
    made = coupon(name)
    (scale,) = (feature for feature in made.features if feature.kind == "scale")
    mask = part(made, scale.place, grow_px=10) == label(made, scale.finish)
    centres = bar_centres(mask[-12])
    assert len(centres) == 51
    assert centres[-1] - centres[0] == pytest.approx(50.0 / 0.025, abs=1)


@pytest.mark.parametrize("name", DEMO)
def test_three_corners_have_a_disc_and_one_a_ring(name: str) -> None:
    made = coupon(name)
    marks = [feature for feature in made.features if feature.kind == "fiducial"]
    filled = [bool(part(made, m.place)[40, 40] == label(made, m.finish)) for m in marks]
    assert filled == [False, True, True, True]
    assert made.patch_map.odd_corner == "top_left"
    assert marks[0].place.x < 1.0 and marks[0].place.y < 1.0


@pytest.mark.parametrize("name", DEMO)
def test_lettering_keeps_the_narrowest_line(name: str) -> None:
    """A disc as wide as the finish's smallest feature fits into every stroke: OpenCV's opening loses next to none."""
    made = coupon(name)
    title = made.labels[round(0.7 / 0.025) : round(2.4 / 0.025), round(3.9 / 0.025) : -round(4.0 / 0.025)]
    mask = (title == label(made, made.writing)).astype(np.uint8)
    size = round(made.fab.finish(made.writing).smallest_feature_mm / 0.025)
    kept = cv2.morphologyEx(mask, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    assert mask.sum() > 1000
    assert kept.sum() > 0.97 * mask.sum()


def test_a_board_of_one_side_has_one_far_side() -> None:
    made = laid_out(changed("meadow-tin", ("sides = 2", "sides = 1")), 50.0)
    assert made.far_copper is None
    assert {patch.far_copper for patch in made.patch_map.patches} == {"none"}
    assert len(made.patch_map.patches) == 15


def test_a_finish_defined_by_its_far_side_stands_there_alone() -> None:
    fab = changed(
        "meadow-tin",
        (r'(id = "substrate"(?s:.)*?far_copper = )"unknown"', r'\1"solid"'),
        (r'(id = "mask"\n(?s:.)*?far_copper = )"unknown"', r'\1"none"'),
    )
    made = laid_out(fab, 50.0)
    states = {f.id: [p.far_copper for p in made.patch_map.patches if p.finish == f.id] for f in fab.finishes}
    assert states["substrate"] == ["solid"] * 3
    assert states["mask"] == ["none"] * 3
    assert len(states["tin"]) == 6


def test_what_a_profile_can_not_show_is_left_out_with_its_reason() -> None:
    made = laid_out(without("meadow-tin", "legend"))
    assert {entry.what for entry in made.left_out} == {"lines and dots of legend", "combs of legend to copper"}
    assert made.writing in ("tin", "substrate", "mask-copper")
    assert not [feature for feature in made.features if feature.layer.startswith("legend")]


def test_a_coarse_pitch_leaves_the_combs_out() -> None:
    made = laid_out(board("alba-black"), 50.0)
    assert [entry.what for entry in made.left_out] == ["combs of solder_mask to copper", "combs of legend to copper"]
    assert all("finer than the pitch of 0.05 mm" in entry.why for entry in made.left_out)


def test_wide_limits_make_a_larger_board() -> None:
    made = laid_out(changed("alba-black", (r"gap_mm = \{ value = 0.15", "gap_mm = { value = 0.5")), 50.0)
    lines = [feature for feature in made.features if (feature.layer, feature.limit) == ("copper", "gap_mm")]
    assert max(line.nominal_mm for line in lines) == pytest.approx(1.5)
    assert {"combs of solder_mask to copper"} <= {entry.what for entry in made.left_out}


@pytest.mark.parametrize(
    ("changes", "pitch_um", "said"),
    [
        ((), 100.0, "too coarse: half of limits"),
        (
            (("sides = 2", "sides = 1"), ('far_copper = "unknown"', 'far_copper = "solid"')),
            50.0,
            "wants copper on the far side",
        ),
        ((("value = 0.15", "value = 5.0"),), 50.0, "does not fit"),
    ],
)
def test_what_can_not_be_laid_out_is_refused(changes: tuple[tuple[str, str], ...], pitch_um: float, said: str) -> None:
    with pytest.raises(CouponError, match=said) as caught:
        laid_out(changed("alba-black", *changes), pitch_um)
    assert caught.value.mend


def test_the_same_profile_gives_the_same_coupon() -> None:
    first, again = laid_out(board("alba-black"), 50.0), laid_out(board("alba-black"), 50.0)
    assert (first.labels == again.labels).all()
    assert first.features == again.features


def test_a_fab_that_wants_more_from_the_edge_gets_it() -> None:
    made = laid_out(changed("alba-black", (r"scored_mm = \{ value = 0.50", "scored_mm = { value = 1.5")), 50.0)
    inner = made.labels[29:-29, 29:-29]
    background = label(made, made.fab.background)
    assert (made.labels == background).sum() == (inner == background).sum() + made.labels.size - inner.size
    assert (made.labels[:35] != background).any()
