"""Pins, forbidden finishes and max_finishes: their laws, by colour-science and brute force, and their complaints."""

from __future__ import annotations

import itertools
from typing import Any

import colour
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from tests.boards import board, lab_of
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import cut
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.assignment import NO_CLUSTER, Assignment, assign_colours
from worker.engine.palette.colour_places import RED, places_of
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.palette.histogram import histogram_of
from worker.engine.palette.overrides import check_finish_ids, choose_finishes, pin_table
from worker.engine.palette.tables import look_up
from worker.errors import OverrideError, SettingsError
from worker.job_settings import Pin, Settings, read_settings

FAB = board("nocturne-gold")
IDS = [finish.id for finish in FAB.finishes]
COLOURS = finish_colours(FAB)
few = hypothesis_settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def assign(
    srgb: npt.NDArray[np.uint8],
    settings: Settings,
    *,
    clear: npt.NDArray[np.bool_] | None = None,
    tables: MemoryTables | None = None,
) -> Assignment:
    check_finish_ids(FAB, settings)
    return assign_colours(
        srgb,
        clear,
        COLOURS,
        settings,
        background=IDS.index(settings.background or FAB.background),
        pitch_um=100.0,
        tables=tables,
        threads=2,
    )


def blotches(seed: int, colours: int = 12) -> npt.NDArray[np.uint8]:
    """40 by 40 pixels of a few colours, one of them near others."""
    rng = np.random.default_rng(seed)
    palette = rng.integers(0, 256, (colours, 3), dtype=np.uint8)
    palette[1] = np.clip(palette[0].astype(int) + rng.integers(-9, 10, 3), 0, 255)
    return palette[rng.integers(0, colours, (40, 40))]


