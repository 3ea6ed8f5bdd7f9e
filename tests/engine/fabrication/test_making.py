"""Borders and limits together: what is undone of a border that breaks a limit, and what may not be seen along one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy import ndimage

from tests.boards import board
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.fabrication.shift_simulation import exposed_px
from tests.engine.fabrication.test_registration import MASK_PX, PITCH_UM, disc, field, index, scattered
from worker.engine.arrays import OUTSIDE
from worker.engine.fabrication.bit_morphology import reached, region_of, unpack
from worker.engine.fabrication.board_windows import mask_of
from worker.engine.fabrication.border_warnings import border_warnings, forbidden_warnings, wanted_colours
from worker.engine.fabrication.layer_bits import layer_bits
from worker.engine.fabrication.layer_faults import LayerFaults, widest_px
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.making import MadeSide, make_side, within_limits
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes, planes_of, seen_labels
from worker.engine.painted import Painted
from worker.engine.palette.finish_colours import finish_colours
from worker.fab_profile import FabProfile


def made(fab: FabProfile, labels: npt.NDArray[np.uint8], *, forbidden: frozenset[str] = frozenset()) -> MadeSide:
    colours = finish_colours(fab)
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    return make_side(planes, fab, colours.lab, colours.srgb[labels], forbidden=forbidden, threads=2)


def crowded(fab: FabProfile) -> npt.NDArray[np.uint8]:
    """Two long bars of metal that come near each other at one place: their rims meet there and nowhere else."""
    labels = field(fab, "mask", 300)
    gold = index(fab, "gold")
    labels[100:130, 20:280] = gold
    labels[200:230, 20:280] = gold
    labels[138:200, 140:160] = gold
    return labels


def test_a_border_is_undone_only_where_it_breaks_a_limit() -> None:
    fab = board("nocturne-gold")
    labels = crowded(fab)
    result = made(fab, labels)
    assert result.left.total == 0
    layers = [result.planes.plane(bit) for bit in (COPPER, OPENING, LEGEND, BOARD)]
    assert broken_limits(layers[0], layers[1], layers[2], layers[3], fab, PITCH_UM) == {}
    changed = seen_labels(result.planes, fab) != labels
    gold = labels == index(fab, "gold")
    outline = gold ^ ndimage.binary_dilation(gold)
    far = np.ones_like(gold)
    far[90:170, 90:210] = False
    # Every bit of border that is away from the narrow place has its rim, on one side or the other.
    near_rim = ndimage.binary_dilation(changed, iterations=2)
    assert (near_rim | ~outline | ~far).all()
    # Of 25.6 mm of border, in which the narrow place has about one.
    assert 0 < result.undone_px < 900
    assert result.unsettled_mm < 3.5


@pytest.mark.parametrize("name", ["meadow-tin", "nocturne-gold"])
def test_what_is_made_keeps_limits_and_borders_together(name: str) -> None:
    fab = board(name)
    labels = scattered(fab, 5)
    result = made(fab, labels)
    assert result.left.total == 0
    repaired = planes_of(labels, fab, pitch_um=PITCH_UM)
    # Crowded figures: corners of three finishes can't be held, and what is hardly wider than the limits has no room.
    assert exposed_px(result.planes, fab) <= exposed_px(repaired, fab) / 3
    lengths = sum(border.length_mm for border in result.borders if not border.crisp)
    assert result.unsettled_mm <= 0.35 * lengths


@pytest.mark.parametrize("seed", [2, 3])
def test_faults_are_the_pixels_that_the_limits_mark(seed: int) -> None:
    fab = board("nocturne-gold")
    rng = np.random.default_rng(seed)
    labels = np.repeat(np.repeat(rng.integers(0, 5, (40, 70)), 6, axis=0), 6, axis=1).astype(np.uint8)
    labels[ndimage.distance_transform_edt(np.pad(np.ones_like(labels), 1))[1:-1, 1:-1] < 3] = OUTSIDE
    planes = planes_of(np.where(labels == OUTSIDE, 0, labels).astype(np.uint8), fab, pitch_um=PITCH_UM)
    planes = LayerPlanes(stack=np.where(labels == OUTSIDE, 0, planes.stack).astype(np.uint8), pitch_um=PITCH_UM)
    bits = layer_bits(planes, largest_px=widest_px(fab, PITCH_UM))
    faults_in = LayerFaults(bits, fab, PITCH_UM)
    found, marked = faults_in(bits), measure_limits(planes, fab).pixels
    # Of a corner touch `measure_limits` marks the upper left pixel alone.
    assert (unpack(found, bits.frame) >= marked).all()
    extra = unpack(found, bits.frame) & ~marked
    assert (ndimage.binary_dilation(marked, np.ones((3, 3))) >= extra).all()
    spot = np.zeros_like(found)
    spot[bits.frame.pad_px + 100, bits.frame.pad_words + 3] = 1
    region = region_of(spot, 1)
    inside = np.repeat(region, 64, axis=0)[: found.shape[0]]
    assert 0 < np.count_nonzero(inside) < inside.size / 2
    assert (faults_in(bits, region) == found * inside).all()


@pytest.mark.parametrize("name", ["alba-black", "meadow-tin", "nocturne-gold"])
def test_a_change_breaks_limits_no_farther_than_it_is_said_to_reach(name: str) -> None:
    fab = board(name)
    rng = np.random.default_rng(4)
    labels = np.kron(rng.integers(0, len(fab.finishes), (80, 100)), np.ones((11, 9))).astype(np.uint8)
    bits = layer_bits(planes_of(labels, fab, pitch_um=PITCH_UM), largest_px=widest_px(fab, PITCH_UM))
    faults_in = LayerFaults(bits, fab, PITCH_UM)
    before = faults_in(bits)
    spots = np.zeros(bits.copper.shape, dtype=np.uint64)
    height, words = spots.shape
    pad, side = bits.frame.pad_px, bits.frame.pad_words
    for _ in range(12):
        y, j = rng.integers(pad, height - pad - 4), rng.integers(side, words - side)
        spots[y : y + 4, j] |= np.uint64(0b111) << np.uint64(rng.integers(0, 60))
    spots &= bits.board
    for plane in (bits.copper, bits.opening, bits.legend):
        changed = plane ^ spots
        drawn = [changed if one is plane else one for one in (bits.copper, bits.opening, bits.legend)]
        after = faults_in(bits.with_drawn(*drawn))
        held = mask_of(reached(spots, region_of(spots, 0), faults_in.reach_px), height)
        assert (before ^ after).any()
        assert not ((before ^ after) & ~held).any()
        # Asked again only as far as each rule reaches, and where there was something, it comes to the same.
        at = region_of(before, 0)
        far, near = (reached(spots, region_of(spots, 0), px) for px in (faults_in.reach_px, faults_in.near_reach_px))
        again = before & ~mask_of(far, height)
        faults_in.add(bits.with_drawn(*drawn), near | (far & at), again, far=far)
        assert (again == after).all()


def test_what_breaks_no_limit_is_left_alone_by_the_undoing() -> None:
    fab = board("nocturne-gold")
    before, after = field(fab, "mask"), field(fab, "mask")
    disc(after, 40, 40, 20, index(fab, "gold"))
    after[100, 100] = index(fab, "gold")
    kept, changed = (planes_of(labels, fab, pitch_um=PITCH_UM) for labels in (before, after))
    result, undone = within_limits(kept, changed, fab)
    assert measure_limits(result, fab).total == 0 and undone == 1
    assert result.stack[100, 100] == kept.stack[100, 100]
    assert (result.stack[:80] == changed.stack[:80]).all()


@pytest.mark.parametrize("forbidden", ["copper", "substrate"])
def test_no_rim_shows_a_forbidden_finish(forbidden: str) -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "mask")
    disc(labels, 80, 80, 40, index(fab, "gold"))
    result = made(fab, labels, forbidden=frozenset({forbidden}))
    shown = seen_labels(result.planes, fab)
    (rim,) = {"copper", "substrate"} - {forbidden}
    assert not (shown == index(fab, forbidden)).any()
    assert (shown == index(fab, rim)).sum() > 500
    assert not border_warnings(result.borders, fab, frozenset({forbidden}))
    assert exposed_px(result.planes, fab) == 0


def test_a_border_without_a_permitted_rim_is_drawn_as_designed_and_named() -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "mask")
    disc(labels, 80, 80, 40, index(fab, "gold"))
    forbidden = frozenset({"copper", "substrate"})
    result = made(fab, labels, forbidden=forbidden)
    assert (seen_labels(result.planes, fab) == labels).all()
    (warning,) = border_warnings(result.borders, fab, forbidden)
    length = 2 * np.pi * 40.5 * PITCH_UM / 1000
    assert result.unsettled_mm == pytest.approx(length, rel=0.03)
    assert warning.startswith(f"{result.unsettled_mm:.1f} mm of border between mask and gold have no permitted rim")
    assert "copper and substrate are forbidden" in warning
    # Nothing forbidden: nothing to say.
    assert not border_warnings(made(fab, labels).borders, fab, frozenset())


def test_a_forbidden_finish_that_is_seen_is_named_with_its_area() -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "mask")
    seen = labels.copy()
    seen[:10, :25] = index(fab, "copper")
    (warning,) = forbidden_warnings(seen, labels, fab, frozenset({"copper"}), pitch_um=PITCH_UM)
    assert warning.startswith("copper is forbidden, but 0.10 mm² of it will be seen")
    assert forbidden_warnings(seen, labels, fab, frozenset({"gold"}), pitch_um=PITCH_UM) == []


def test_dots_hardly_wider_than_the_limit_are_left_as_they_are_and_their_borders_counted() -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "mask", 256)
    for y in range(24, 232, 24):
        for x in range(24, 232, 24):
            labels[y : y + 8, x : x + 8] = index(fab, "gold")
    result = made(fab, labels)
    assert result.left.total == 0
    dots = labels == index(fab, "gold")
    assert (seen_labels(result.planes, fab)[dots] == index(fab, "gold")).mean() > 0.9
    rims = sum(length for border in result.borders for _, length in border.rims)
    assert rims + result.unsettled_mm == pytest.approx(81 * 4 * 8 * PITCH_UM / 1000, rel=0.1)


def test_pinned_places_and_dithered_designs_are_judged_by_their_own_finish() -> None:
    fab = board("nocturne-gold")
    colours = finish_colours(fab)
    labels = field(fab, "mask", 8)
    art = np.full((8, 8, 3), 200, np.uint8)
    assert (wanted_colours(art, labels, colours.srgb, dithered=False, pinned=None) == art).all()
    pinned = np.full((8, 8), OUTSIDE, np.uint8)
    pinned[2, 3] = index(fab, "gold")
    judged = wanted_colours(art, labels, colours.srgb, dithered=False, pinned=pinned)
    assert (judged[2, 3] == colours.srgb[index(fab, "gold")]).all()
    assert (np.delete(judged.reshape(-1, 3), 2 * 8 + 3, axis=0) == 200).all()
    judged = wanted_colours(art, labels, colours.srgb, dithered=True, pinned=None)
    assert isinstance(judged, Painted)
    assert (judged.srgb(threads=2) == colours.srgb[labels]).all()


def test_a_painted_picture_is_judged_like_its_colours() -> None:
    fab = board("nocturne-gold")
    colours = finish_colours(fab)
    labels = scattered(fab, 8)
    palette = np.zeros((256, 3), dtype=np.uint8)
    palette[: len(colours)] = colours.srgb
    painted = Painted(labels=np.roll(labels, 7, axis=1), colours=palette)
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    one, two = (make_side(planes, fab, colours.lab, srgb, threads=2) for srgb in (painted, painted.srgb()))
    assert one.borders == two.borders and (one.planes.stack == two.planes.stack).all()


def test_rims_end_where_the_edge_of_the_board_is_too_near() -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "mask", 200)
    rows, columns = np.ogrid[:200, :200]
    labels[(rows - 100) ** 2 + (columns - 100) ** 2 > 98**2] = OUTSIDE
    labels[85:115, 21:100] = index(fab, "gold")
    labels[labels == OUTSIDE] = 0
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    stack = np.where((rows - 100) ** 2 + (columns - 100) ** 2 > 98**2, 0, planes.stack).astype(np.uint8)
    colours = finish_colours(fab)
    result = make_side(LayerPlanes(stack=stack, pitch_um=PITCH_UM), fab, colours.lab, colours.srgb[labels], threads=2)
    assert result.left.total == 0
    edge = ndimage.distance_transform_edt(stack != 0)
    drawn = result.planes.plane(COPPER) | result.planes.plane(OPENING)
    assert edge[drawn].min() > fab.limits["edge", "mask_mm"].value_mm * 1000 / PITCH_UM
    assert (ndimage.distance_transform_edt(labels != index(fab, "gold"))[drawn] <= MASK_PX).all()
