"""The threshold route as a whole: restrictions hold through clean-up, and what is left can be made, dot by dot."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.ndimage
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import PHOTOGRAPHS, cut, photograph, png_of
from tests.engine.written_masks import written_masks
from worker.engine.pipeline import convert
from worker.engine.separation.specks import smallest_areas
from worker.errors import ImpossiblePlaceError
from worker.job_settings import Settings, read_settings

FAB = board("nocturne-gold")
SETTINGS = read_settings({"width": "4mm", "pitch": "50um", "edges": "threshold", "clusters": "5"})


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("fab", ["nocturne-gold", "meadow-tin", "alba-black"])
def test_no_part_is_smaller_than_the_smallest_dot(name: str, fab: str, tables: MemoryTables) -> None:
    settings = read_settings({"width": "36mm", "pitch": "50um", "edges": "threshold"})
    found = convert(png_of(photograph(name)), board(fab), settings, tables=tables, threads=2)
    least = smallest_areas([finish.smallest_feature_mm for finish in found.fab.finishes], 50.0)
    for mask, area in zip(written_masks(found).values(), least, strict=True):
        parts, count = scipy.ndimage.label(mask)
        assert count == 0 or np.bincount(parts.ravel())[1:].min() >= area


@given(st.integers(0, 2**32 - 1), st.booleans())
@hypothesis_settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_frozen_and_allowed_places_are_honoured(tables: MemoryTables, seed: int, clean_up: bool) -> None:
    rng = np.random.default_rng(seed)
    art = cut("astronaut", 80, 80, top=int(rng.integers(0, 400)), left=int(rng.integers(0, 400)))
    allowed = np.repeat(np.repeat(rng.integers(1, 32, (10, 10)), 8, 0), 8, 1).astype(np.uint32)
    frozen = np.where(rng.random((80, 80)) < 0.1, rng.integers(0, 5, (80, 80)), 255).astype(np.uint8)
    settings = Settings(width_mm=4.0, pitch_um=50.0, edges="threshold", clusters=5, clean_up=clean_up)
    labels = convert(png_of(art), FAB, settings, tables=tables, allowed=allowed, frozen=frozen).separation.labels
    fixed = frozen != 255
    assert (labels[fixed] == frozen[fixed]).all()
    assert ((allowed >> labels.astype(np.uint32)) & 1)[~fixed].all()


def test_an_impossible_place_is_named(tables: MemoryTables) -> None:
    allowed = np.full((80, 80), 0b11111, dtype=np.uint32)
    allowed[40, 20] = 0
    with pytest.raises(ImpossiblePlaceError, match="row 40, column 20") as caught:
        convert(png_of(cut("coffee", 80, 80)), FAB, SETTINGS, tables=tables, allowed=allowed)
    assert "1.025 mm from the left and 2.025 mm from the top" in caught.value.what


def test_without_clean_up_every_pixel_has_its_own_colours_finish(tables: MemoryTables) -> None:
    settings = dataclasses.replace(SETTINGS, clean_up=False)
    found = convert(png_of(cut("coffee", 80, 80)), FAB, settings, tables=tables)
    cleaned = convert(png_of(cut("coffee", 80, 80)), FAB, SETTINGS, tables=tables)
    assert (found.separation.labels != cleaned.separation.labels).any()
    counts = {c.finish: 0.0 for c in found.clusters}
    for cluster in found.clusters:
        counts[cluster.finish] += cluster.share
    for finish, mask in written_masks(found).items():
        assert mask.mean() == pytest.approx(counts.get(finish, 0.0))