def distance_from(pin: Pin, srgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    labs = [
        colour.XYZ_to_Lab(colour.sRGB_to_XYZ(np.asarray(c) / 255.0), colour.CCS_ILLUMINANTS[
            "CIE 1931 2 Degree Standard Observer"]["D65"])
        for c in (srgb, pin.srgb)
    ]  # fmt: skip
    return np.asarray(colour.delta_E(labs[0], labs[1], method="CIE 2000"))


@given(st.integers(0, 2**32 - 1), st.floats(0, 15), st.sampled_from(IDS), st.sampled_from(["none", 4, "auto"]))
@hypothesis_settings(few, max_examples=4)
def test_the_law_of_pins(tables: MemoryTables, seed: int, delta_e: float, finish: str, clusters: Any) -> None:
    """Every pixel within deltaE of the pin is in its cluster and finish, and no other pixel is in its cluster."""
    srgb = blotches(seed)
    pin = Pin(srgb=tuple(int(v) for v in srgb[0, 0]), delta_e=delta_e, finish=finish)  # type: ignore[arg-type]
    found = assign(srgb, Settings(pins=(pin,), clusters=clusters), tables=tables)
    (cluster,) = (c for c in found.clusters if c.pinned)
    own = found.cluster_ids == cluster.id
    distance = distance_from(pin, srgb)
    # colour-science's rounded matrix moves a difference by up to 0.03.
    assert own[distance <= max(0.0, delta_e - 0.03)].all()
    assert not own[distance > delta_e + 0.03].any()
    assert own[0, 0] and cluster.finish == finish
    assert (found.labels()[own] == IDS.index(finish)).all()
    assert cluster.share == pytest.approx(own.mean())


def test_of_two_pins_the_nearer_holds() -> None:
    marks = ((60, "gold"), (200, "legend"))
    pins = tuple(Pin(srgb=(value, value, value), delta_e=22.0, finish=finish) for value, finish in marks)
    table = pin_table(pins, threads=2)
    greys = np.arange(256)
    srgb = np.repeat(greys[:, None], 3, axis=1).astype(np.uint8)
    found = table[places_of(srgb)]
    one, two = (ciede2000(srgb_to_lab(srgb), srgb_to_lab(np.array(pin.srgb))) for pin in pins)
    wanted = np.where(np.minimum(one, two) > 22.0, 0, np.where(one <= two, 1, 2))
    assert (found == wanted).all()
    assert set(found) == {0, 1, 2}


def test_of_equal_pins_the_first_holds() -> None:
    pins = tuple(Pin(srgb=(9, 80, 200), delta_e=4.0, finish=finish) for finish in ("gold", "legend"))
    assert pin_table(pins, threads=2)[places_of(np.array([9, 80, 200]))] == 1


def test_a_pin_of_delta_e_0_holds_its_own_colour_alone() -> None:
    pin = Pin(srgb=(9, 80, 200), delta_e=0.0, finish="gold")
    assert np.flatnonzero(pin_table((pin,), threads=2)).tolist() == [places_of(np.array([9, 80, 200]))]


@pytest.mark.slow
def test_the_pin_table_is_exact_over_random_colours() -> None:
    rng = np.random.default_rng(51)
    pins = tuple(
        Pin(srgb=tuple(int(v) for v in rng.integers(0, 256, 3)), delta_e=float(rng.uniform(1, 25)), finish="gold")  # type: ignore[arg-type]
        for _ in range(3)
    )
    codes = rng.integers(0, 1 << 24, 100_000)
    srgb = np.stack([codes >> 16, codes >> 8 & 255, codes & 255], axis=-1).astype(np.uint8)
    distances = np.stack([distance_from(pin, srgb) for pin in pins], axis=1)
    limits = np.array([pin.delta_e for pin in pins])
    within = distances <= limits
    wanted = np.where(within.any(axis=1), np.where(within, distances, np.inf).argmin(axis=1) + 1, 0)
    unsure = (np.abs(distances - limits) < 0.03).any(axis=1) | (np.diff(np.sort(distances))[:, 0] < 0.06)
    assert unsure.mean() < 0.02
    table = pin_table(pins, threads=2)
    assert (table[places_of(srgb)] == wanted)[~unsure].all()
    art = np.where(srgb > 128, srgb, 255)[None]  # an artwork without dark colours, for which the table has none
    part = pin_table(pins, histogram_of(art), threads=2)
    assert (look_up(art, part) == look_up(art, table)).all() and not part[: RED[120]].any()


forbidden = st.lists(st.sampled_from(IDS), max_size=len(IDS) - 1, unique=True)


@given(st.integers(0, 2**32 - 1), forbidden, st.sampled_from(["none", 6]))
@few
def test_the_law_of_forbidden_finishes(tables: MemoryTables, seed: int, forbid: list[str], clusters: Any) -> None:
    found = assign(blotches(seed), Settings(forbid=tuple(forbid), clusters=clusters), tables=tables)
    assert not {IDS[label] for label in np.unique(found.labels())} & set(forbid)
    assert not {cluster.finish for cluster in found.clusters} & set(forbid)
    assert not {cluster.second_finish for cluster in found.clusters} & set(forbid)
    # Every other finish is still there to be chosen.
    assert {IDS[i] for i in found.active} == set(IDS) - set(forbid)


@given(st.integers(0, 2**32 - 1), st.integers(1, 6), forbidden)
@few
def test_the_law_of_max_finishes(tables: MemoryTables, seed: int, most: int, forbid: list[str]) -> None:
    settings = Settings(max_finishes=most, forbid=tuple(forbid), clusters=6)
    found = assign(blotches(seed), settings, tables=tables)
    assert len(np.unique(found.labels())) <= len(found.active) <= most


@pytest.mark.parametrize("most", [1, 2, 3, 4])
@pytest.mark.parametrize("name", ["nocturne-gold", "meadow-tin"])
def test_the_best_set_of_finishes_is_taken(name: str, most: int) -> None:
    """Against every set, each pixel of the histogram measured by colour-science."""
    fab = board(name)
    lab = lab_of(fab)
    histogram = histogram_of(cut("astronaut", 120, 120, top=40, left=150))
    distances = np.stack([colour.delta_E(histogram.lab, reference, method="CIE 2000") for reference in lab], axis=1)
    costs = {
        chosen: float(distances[:, list(chosen)].min(axis=1) @ histogram.counts)
        for chosen in itertools.combinations(range(len(lab)), most)
    }
    ids = [finish.id for finish in fab.finishes]
    settings = Settings(max_finishes=most)
    assert choose_finishes(histogram, lab, ids, settings, frozenset()) == min(costs, key=lambda c: costs[c])
    # A finish that a pin needs is in, whatever it costs.
    for needed in range(len(ids)):
        with_it = {chosen: cost for chosen, cost in costs.items() if needed in chosen}
        wanted = min(with_it, key=lambda c: with_it[c])
        assert choose_finishes(histogram, lab, ids, settings, frozenset([needed])) == wanted


def test_transparent_places_keep_their_finish_under_max_finishes() -> None:
    srgb = np.full((20, 20, 3), 250, dtype=np.uint8)
    clear = np.zeros((20, 20), dtype=bool)
    clear[:3] = True
    found = assign(srgb, Settings(max_finishes=2, background="copper", clusters=3), clear=clear)
    assert {"copper", "legend"} == {IDS[i] for i in found.active}
    assert (found.labels()[clear] == IDS.index("copper")).all()
    assert (found.cluster_ids[clear] == NO_CLUSTER).all()


def complaint(error: type[OverrideError] | type[SettingsError], settings: Settings, **more: Any) -> str:
    with pytest.raises(error) as caught:
        assign(more.pop("srgb", blotches(1)), settings, **more)
    assert caught.value.what in str(caught.value) and caught.value.mend in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("written", "named"),
    [
        ({"pin": "#102030~4=platinum"}, ["pin", "#102030~4=platinum", "platinum"]),
        ({"forbid": "platinum"}, ["forbid", "platinum"]),
        ({"background": "platinum"}, ["background", "platinum"]),
    ],
)
def test_an_unknown_finish_is_named_with_those_that_exist(written: dict[str, str], named: list[str]) -> None:
    text = complaint(SettingsError, read_settings(written))
    assert all(name in text for name in [*named, FAB.id, *IDS])


