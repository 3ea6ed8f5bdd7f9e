"""What finishes ask of the far side's copper: settled by least CIEDE2000, met within the limits, reported where not."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import colour
import cv2
import numpy as np
import numpy.typing as npt
import pytest

from tests.boards import board, lab_of
from tests.engine.fabrication.layer_check import broken_limits
from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.fabrication.fabricate import back_finish
from worker.engine.fabrication.far_copper import (
    ANY,
    ASSUMED_DELTA_E,
    UNWANTED,
    WANTED,
    FarCopper,
    SideArt,
    demand_on,
    far_copper_found,
    meet_demands,
    plain_stack,
    settle_conflicts,
)
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.planes import BOARD, COPPER, FREE_COPPER, LayerPlanes, planes_of
from worker.fab_profile import FabProfile

PITCH_UM = 50.0


def asking(name: str = "meadow-tin", **wants: str) -> FabProfile:
    """A demo profile whose finishes ask for copper on the far side, or none."""
    fab = board(name)
    finishes = tuple(
        replace(f, recipe=replace(f.recipe, far_copper=wants.get(f.id.replace("-", "_"), "unknown")))
        for f in fab.finishes
    )
    return replace(fab, finishes=finishes)


def index(fab: FabProfile, finish: str) -> int:
    return [each.id for each in fab.finishes].index(finish)


def painted(labels: Labels, lab: npt.NDArray[np.float64]) -> SideArt:
    """Art in the finishes' own colours."""
    return SideArt(labels=labels, srgb=lab_to_srgb(lab)[labels])


def test_nothing_is_settled_where_nothing_is_asked() -> None:
    fab = board("meadow-tin")
    lab = lab_of(fab)
    labels = np.arange(20, dtype=np.uint8).reshape(4, 5) % len(lab)
    settled, done = settle_conflicts(
        {"top": painted(labels, lab), "bottom": painted(labels, lab)}, fab, lab, pitch_um=PITCH_UM
    )
    assert done == ()
    assert (settled["top"] == labels).all() and (settled["bottom"] == labels).all()


@pytest.mark.parametrize("seed", range(6))
def test_a_conflict_takes_the_pair_that_colour_science_finds_nearest(seed: int) -> None:
    """CIEDE2000 of colour-science, over every pair of finishes that suit each other, and the pair as it is."""
    fab = asking(substrate="solid", mask="none", tin="none")
    lab = lab_of(fab)
    random = np.random.default_rng(seed)
    i, j = index(fab, "substrate"), index(fab, "mask")
    shape = (5, 7)
    top, bottom = np.full(shape, i, dtype=np.uint8), np.full(shape, j, dtype=np.uint8)
    art = {
        side: SideArt(labels=labels, srgb=np.broadcast_to(random.integers(0, 256, 3, dtype=np.uint8), (*shape, 3)))
        for side, labels in (("top", top), ("bottom", bottom))
    }
    _, done = settle_conflicts(art, fab, lab, pitch_um=PITCH_UM)  # type: ignore[arg-type]
    errors = [
        colour.delta_E(colour.XYZ_to_Lab(colour.sRGB_to_XYZ(art[side].srgb[0, 0] / 255.0)), lab, method="CIE 2000")
        for side in ("top", "bottom")
    ]
    recipes = [finish.recipe for finish in fab.finishes]

    def unmet(a: int, b: int) -> int:
        asked = ((recipes[a].far_copper, recipes[b].copper), (recipes[b].far_copper, recipes[a].copper))
        return sum(wants != "unknown" and gives not in ("either", wants) for wants, gives in asked)

    assert unmet(i, j) == 1
    costs = {
        (a, b): errors[0][a] + errors[1][b] + (ASSUMED_DELTA_E * unmet(a, b) if (a, b) == (i, j) else 0.0)
        for a, b in product(range(len(lab)), repeat=2)
        if not unmet(a, b) or (a, b) == (i, j)
    }
    assert len(done) == 1
    after = tuple(index(fab, finish) for finish in done[0].after)
    # the tool tells colours apart by 6 bits a channel, which moves a colour by up to 0.8 CIEDE2000 on each side
    assert costs[after] <= min(costs.values()) + 2.0  # type: ignore[index]
    assert done[0].parts == 1 and done[0].area_mm2 == pytest.approx(35 * 0.0025)


