"""Unchanged places keep their finish and their dots; the layer rules hold around them. Counted by plain numpy."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.layer_rules import thin_pixels, violations
from tests.engine.open_pictures import cut
from tests.moving_pictures import Picture, disc_on, files_of, flat_scene, gradient
from worker.engine.pipeline import Conversion
from worker.engine.separation.continuity import Previous, read_previous, write_previous
from worker.engine.series import SeriesPlan, convert_piece, convert_series, plan_series
from worker.errors import ArtworkError
from worker.job_settings import Settings, read_settings

GIVEN = {"width": "16mm", "pitch": "50um", "palette": "shared"}


def made(
    pictures: list[Picture], fab: str, tables: MemoryTables, *, still: float = 1.0, **more: str
) -> list[Conversion]:
    found = []
    for piece in convert_series(
        files_of(pictures), board(fab), read_settings(GIVEN | more), still=still, tables=tables
    ):
        assert piece.error is None and piece.conversion is not None
        found.append(piece.conversion)
    return found


def flicker(before: Conversion, now: Conversion) -> tuple[int, int]:
    """By definition: unchanged pixels of the artwork on the grid, and those of them whose finish is another."""
    same = (before.picture.srgb == now.picture.srgb).all(axis=2)
    return int(same.sum()), int((same & (before.separation.labels != now.separation.labels)).sum())


def test_hard_regions_never_flicker(tables: MemoryTables) -> None:
    pieces = made([flat_scene(x) for x in (5, 20, 40, 41)], "meadow-tin", tables, edges="threshold")
    for before, now in itertools.pairwise(pieces):
        unchanged, flickering = flicker(before, now)
        assert unchanged > 0.5 * before.separation.labels.size
        assert flickering == 0
        assert now.separation.flicker is not None
        assert (now.separation.flicker.unchanged, now.separation.flicker.flickering) == (unchanged, 0)
        assert (before.separation.labels != now.separation.labels).any()  # what moves does move


@pytest.mark.parametrize("fab", ["nocturne-gold", "meadow-tin"])
def test_dots_stay_and_the_layer_rules_hold(fab: str, tables: MemoryTables) -> None:
    """The rules by a second checker in numpy and OpenCV. The bound: under 0.1 % of the unchanged pixels flicker."""
    pictures = [disc_on(gradient(), 20 + 12 * k, 45 + 3 * k, 7) for k in range(4)]
    pieces = made(pictures, fab, tables, still=0.0, edges="dither")
    for piece in pieces:
        assert violations(piece.masks, board(fab)) == {}
        cell = piece.separation.cell_px
        assert sum(thin_pixels(mask, cell) for mask in piece.masks.values()) == 0
        known = piece.separation.following
        assert known is not None
        late = (known.art != known.decided).any(axis=2)
        rows, columns = (length // cell - 1 for length in late.shape)
        cells = late[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell)
        assert cells.mean(axis=(1, 3)).max() <= 0.5  # of no cell more than half lags behind
    for before, now in itertools.pairwise(pieces):
        unchanged, flickering = flicker(before, now)
        assert flickering < 0.001 * unchanged
        told = now.separation.flicker
        assert told is not None and (told.unchanged, told.flickering) == (unchanged, flickering)
        assert told.beside == told.flickering


def plan_of(pictures: list[Picture], fab: str, settings: Settings, tables: MemoryTables) -> SeriesPlan:
    return plan_series(files_of(pictures), board(fab), settings, tables=tables)


def test_what_is_decided_anew_goes_on_with_the_mixture_around_it(tables: MemoryTables) -> None:
    """Against the scan that decides every cell: a hole in its dots is filled with the very same dots again."""
    picture, settings = gradient(), read_settings(GIVEN | {"edges": "dither"})
    plan = plan_of([picture], "nocturne-gold", settings, tables)
    (file,) = files_of([picture])
    whole = convert_piece(file, plan, None, board("nocturne-gold"), settings, tables=tables)
    known = whole.separation.following
    assert known is not None
    size = whole.separation.cell_px
    cells = slice(30 * size, 80 * size), slice(45 * size, 95 * size)
    decided, labels = known.decided.copy(), np.array(known.labels)
    decided[cells] = 255 - decided[cells]
    labels[cells] = labels[0, 0]
    hole = Previous(labels=labels, art=decided, decided=decided)
    again = convert_piece(file, plan, hole, board("nocturne-gold"), settings, tables=tables)
    assert np.array_equal(again.separation.labels, whole.separation.labels)


def test_scattered_dots_are_kept_and_the_rules_hold_between_them(tables: MemoryTables) -> None:
    """Every third cell or so of another picture's dots is kept: the scan has kept cells ahead of it everywhere."""
    rng = np.random.default_rng(20261128)
    settings = read_settings(GIVEN | {"edges": "dither"})
    first, second = cut("astronaut", 200, 200, top=40, left=150), cut("coffee", 200, 200, top=100, left=200)
    for fab in ("nocturne-gold", "meadow-tin"):
        plan = plan_of([first, second], fab, settings, tables)
        one, two = files_of([first, second])
        before = convert_piece(one, plan, None, board(fab), settings, tables=tables)
        known = before.separation.following
        assert known is not None
        size = before.separation.cell_px
        height, width = known.labels.shape
        kept = np.kron(rng.random((height // size + 1, width // size + 1)) < 0.35, np.ones((size, size), bool))
        now = convert_piece(two, plan, None, board(fab), settings, tables=tables).separation.following
        assert now is not None
        decided = np.where(kept[:height, :width, None], now.art, 255 - now.art)
        mixed = Previous(labels=known.labels, art=known.art, decided=decided)
        piece = convert_piece(two, plan, mixed, board(fab), settings, tables=tables)
        assert violations(piece.masks, board(fab)) == {}


def test_slow_and_thin_things_leave_no_trail(tables: MemoryTables) -> None:
    """Steps of a fraction of a cell, and a line thinner than half a cell: soon it looks as if they never were."""
    ground = gradient(200)

    def line(x: int) -> Picture:
        picture = ground.copy()
        picture[:, x : x + 1] = (250, 250, 250)
        return picture

    for moving in ([disc_on(ground, x, 100, 8) for x in (60, 61, 63)], [line(x) for x in (40, 43)]):
        pieces = made([ground, *moving, *[ground] * 4], "nocturne-gold", tables, edges="dither")
        first, last = pieces[0], pieces[-1]
        assert last.separation.flicker is not None
        assert last.separation.flicker.lagging <= 0.0002 * last.separation.labels.size
        assert float((first.separation.labels != last.separation.labels).mean()) < 0.01
        assert last.score.s_cielab.mean == pytest.approx(first.score.s_cielab.mean, abs=0.1)
        for before, now in itertools.pairwise(pieces[-4:]):
            unchanged, flickering = flicker(before, now)
            assert flickering < 0.001 * unchanged


def test_noise_is_no_change(tables: MemoryTables) -> None:
    """Differences that CIEDE2000 puts below the limit; with a limit of 0 they are changes."""
    noisy = gradient().copy()
    noisy[::2, ::3, 1] += 1
    calm = made([gradient(), noisy], "nocturne-gold", tables, edges="dither")
    assert np.array_equal(calm[0].separation.labels, calm[1].separation.labels)
    strict = made([gradient(), noisy], "nocturne-gold", tables, edges="dither", still=0.0)
    assert not np.array_equal(strict[0].separation.labels, strict[1].separation.labels)


def test_what_is_kept_is_the_same_once_written_and_read() -> None:
    rng = np.random.default_rng(3)
    labels = rng.integers(0, 5, (30, 40)).astype(np.uint8)
    art, decided = (rng.integers(0, 255, (30, 40, 3)).astype(np.uint8) for _ in range(2))
    decided[5:20] = art[5:20]
    again = read_previous(write_previous(Previous(labels=labels, art=art, decided=decided)))
    assert all(
        np.array_equal(getattr(again, name), value)
        for name, value in (("labels", labels), ("art", art), ("decided", decided))
    )
    with pytest.raises(ArtworkError, match="piece before"):
        read_previous(b"nothing")
