"""The dither route: what it delivers can be made, by a second checker, on written masks."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from tests.boards import FABS, board
from tests.engine.conftest import MemoryTables
from tests.engine.layer_rules import thin_pixels, violations
from tests.engine.open_pictures import PHOTOGRAPHS, cut, enlarged, photograph, png_of
from tests.engine.sweeps import sweep_size
from tests.engine.written_masks import written_masks
from worker.engine.arrays import Labels
from worker.engine.pipeline import Conversion, convert
from worker.engine.separation.places import Allowed
from worker.errors import ImpossiblePlaceError
from worker.job_settings import read_settings

ARTWORKS = FABS.parent / "artworks"
ORDERS = tomllib.loads((ARTWORKS / "settings.toml").read_text())
PROFILES = ("nocturne-gold", "meadow-tin", "alba-black")
few = hypothesis_settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def dithered(
    data: bytes, fab: str, tables: MemoryTables, *, threads: int = 2, more: dict[str, Any] | None = None, **written: Any
) -> Conversion:
    # The number of clusters has no part in it; a given one saves finding it.
    settings = read_settings({"clusters": "4", **written, "edges": "dither"})
    return convert(data, board(fab), settings, tables=tables, threads=threads, **(more or {}))


EVERY = [(name, fab) for i, name in enumerate(sorted(ORDERS)) for fab in PROFILES[i % 3 :] + PROFILES[: i % 3]]
"""Of a sample's three the first is another from one sample to the next."""


@pytest.mark.slow
@pytest.mark.parametrize(("name", "fab"), EVERY[:: sweep_size(3, 1)])
def test_every_sample_can_be_made_by_every_fab(name: str, fab: str, tables: MemoryTables) -> None:
    """At the size that the demo orders, and at its pitch on its own fab: no corner touches, no legend beside
    openings, no part thinner than a cell.
    """
    written = {key: value for key, value in ORDERS[name].items() if key in ("width", "height")}
    if fab != ORDERS[name]["fab"] or name.endswith(".svg"):
        written["pitch"] = "50um"  # the same cells, of fewer pixels
    found = dithered((ARTWORKS / name).read_bytes(), fab, tables, **written)
    masks = written_masks(found)
    assert violations(masks, found.fab) == {}
    cell = found.separation.cell_px
    assert cell * found.picture.pitch_um >= max(f.smallest_feature_mm for f in found.fab.finishes) * 1000 - 1e-6
    if found.picture.alpha is None:
        assert {finish: thin_pixels(mask, cell) for finish, mask in masks.items()} == dict.fromkeys(masks, 0)


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("fab", PROFILES)
def test_photographs_can_be_made(name: str, fab: str, tables: MemoryTables) -> None:
    """Sides that are no multiple of the cell: what is left over widens the last cells."""
    found = dithered(png_of(photograph(name)), fab, tables, width="41.37mm", pitch="50um")
    masks = written_masks(found)
    assert violations(masks, found.fab) == {}
    cell = found.separation.cell_px
    assert cell == 3
    assert {finish: thin_pixels(mask, cell) for finish, mask in masks.items()} == dict.fromkeys(masks, 0)
    # It is a dither: finishes, finely mixed.
    labels = found.separation.labels[::cell, ::cell]
    assert (labels[:, 1:] != labels[:, :-1]).mean() > 0.05


@pytest.mark.parametrize("width", ["30.3mm"])
@pytest.mark.parametrize("written", [{}, {"pin": "#101010~6=mask"}])
def test_the_same_labels_on_any_number_of_threads(width: str, written: dict[str, str], tables: MemoryTables) -> None:
    data = png_of(photograph("astronaut"))
    one = dithered(data, "meadow-tin", tables, threads=1, width=width, pitch="50um", **written)
    for threads in (2,):
        many = dithered(data, "meadow-tin", tables, threads=threads, width=width, pitch="50um", **written)
        assert one.separation.labels.tobytes() == many.separation.labels.tobytes()


def test_a_restriction_that_restricts_nothing_changes_nothing(tables: MemoryTables) -> None:
    """All finishes allowed and nothing frozen goes another way through the code than no such arrays at all."""
    data = png_of(cut("coffee", 150, 200))
    for fab in PROFILES:
        free = dithered(data, fab, tables, width="30mm", pitch="50um")
        shape = free.separation.labels.shape
        everything = np.full(shape, (1 << len(free.fab.finishes)) - 1, dtype=np.uint32)
        nothing = np.full(shape, 255, dtype=np.uint8)
        same = dithered(data, fab, tables, width="30mm", pitch="50um", more={"allowed": everything, "frozen": nothing})
        assert (same.separation.labels == free.separation.labels).all()


def test_a_pinned_colour_is_solid(tables: MemoryTables) -> None:
    """A disc of one colour in a photograph: its inner cells hold the pin's finish and nothing else."""
    art = cut("chelsea", 240, 240).copy()
    y, x = np.mgrid[:240, :240]
    disc = (y - 120) ** 2 + (x - 120) ** 2 < 70**2
    art[disc] = (120, 96, 70)
    for finish in ("copper", "gold", "mask"):
        found = dithered(png_of(art), "nocturne-gold", tables, width="36mm", pitch="50um", pin=f"#786046~1={finish}")
        scale = found.picture.width_px / 240
        yy, xx = np.mgrid[: found.picture.height_px, : found.picture.width_px]
        inner = (yy / scale - 120) ** 2 + (xx / scale - 120) ** 2 < 64**2
        masks = written_masks(found)
        assert masks[finish][inner].all()
        assert violations(masks, found.fab) == {}
    # Without the pin, that colour is mixed.
    free = dithered(png_of(art), "nocturne-gold", tables, width="36mm", pitch="50um")
    assert len(np.unique(free.separation.labels[inner])) > 1


