"""Whatever the art: of unchanged pixels none flickers with hard regions, and under 0.1 % with a dither.

A seeded sweep over made-up art in motion. Shares by definition, from the pictures on the grid; the layer rules by a
second checker in numpy and OpenCV.
"""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.layer_rules import thin_pixels, violations
from tests.engine.sweeps import sweep_size
from tests.moving_pictures import Picture, disc_on, files_of, gradient, random_scene
from worker.engine.arrays import Labels
from worker.engine.pipeline import Conversion
from worker.engine.separation import edges
from worker.engine.series import convert_series
from worker.job_settings import read_settings

FABS = ("nocturne-gold", "meadow-tin", "alba-black")
# The small sweep holds art of which more than 0.1 % flickered when a change took whole cells whatever that cost.
DITHERED = (*range(100, 100 + sweep_size(0, 300)), 14, 19)
FABRICATED = (3, *range(200, 200 + sweep_size(0, 40)))
FAR_MM = 3.0
HARD = range(100, 100 + sweep_size(2, 150))


def made(seed: int, edges: str, tables: MemoryTables, *, pieces: int | None = None, **more: str) -> list[Conversion]:
    rng = np.random.default_rng(seed)
    pictures: list[Picture] = random_scene(rng)
    given = {"width": f"{rng.choice([12, 16])}mm", "pitch": "50um", "palette": "shared", "edges": edges, **more}
    series = convert_series(
        files_of(pictures[:pieces]),
        board(FABS[seed % len(FABS)]),
        read_settings(given),
        still=float(rng.choice([0.0, 1.0])),
        tables=tables,
    )
    found = [piece.conversion for piece in series]
    return [piece for piece in found if piece is not None]


def share(before: Conversion, now: Conversion) -> float:
    """Of the pixels whose artwork is the same to the last bit, how many have another finish."""
    same = (before.picture.srgb == now.picture.srgb).all(axis=2)
    return float((before.separation.labels != now.separation.labels)[same].mean())


@pytest.mark.parametrize("seed", HARD)
def test_hard_regions_never_flicker(seed: int, tables: MemoryTables) -> None:
    for before, now in itertools.pairwise(made(seed, "threshold", tables)):
        assert share(before, now) == 0.0


@pytest.mark.parametrize("seed", DITHERED)
def test_of_a_dither_less_than_a_thousandth_flickers(seed: int, tables: MemoryTables) -> None:
    pieces = made(seed, "dither", tables)
    fab = board(FABS[seed % len(FABS)])
    for piece in pieces:
        assert violations(piece.masks, fab) == {}
        assert sum(thin_pixels(mask, piece.separation.cell_px) for mask in piece.masks.values()) == 0
    for before, now in itertools.pairwise(pieces):
        assert share(before, now) < 0.001
        assert (before.separation.labels != now.separation.labels).any()  # what moves does move


def test_what_flickers_little_is_left_as_it_is(tables: MemoryTables, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also on a round board, outside which nothing counts: nothing waits that need not."""

    def labels() -> Labels:
        settings = read_settings(
            {"width": "16mm", "pitch": "50um", "palette": "shared", "edges": "dither", "board": "disc"}
        )
        pictures = [disc_on(disc_on(gradient(), x, 25, 5), x, 45, 5) for x in (40, 46)]
        *_, last = convert_series(files_of(pictures), board(FABS[0]), settings, tables=tables)
        assert last.conversion is not None
        return last.conversion.separation.labels

    bounded = labels()
    monkeypatch.setattr(edges, "CALMER", ())
    assert np.array_equal(bounded, labels())


@pytest.mark.parametrize("seed", FABRICATED)
@pytest.mark.parametrize("edges", ["threshold", "dither"][: sweep_size(1, 2)])
def test_what_is_made_stands_still_away_from_what_changes(seed: int, edges: str, tables: MemoryTables) -> None:
    """Repair works, and borders give way, around what changes; FAR_MM away nothing does. No limit is broken."""
    before, now = made(seed, edges, tables, pieces=2, fabrication="on")
    assert before.made is not None and now.made is not None
    assert before.made.fabrication.art.left.total == now.made.fabrication.art.left.total == 0
    changed = (before.picture.srgb != now.picture.srgb).any(axis=2)
    changed |= before.separation.labels != now.separation.labels
    away = cv2.distanceTransform((~changed).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE) * 0.05 > FAR_MM
    another = before.made.fabrication.seen != now.made.fabrication.seen
    assert another.any() and away.mean() > 0.1
    assert not (another & away).any()