def test_a_pin_without_a_pixel_says_what_the_artwork_has() -> None:
    srgb = np.full((9, 9, 3), (200, 40, 40), dtype=np.uint8)
    text = complaint(OverrideError, read_settings({"pin": "#00FF00~6=gold"}), srgb=srgb)
    assert "#00FF00~6=gold" in text and "no pixel" in text and "#C82828" in text
    distance = float(distance_from(Pin(srgb=(0, 255, 0), delta_e=6.0, finish="gold"), srgb)[0, 0])
    assert f"deltaE {distance:.1f}" in text


def test_a_pin_whose_pixels_a_nearer_pin_takes_is_told() -> None:
    srgb = np.full((9, 9, 3), (200, 40, 40), dtype=np.uint8)
    text = complaint(OverrideError, read_settings({"pin": ["#C82828=gold", "#CC2828~9=copper"]}), srgb=srgb)
    assert "#CC2828~9=copper" in text and "another pin" in text


def test_a_pin_of_transparent_pixels_alone_is_told() -> None:
    srgb = np.full((9, 9, 3), (200, 40, 40), dtype=np.uint8)
    srgb[0] = (0, 255, 0)
    clear = np.zeros((9, 9), dtype=bool)
    clear[0] = True
    assert "#00FF00" in complaint(OverrideError, read_settings({"pin": "#00FF00=gold"}), srgb=srgb, clear=clear)


def test_all_finishes_forbidden() -> None:
    text = complaint(OverrideError, Settings(forbid=tuple(IDS)))
    assert "forbidden" in text and "at least one" in text