@pytest.mark.parametrize("forbid", [["gold"], ["legend", "substrate"], ["gold", "substrate", "copper"]])
def test_a_forbidden_finish_is_absent(forbid: list[str], tables: MemoryTables) -> None:
    art = png_of(cut("coffee", 200, 300))
    found = dithered(art, "nocturne-gold", tables, width="30mm", pitch="50um", forbid=forbid)
    masks = written_masks(found)
    assert not any(masks[finish].any() for finish in forbid)
    assert violations(masks, found.fab) == {}


def test_transparent_pixels_are_in_the_background(tables: MemoryTables) -> None:
    """The background may be a finish that the rest of the artwork would never get."""
    art = np.dstack([cut("coffee", 200, 300), np.full((200, 300), 255, dtype=np.uint8)])
    y, x = np.mgrid[:200, :300]
    art[(y - 100) ** 2 + (x - 150) ** 2 > 90**2, 3] = 0
    for background in ("mask", "gold", "legend"):
        found = dithered(png_of(art), "nocturne-gold", tables, width="30mm", pitch="50um", background=background)
        assert found.picture.alpha is not None
        masks = written_masks(found)
        assert masks[background][found.picture.alpha == 0].all()
        assert violations(masks, found.fab) == {}


blocks = st.integers(0, 2**32 - 1)


def whole_cells(rng: np.random.Generator, share: float, values: list[int], free: int, dtype: Any) -> npt.NDArray[Any]:
    """A restriction of 120 by 120 pixels in cells of 3 px: rectangles of a few cells."""
    cells = np.full((40, 40), free, dtype=dtype)
    for _ in range(int(share * 12)):
        top, left = rng.integers(0, 36, 2)
        high, wide = rng.integers(1, 9, 2)
        cells[top : top + high, left : left + wide] = rng.choice(values)
    return np.repeat(np.repeat(cells, 3, axis=0), 3, axis=1)


ART = enlarged(cut("astronaut", 60, 60, top=60, left=180), 2)


def check_obeyed(found: Conversion, frozen: Labels, allowed: Allowed) -> None:
    """Every place has the finish that it was given, or one that it may have, and all can be made."""
    labels = found.separation.labels
    fixed = frozen != 255
    assert (labels[fixed] == frozen[fixed]).all()
    assert ((allowed >> labels.astype(np.uint32)) & 1)[~fixed].all()
    assert violations(written_masks(found), found.fab) == {}


@given(blocks, st.sampled_from(PROFILES))
@few
def test_frozen_and_allowed_places_are_honoured(tables: MemoryTables, seed: int, fab: str) -> None:
    """Either every place is obeyed and all can be made, or the error names a place."""
    rng = np.random.default_rng(seed)
    count = len(board(fab).finishes)
    everything = (1 << count) - 1
    frozen = whole_cells(rng, 0.3, list(range(count)), 255, np.uint8)
    # Everything but one or two finishes: most of the time there is a way.
    sets = [everything ^ (1 << i) for i in range(count)] + [everything ^ (1 << i) ^ 1 for i in range(1, count)]
    allowed = whole_cells(rng, 0.7, sets, everything, np.uint32)
    try:
        found = dithered(
            png_of(ART), fab, tables, width="6mm", pitch="50um", more={"frozen": frozen, "allowed": allowed}
        )
    except ImpossiblePlaceError as error:
        assert "mm from the left" in error.what and "mm from the top" in error.what and error.mend
        return
    check_obeyed(found, frozen, allowed)


def test_most_restrictions_find_a_way(tables: MemoryTables) -> None:
    """Of 25 boards with a frozen rectangle and a forbidding one, at least 20 are made: the search does search."""
    made = 0
    for seed in range(25):
        rng = np.random.default_rng(seed)
        frozen = whole_cells(rng, 0.1, [0, 1, 2, 3, 4], 255, np.uint8)
        allowed = whole_cells(rng, 0.1, [0b11101, 0b10111, 0b01111], 0b11111, np.uint32)
        try:
            more = {"frozen": frozen, "allowed": allowed}
            found = dithered(png_of(ART), "nocturne-gold", tables, width="6mm", pitch="50um", more=more)
        except ImpossiblePlaceError:
            continue
        assert violations(written_masks(found), found.fab) == {}
        made += 1
    assert made >= 20


def test_frozen_places_that_break_a_rule_are_named(tables: MemoryTables) -> None:
    frozen = np.full((120, 120), 255, dtype=np.uint8)
    ids = [finish.id for finish in board("nocturne-gold").finishes]
    frozen[30:33, 60:63] = ids.index("legend")
    frozen[33:36, 63:66] = ids.index("gold")
    with pytest.raises(ImpossiblePlaceError, match=r"mm from the left") as caught:
        dithered(png_of(ART), "nocturne-gold", tables, width="6mm", pitch="50um", more={"frozen": frozen})
    # The corner where the two meet: 21 and 11 cells of 0.15 mm.
    assert "3.150 mm from the left" in caught.value.what and "1.650 mm from the top" in caught.value.what