def test_each_connected_place_is_settled_by_itself_and_seen_mirrored() -> None:
    """Left on top is right on the bottom: there the bottom's art is nearer to a finish with copper."""
    fab = asking(substrate="solid")
    lab = lab_of(fab)
    i, j, copper = index(fab, "substrate"), index(fab, "mask"), index(fab, "mask-copper")
    top = np.full((6, 9), j, dtype=np.uint8)
    top[:, :3] = top[:, 6:] = i
    bottom = painted(np.full((6, 9), j, dtype=np.uint8), lab)
    srgb = bottom.srgb.copy()
    srgb[:, 6:] = lab_to_srgb(lab[copper])
    settled, done = settle_conflicts(
        {"top": painted(top, lab), "bottom": replace(bottom, srgb=srgb)}, fab, lab, pitch_um=PITCH_UM
    )
    assert (settled["bottom"][:, 6:] == copper).all() and (settled["top"][:, :3] == i).all()
    assert (settled["bottom"][:, :6] == j).all()
    assert sum(one.parts for one in done) == 2
    assert {one.after for one in done if not one.kept} >= {("substrate", "mask-copper")}


def test_a_conflict_stays_where_every_other_finish_would_differ_more() -> None:
    fab = asking(substrate="solid")
    lab = lab_of(fab)
    i, j = index(fab, "substrate"), index(fab, "legend")
    recipes = replace(fab.finishes[j], recipe=replace(fab.finishes[j].recipe, copper="none"))
    fab = replace(fab, finishes=tuple(recipes if k == j else one for k, one in enumerate(fab.finishes)))
    art = {side: painted(np.full((4, 4), k, dtype=np.uint8), lab) for side, k in (("top", i), ("bottom", j))}
    settled, done = settle_conflicts(art, fab, lab, pitch_um=PITCH_UM)  # type: ignore[arg-type]
    assert done[0].kept and (settled["top"] == i).all() and (settled["bottom"] == j).all()


def test_a_forbidden_finish_takes_no_place() -> None:
    fab = asking(substrate="solid")
    lab = lab_of(fab)
    i, j = index(fab, "substrate"), index(fab, "mask")
    art = {
        "top": painted(np.full((4, 4), i, dtype=np.uint8), lab),
        "bottom": SideArt(
            labels=np.full((4, 4), j, dtype=np.uint8),
            srgb=np.broadcast_to(lab_to_srgb(lab[index(fab, "mask-copper")]), (4, 4, 3)),
        ),
    }
    free, _ = settle_conflicts(art, fab, lab, pitch_um=PITCH_UM)  # type: ignore[arg-type]
    assert (free["bottom"] == index(fab, "mask-copper")).all()
    held, _ = settle_conflicts(art, fab, lab, forbidden=("mask-copper",), pitch_um=PITCH_UM)  # type: ignore[arg-type]
    assert not (held["bottom"] == index(fab, "mask-copper")).any()


def test_demands_are_seen_from_the_other_side() -> None:
    fab = asking(substrate="solid", mask="none")
    labels = np.array([[index(fab, "substrate"), index(fab, "mask"), index(fab, "tin"), OUTSIDE]], dtype=np.uint8)
    assert demand_on(labels, fab).tolist() == [[ANY, ANY, UNWANTED, WANTED]]


def test_free_copper_follows_the_far_side_and_breaks_no_limit() -> None:
    """alba-black's white mask hides its copper; a wide demand is met, a hair of one is not."""
    fab = board("alba-black")
    labels = np.full((120, 160), index(fab, "mask"), dtype=np.uint8)
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    demand = np.zeros(labels.shape, dtype=np.uint8)
    demand[30:80, 30:80] = WANTED
    demand[50, 110:150] = WANTED  # 0.05 mm wide
    met = meet_demands(planes, demand, fab)
    copper = met.plane(COPPER)
    assert copper[30:80, 30:80].all() and not copper[:, 100:].any()
    assert measure_limits(met, fab).total == 0
    assert (met.stack & ~np.uint8(COPPER) == planes.stack & ~np.uint8(COPPER)).all()


def test_what_is_seen_keeps_its_copper_whatever_the_far_side_asks() -> None:
    fab = board("alba-black")
    labels = np.full((100, 100), index(fab, "gold"), dtype=np.uint8)
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    assert (
        meet_demands(planes, np.full(labels.shape, UNWANTED, np.uint8), fab) is planes
        or (meet_demands(planes, np.full(labels.shape, UNWANTED, np.uint8), fab).stack == planes.stack).all()
    )


