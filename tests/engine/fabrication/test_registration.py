"""Registration against an independent simulation of shifts, and figures whose rims can be worked out by hand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy import ndimage

from tests.boards import board
from tests.engine.fabrication.fabs import DEMO
from tests.engine.fabrication.shift_simulation import exposed_px, ink_on_opening_px
from worker.engine.fabrication.free_copper import free_copper, strips_of
from worker.engine.fabrication.layer_bits import layer_bits, stack_of
from worker.engine.fabrication.overlap import overlap_violations
from worker.engine.fabrication.planes import COPPER, FREE_COPPER, LEGEND, OPENING, LayerPlanes, planes_of, seen_labels
from worker.engine.fabrication.registration import BorderReport, Settled, settle_borders
from worker.engine.palette.finish_colours import finish_colours
from worker.errors import ArrayError
from worker.fab_profile import FabProfile

PITCH_UM = 20.0
MASK_PX = 4
LEGEND_PX = 8
PULL_PX = 12


def index(fab: FabProfile, finish: str) -> int:
    return [known.id for known in fab.finishes].index(finish)


def field(fab: FabProfile, ground: str, side: int = 160) -> npt.NDArray[np.uint8]:
    return np.full((side, side), index(fab, ground), np.uint8)


def disc(labels: npt.NDArray[np.uint8], y: int, x: int, radius: int, value: int) -> None:
    rows, columns = np.ogrid[: labels.shape[0], : labels.shape[1]]
    labels[(rows - y) ** 2 + (columns - x) ** 2 <= radius * radius] = value


def settled(fab: FabProfile, labels: npt.NDArray[np.uint8], art: npt.NDArray[np.uint8] | None = None) -> Settled:
    colours = finish_colours(fab)
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    return settle_borders(planes, fab, colours.lab, colours.srgb[labels] if art is None else art)


def with_free_copper(planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> LayerPlanes:
    strips = strips_of(fab, planes.pitch_um)
    bits = layer_bits(planes, largest_px=2 * strips.opening + 1, threads=threads)
    copper = free_copper(bits, strips, threads=threads)
    drawn = bits.with_drawn(copper, bits.opening, bits.legend)
    return LayerPlanes(stack=stack_of(drawn, threads=threads), pitch_um=planes.pitch_um)


def scattered(fab: FabProfile, seed: int, side: int = 420) -> npt.NDArray[np.uint8]:
    """Discs and rectangles of all finishes, from far larger to little larger than the limits."""
    rng = np.random.default_rng(seed)
    labels = np.zeros((side, side), np.uint8)
    for _ in range(30):
        value, y, x, size = (int(rng.integers(n)) for n in (len(fab.finishes), side, side, 60))
        if rng.integers(2):
            disc(labels, y, x, 10 + size // 2, value)
        else:
            labels[y : y + 20 + size, x : x + 20 + int(rng.integers(60))] = value
    return labels


def only(result: Settled, one: str, other: str) -> BorderReport:
    found = [border for border in result.borders if set(border.finishes) == {one, other}]
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", DEMO)
def test_slivers_uncovered_by_shifts_fall_by_far(name: str, seed: int) -> None:
    # A prototype's traps cut exposed slivers 12.6 times on other art; corners where metal, laminate and mask meet
    # can't all be held, so on crowded figures a sixth is asked of each board here.
    fab = board(name)
    labels = scattered(fab, seed)
    before = planes_of(labels, fab, pitch_um=PITCH_UM)
    after = settled(fab, labels).planes
    bare = exposed_px(before, fab)
    assert exposed_px(after, fab) <= bare / 6
    assert ink_on_opening_px(before, fab) > 0
    assert ink_on_opening_px(after, fab) == 0


@pytest.mark.parametrize("name", DEMO)
def test_free_figures_are_held_altogether(name: str) -> None:
    fab = board(name)
    labels = field(fab, "mask", 240)
    metal = next(
        i for i, finish in enumerate(fab.finishes) if finish.recipe.mask_opening and finish.recipe.copper == "solid"
    )
    disc(labels, 60, 60, 30, metal)
    labels[130:200, 30:110] = index(fab, "substrate")
    disc(labels, 120, 180, 36, index(fab, "legend"))
    before = planes_of(labels, fab, pitch_um=PITCH_UM)
    result = settled(fab, labels)
    assert exposed_px(result.planes, fab) == 0
    assert overlap_violations(result.planes, fab).exposed_mm2 == 0
    if fab.id != "alba-black":  # its mask hides whether copper is below, so nothing shows there anyhow
        assert exposed_px(before, fab) > 100


def test_metal_on_mask_gets_the_rim_nearest_to_the_artwork_as_wide_as_the_tolerance() -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "mask")
    disc(labels, 80, 80, 40, index(fab, "gold"))
    colours = finish_colours(fab)
    for rim in ("copper", "substrate"):
        art = colours.srgb[labels].copy()
        distance = ndimage.distance_transform_edt(labels != index(fab, "gold"))
        around = (distance > 0) & (distance <= MASK_PX)
        art[around] = colours.srgb[index(fab, rim)]
        result = settled(fab, labels, art)
        shown = seen_labels(result.planes, fab)
        assert (shown == np.where(around, index(fab, rim), labels)).all()
        border = only(result, "mask", "gold")
        assert not border.crisp
        assert border.rim_width_mm == fab.limits["solder_mask", "registration_mm"].value_mm
        assert border.length_mm == pytest.approx(2 * np.pi * 40.5 * PITCH_UM / 1000, rel=0.03)
        assert border.rims == ((rim, pytest.approx(border.length_mm)),)
        assert border.met_mm == 0


def test_laminate_beside_copper_under_mask_gets_a_rim_too() -> None:
    fab = board("meadow-tin")
    labels = field(fab, "mask-copper")
    labels[40:120, 40:120] = index(fab, "substrate")
    result = settled(fab, labels)
    border = only(result, "mask-copper", "substrate")
    assert border.layers == ("copper", "solder mask")
    assert border.rims[0][0] in ("mask", "tin")
    assert border.length_mm == pytest.approx(4 * 80 * PITCH_UM / 1000, rel=0.02)
    changed = seen_labels(result.planes, fab) != labels
    inside = ndimage.distance_transform_edt(labels == index(fab, "substrate"))
    outside = ndimage.distance_transform_edt(labels != index(fab, "substrate"))
    assert (np.maximum(inside, outside)[changed] <= MASK_PX).all()


@pytest.mark.parametrize("pair", [("substrate", "gold"), ("copper", "mask"), ("gold", "copper"), ("substrate", "mask")])
def test_crisp_borders_stay_as_they_are(pair: tuple[str, str]) -> None:
    fab = board("nocturne-gold")
    labels = field(fab, pair[0])
    disc(labels, 80, 80, 40, index(fab, pair[1]))
    result = settled(fab, labels)
    assert (result.planes.stack == planes_of(labels, fab, pitch_um=PITCH_UM).stack).all()
    border = only(result, *pair)
    assert border.crisp
    assert len(border.layers) == 1
    assert border.met_mm == pytest.approx(border.length_mm)


@pytest.mark.parametrize(("opening", "rim"), [("gold", "copper"), ("substrate", "mask")])
def test_legend_is_pulled_back_and_shows_what_belongs_to_the_opening(opening: str, rim: str) -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "legend")
    disc(labels, 80, 80, 40, index(fab, opening))
    result = settled(fab, labels)
    distance = ndimage.distance_transform_edt(labels == index(fab, "legend"))
    expected = np.where((labels == index(fab, "legend")) & (distance <= PULL_PX), index(fab, rim), labels)
    assert (seen_labels(result.planes, fab) == expected).all()
    # Copper's edge lies under the legend, beyond what the legend may shift.
    copper, pulled = result.planes.plane(COPPER), distance <= PULL_PX + LEGEND_PX - 1
    assert (copper[pulled & (distance > 0)] == (opening == "gold")).all()


def test_a_thin_part_is_swapped_where_that_is_cheaper() -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "mask")
    labels[20:140, 80:88] = index(fab, "gold")
    colours = finish_colours(fab)
    # Artwork in the colour of copper under mask: all of the line may go.
    art = colours.srgb[np.where(labels == index(fab, "gold"), index(fab, "copper"), labels)]
    shown = seen_labels(settled(fab, labels, art).planes, fab)
    assert (shown[40:120, 80:88] == index(fab, "copper")).all()
    assert (shown[labels == index(fab, "mask")] == index(fab, "mask")).all()
    # Artwork in gold: it stays.
    shown = seen_labels(settled(fab, labels).planes, fab)
    assert (shown[40:120, 80:88] == index(fab, "gold")).all()


@pytest.mark.parametrize("name", DEMO)
def test_free_copper_is_chosen_alike_twice_and_shows_nothing(name: str) -> None:
    fab = board(name)
    labels = scattered(fab, 7)
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    chosen = with_free_copper(planes, fab, threads=2)
    assert (seen_labels(chosen, fab) == labels).all()
    assert (with_free_copper(chosen, fab).stack == chosen.stack).all()
    assert (planes.stack & 0xFE == chosen.stack & 0xFE).all()
    assert (chosen.plane(COPPER) | chosen.plane(FREE_COPPER) | ~planes.plane(COPPER)).all()


def test_unseen_copper_joins_metal_and_keeps_off_laminate() -> None:
    fab = board("alba-black")
    labels = field(fab, "mask", 300)
    for x in (60, 150, 240):
        disc(labels, 150, x, 25, index(fab, "gold"))
    labels[20:50, 20:50] = index(fab, "substrate")
    copper = with_free_copper(planes_of(labels, fab, pitch_um=PITCH_UM), fab).plane(COPPER)
    assert ndimage.label(copper)[1] == 1
    assert ndimage.distance_transform_edt(labels != index(fab, "substrate"))[copper].min() > PULL_PX


def test_overlap_counts_what_the_simulation_finds() -> None:
    fab = board("nocturne-gold")
    labels = field(fab, "mask")
    disc(labels, 80, 80, 40, index(fab, "gold"))
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    found = dict(overlap_violations(planes, fab).by_finish)
    # An opening that slips off its copper uncovers laminate outside, and copper under mask inside: rings as wide as
    # the tolerance.
    outside = ndimage.distance_transform_edt(labels == index(fab, "mask"))
    inside = ndimage.distance_transform_edt(labels == index(fab, "gold"))
    assert found["substrate"] == ((outside > 0) & (outside <= MASK_PX)).sum()
    assert found["copper"] == ((inside > 0) & (inside <= MASK_PX)).sum()


def test_threads_change_no_byte() -> None:
    fab = board("nocturne-gold")
    labels = scattered(fab, 9)
    colours = finish_colours(fab)
    planes = planes_of(labels, fab, pitch_um=PITCH_UM)
    one, three = (settle_borders(planes, fab, colours.lab, colours.srgb[labels], threads=threads) for threads in (1, 3))
    assert (one.planes.stack == three.planes.stack).all()
    assert one.borders == three.borders


def test_no_layer_is_drawn_off_the_board() -> None:
    fab = board("nocturne-gold")
    labels = scattered(fab, 4)
    rows, columns = np.ogrid[: labels.shape[0], : labels.shape[1]]
    labels[(rows - 210) ** 2 + (columns - 210) ** 2 > 200**2] = 255
    result = settled(fab, labels, np.zeros((*labels.shape, 3), np.uint8))
    assert (result.planes.stack[labels == 255] == 0).all()
    assert not (result.planes.plane(OPENING) & result.planes.plane(LEGEND)).any()


def test_artwork_of_another_size_is_refused() -> None:
    fab = board()
    planes = LayerPlanes(stack=np.full((4, 4), 128, np.uint8), pitch_um=PITCH_UM)
    with pytest.raises(ArrayError, match="srgb is"):
        settle_borders(planes, fab, finish_colours(fab).lab, np.zeros((4, 5, 3), np.uint8))
