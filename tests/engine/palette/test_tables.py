"""The table of the nearest finish is exact: against brute force by the exact form, and against colour-science."""

from __future__ import annotations

import colour
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.boards import board, lab_of
from tests.engine.conftest import MemoryTables
from tests.engine.sweeps import sweep_size
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette import tables as engine_tables
from worker.engine.palette.colour_places import COLOURS, places_of, table_of_bins
from worker.engine.palette.finish_colours import FinishColours, colours_from_lab, finish_colours
from worker.engine.palette.histogram import bins_of
from worker.engine.palette.tables import DraftTables, look_up, nearest_finish_table

FABS = ("nocturne-gold", "meadow-tin", "alba-black")
Codes = npt.NDArray[np.int64]


def srgb_of(codes: Codes) -> Codes:
    return np.stack([codes >> 16, codes >> 8 & 255, codes & 255], axis=-1)


def nearest_by_force(codes: Codes, colours: FinishColours) -> Codes:
    """The first of the nearest finishes, every one of them measured by the exact form."""
    lab = srgb_to_lab(srgb_of(codes))
    return np.stack([ciede2000(lab, reference) for reference in colours.lab], axis=1).argmin(axis=1)


def made_up(labs: npt.ArrayLike) -> FinishColours:
    lab = np.array(labs, dtype=np.float64)
    return colours_from_lab(tuple(f"finish-{i}" for i in range(len(lab))), lab)