def test_a_forbidden_background_with_transparent_pixels() -> None:
    clear = np.zeros((40, 40), dtype=bool)
    clear[5, 5] = True
    text = complaint(OverrideError, Settings(forbid=(FAB.background,)), clear=clear)
    assert FAB.background in text and "background" in text
    # Without a transparent pixel nothing needs it.
    assign(blotches(1), Settings(forbid=(FAB.background,), clusters=3), clear=np.zeros((40, 40), dtype=bool))


def test_more_pinned_finishes_than_max_finishes() -> None:
    srgb = blotches(1)
    pins = [f"#{''.join(f'{v:02X}' for v in srgb[0, x])}~0={finish}" for x, finish in ((0, "gold"), (1, "legend"))]
    assert (srgb[0, 0] != srgb[0, 1]).any()
    text = complaint(OverrideError, read_settings({"pin": pins, "max_finishes": "1"}))
    assert all(word in text for word in ("max_finishes is 1", "2", "gold", "legend"))


def test_a_pinned_and_forbidden_finish() -> None:
    with pytest.raises(SettingsError, match=r"#102030~4=gold.*gold is forbidden"):
        read_settings({"pin": "#102030~4=gold", "forbid": "gold"})


def test_labs_of_pins_are_in_the_clusters() -> None:
    srgb = np.full((9, 9, 3), (200, 40, 40), dtype=np.uint8)
    (cluster,) = assign(srgb, read_settings({"pin": "#C82828=gold"})).clusters
    np.testing.assert_allclose(cluster.lab, srgb_to_lab(srgb[0, 0]), atol=1e-9)


def test_every_pixel_pinned() -> None:
    """No cluster is left but the pins' own."""
    srgb = np.full((9, 9, 3), (200, 40, 40), dtype=np.uint8)
    srgb[4:] = (20, 60, 200)
    pins = (Pin(srgb=(200, 40, 40), delta_e=3.0, finish="gold"), Pin(srgb=(20, 60, 200), delta_e=3.0, finish="mask"))
    for clusters in ("auto", 3):
        found = assign(srgb, Settings(pins=pins, clusters=clusters))  # type: ignore[arg-type]
        assert [(cluster.finish, cluster.pinned) for cluster in found.clusters] == [("gold", True), ("mask", True)]
        assert (found.labels() == np.where(np.arange(9) < 4, IDS.index("gold"), IDS.index("mask"))[:, None]).all()


def test_as_many_clusters_as_can_be_asked_for_beside_pins_and_transparent_pixels(tables: MemoryTables) -> None:
    srgb = cut("astronaut", 200, 200, top=60, left=150).copy()
    clear = np.zeros((200, 200), dtype=bool)
    clear[:40] = True
    srgb[-20:] = (0, 255, 0)
    settings = Settings(clusters=256, background="copper", pins=(Pin(srgb=(0, 255, 0), delta_e=0.0, finish="gold"),))
    found = assign(srgb, settings, clear=clear, tables=tables)
    labels = found.labels()
    assert (labels[clear] == IDS.index("copper")).all()
    assert (labels[-20:] == IDS.index("gold")).all()
    nearest = np.stack([ciede2000(srgb_to_lab(srgb), reference) for reference in COLOURS.lab]).argmin(axis=0)
    assert (labels == nearest)[40:-20].mean() > 0.9
    assert sum(cluster.share for cluster in found.clusters) == pytest.approx(1.0)
    assert len(found.clusters) == 255
    assert any("clusters is 256" in warning and "254" in warning for warning in found.warnings)


def test_too_many_pins() -> None:
    pins = tuple(Pin(srgb=(value, 0, 0), delta_e=0.0, finish="gold") for value in range(128))
    text = complaint(OverrideError, Settings(pins=pins))
    assert "128 pins" in text and "at most 127" in text