def test_a_side_without_art_has_the_copper_that_is_asked_for_as_wide_as_the_fab_makes_it() -> None:
    """OpenCV: an opening by the line's disc takes nothing off the copper, one by the gap's nothing off what is left."""
    fab = board("meadow-tin")
    random = np.random.default_rng(5)
    noise = cv2.GaussianBlur(random.random((200, 240)).astype(np.float32), (0, 0), 3.0)
    demand = np.where(noise > np.median(noise), WANTED, ANY).astype(np.uint8)
    made = plain_stack(np.ones(demand.shape, dtype=np.bool_), demand, 0, fab, PITCH_UM)
    copper = made.plane(COPPER).astype(np.uint8)
    assert 0.3 < copper.mean() < 0.7
    assert (copper == (demand == WANTED)).mean() > 0.8
    kernel = np.ones((3, 3), dtype=np.uint8)  # the pixels whose centres lie within a disc of 0.15 mm, three pixels
    padded = cv2.copyMakeBorder(copper, 4, 4, 4, 4, cv2.BORDER_REPLICATE)
    for part in (padded, 1 - padded):
        assert (part - cv2.morphologyEx(part, cv2.MORPH_OPEN, kernel))[4:-4, 4:-4].sum() == 0
    assert (made.stack | np.uint8(COPPER) == BOARD | COPPER).all()


@pytest.mark.parametrize(("pitch_um", "sigma_px"), [(25.0, 6.0), (20.0, 5.0)])
def test_on_a_fine_grid_nearly_all_of_the_copper_that_is_asked_for_is_made(pitch_um: float, sigma_px: float) -> None:
    """Where a line is 6 pixels wide or 8, cusps beside what was taken away took everything else with them."""
    fab = board("meadow-tin")
    noise = cv2.GaussianBlur(np.random.default_rng(1).random((400, 500)).astype(np.float32), (0, 0), sigma_px)
    demand = np.where(noise > np.quantile(noise, 0.3), WANTED, ANY).astype(np.uint8)
    whole = np.ones(demand.shape, dtype=np.bool_)
    copper = plain_stack(whole, demand, 0, fab, pitch_um).plane(COPPER)
    assert copper[demand == WANTED].mean() > 0.9 and (copper == (demand == WANTED)).mean() > 0.9
    found = broken_limits(copper, ~whole, ~whole, whole, fab, pitch_um)
    # There is no edge here that copper must keep from: it stands for a part of a board.
    assert set(found) <= {"copper near edge"}


def test_without_a_demand_a_side_without_art_is_its_finish_alone() -> None:
    fab = board("meadow-tin")
    one = np.ones((9, 9), dtype=np.bool_)
    assert (plain_stack(one, np.zeros((9, 9), np.uint8), FREE_COPPER, fab, PITCH_UM).stack == BOARD).all()
    base = int(planes_of(np.array([[index(fab, "mask-copper")]], dtype=np.uint8), fab, pitch_um=1.0).stack[0, 0])
    stack = plain_stack(one, np.full((9, 9), UNWANTED, np.uint8), base, fab, PITCH_UM).stack
    assert (stack == BOARD).all()


def test_the_back_is_as_the_profile_says_or_the_nearest_that_is_allowed() -> None:
    fab = board("meadow-tin")
    lab = lab_of(fab)
    assert fab.back == fab.background
    assert back_finish(fab, lab, ()).id == fab.background
    metal = replace(fab, back="tin")
    assert back_finish(metal, lab, ()).id == "tin"
    distances = colour.delta_E(lab[index(fab, "tin")], lab, method="CIE 2000")
    nearest = [fab.finishes[i].id for i in np.argsort(distances)][1]
    assert back_finish(metal, lab, ("tin",)).id == nearest


def test_what_is_not_met_is_measured_and_warned_of() -> None:
    fab = asking(substrate="solid", mask="none")
    labels = np.full((100, 100), index(fab, "substrate"), dtype=np.uint8)
    labels[:, 50:] = index(fab, "mask")
    far = np.full(labels.shape, BOARD, dtype=np.uint8)
    far[:, 75:] |= COPPER  # seen from the far side: behind the left quarter of the art
    found = far_copper_found(
        {"top": labels},
        {
            "top": LayerPlanes(stack=np.full_like(labels, BOARD), pitch_um=100.0),
            "bottom": LayerPlanes(stack=far, pitch_um=100.0),
        },
        fab,
        100.0,
    )
    by_finish = {one.finish: one for one in found}
    assert by_finish["substrate"].area_mm2 == pytest.approx(50.0)
    assert by_finish["substrate"].met_mm2 == pytest.approx(25.0)
    assert by_finish["mask"].met_mm2 == pytest.approx(50.0)
    assert by_finish["mask"].warning is None
    said = by_finish["substrate"].warning
    assert said is not None and "substrate" in said and "25.0 of 50.0 mm2" in said
    tiny = FarCopper(side="top", finish="mask", wants="none", area_mm2=100.0, met_mm2=96.0)
    assert tiny.warning is None