@pytest.mark.slow
@pytest.mark.parametrize("name", FABS)
def test_it_is_exact(name: str, tables: MemoryTables) -> None:
    """700,000 random colours of each demo profile, and all greys; with WHOLE_SWEEPS=1 every one of the 2^24."""
    colours = finish_colours(board(name))
    table = nearest_finish_table(colours, tables=tables, threads=2)
    assert table.shape == (COLOURS,)
    greys = np.arange(256) * 0x010101
    rng = np.random.default_rng(31)
    count = sweep_size(700_000, COLOURS)
    codes = np.arange(COLOURS) if count == COLOURS else np.concatenate([greys, rng.integers(0, COLOURS, count)])
    for part in np.array_split(codes, max(1, len(codes) // 500_000)):
        assert (table[places_of(srgb_of(part))] == nearest_by_force(part, colours)).all()


@pytest.mark.parametrize("name", FABS)
def test_colour_science_finds_the_same_finish(name: str, tables: MemoryTables) -> None:
    lab = lab_of(board(name))
    codes = np.random.default_rng(32).integers(0, COLOURS, 30_000)
    xyz = colour.sRGB_to_XYZ(srgb_of(codes) / 255.0)
    art = colour.XYZ_to_Lab(xyz, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    distances = np.stack([colour.delta_E(art, reference, method="CIE 2000") for reference in lab], axis=1)
    first, second = np.sort(distances, axis=1)[:, :2].T
    found = nearest_finish_table(finish_colours(board(name)), tables=tables)[places_of(srgb_of(codes))]
    # Its sRGB matrix is rounded to four digits, which moves a difference by up to 0.03: skip what is closer than that.
    clear = second - first > 0.06
    assert clear.mean() > 0.99
    assert (found == distances.argmin(axis=1))[clear].all()


BLUES = [[25.0, 8.0, -42.0], [55.0, 2.0, -38.0], [60.0, 5.0, -60.0]]


def test_greys_beside_blue_finishes_are_exact() -> None:
    """The hue that rounding leaves a grey must not count: beside blue it would move CIEDE2000 by up to 0.08.

    One blue is there twice: of equals, the first is taken.
    """
    grey = made_up([[lightness, 0.0, 0.0] for lightness in (20.0, 55.0, 90.0)] + BLUES[:2] + BLUES[:1])
    table = nearest_finish_table(grey, threads=2)
    assert set(np.unique(table)) == set(range(5))
    codes = (np.arange(256)[:, None] * 0x010101 + np.array([0, 1, 256, 65536, -1, -256])).ravel()
    codes = codes[(codes >= 0) & (codes < COLOURS)]
    codes = np.concatenate([codes, np.random.default_rng(33).integers(0, COLOURS, 200_000)])
    assert (table[places_of(srgb_of(codes))] == nearest_by_force(codes, grey)).all()


@pytest.mark.slow
def test_finishes_closer_than_the_fast_form_can_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two finishes a thousandth apart: every colour is decided by the exact form.

    That takes seconds for all, so it is done for every colour of 24 reds; with WHOLE_SWEEPS=1 for all.
    """
    first, last = (96, 120) if sweep_size(24, 256) == 24 else (0, 256)
    monkeypatch.setattr(engine_tables, "row_strips", lambda *_: [(first, last)])
    close = made_up([[50.0, 20.0, 20.0], [50.0005, 20.0, 19.9995]])
    codes = np.random.default_rng(34).integers(first << 16, last << 16, 50_000)
    table = nearest_finish_table(close, threads=2)[places_of(srgb_of(codes))]
    assert (table == nearest_by_force(codes, close)).all()
    assert 0.1 < table.mean() < 0.9


def test_one_finish_takes_everything() -> None:
    assert not nearest_finish_table(made_up([[50.0, 0.0, 0.0]])).any()


@pytest.mark.parametrize("threads", [2, 4])
def test_threads_change_nothing(threads: int, tables: MemoryTables) -> None:
    colours = finish_colours(board())
    table = nearest_finish_table(colours, tables=tables)
    assert nearest_finish_table(colours, threads=threads).tobytes() == table.tobytes()


def test_a_kept_table_is_used_again_and_a_broken_one_is_not(own_tables: MemoryTables) -> None:
    colours = finish_colours(board())
    table = nearest_finish_table(colours, tables=own_tables, threads=2)
    (key,) = own_tables.kept
    assert own_tables.kept[key] == table.tobytes()
    own_tables.kept[key] = bytes([3]) * COLOURS
    assert (nearest_finish_table(colours, tables=own_tables) == 3).all()
    own_tables.kept[key] = b"cut short"
    assert nearest_finish_table(colours, tables=own_tables, threads=2).tobytes() == table.tobytes()


def test_a_draft_gets_the_same_finishes_and_keeps_no_part_of_a_table(
    tables: MemoryTables, own_tables: MemoryTables
) -> None:
    colours = finish_colours(board())
    art = np.random.default_rng(33).integers(90, 140, (60, 50, 3)).astype(np.uint8)
    whole = nearest_finish_table(colours, tables=tables)
    part = nearest_finish_table(colours, art=art, tables=DraftTables(own_tables))
    assert (look_up(art, part) == look_up(art, whole)).all() and own_tables.kept == {}
    looked_up = np.zeros(COLOURS, dtype=np.bool_)
    looked_up[places_of(art)] = True
    assert not part[~looked_up].any() and whole[~looked_up].any(), "what nobody looks up was made all the same"
    own_tables.put(colours.key("nearest-2"), bytes([3]) * COLOURS)
    assert (nearest_finish_table(colours, art=art, tables=DraftTables(own_tables)) == 3).all()


def test_other_colours_make_another_key() -> None:
    lab = lab_of(board())
    keys = {made_up(lab).key("nearest"), made_up(lab + 1e-9).key("nearest"), made_up(lab[:3]).key("nearest")}
    assert len(keys) == 3
    # The names of finishes are no part of it: fabs with equal colours share a table.
    assert colours_from_lab(("a", "b"), lab[:2]).key("x") == made_up(lab[:2]).key("x")


sides = st.integers(1, 30)


@given(st.integers(0, 2**32 - 1), sides, sides, st.sampled_from([1, 2, 5]))
@settings(max_examples=30, deadline=None)
def test_looking_up(seed: int, height: int, width: int, threads: int) -> None:
    rng = np.random.default_rng(seed)
    srgb = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    table = TABLE
    wide = srgb.astype(np.int64)
    wanted = table[places_of(wide)]
    assert (look_up(srgb, table, threads=threads) == wanted).all()


TABLE = np.random.default_rng(35).integers(0, 256, COLOURS, dtype=np.uint8)


def test_every_colour_has_a_place_of_its_own_beside_its_likes() -> None:
    """A cache line of 64 entries holds 4 x 4 x 4 colours, a bin of the histogram 8 x 8 x 8 in the order of the bins."""
    values = np.arange(256)
    srgb = np.stack(np.meshgrid(values, values, values, indexing="ij"), axis=-1).reshape(-1, 3)
    places = places_of(srgb)
    assert (np.bincount(places, minlength=COLOURS) == 1).all()
    assert (places >> 9 == bins_of(srgb)).all()
    by_place = np.empty((COLOURS, 3), dtype=np.int64)
    by_place[places] = srgb
    assert (np.ptp(by_place.reshape(-1, 64, 3), axis=1) == 3).all()
    by_bin = np.random.default_rng(35).integers(0, 256, 1 << 15).astype(np.uint8)
    assert (table_of_bins(by_bin)[places] == by_bin[bins_of(srgb)]).all()
