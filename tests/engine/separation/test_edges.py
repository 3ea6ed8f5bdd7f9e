"""Which route `auto` takes, and that it says why."""

from __future__ import annotations

import numpy as np
import pytest

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import cut, png_of
from worker.engine.pipeline import convert
from worker.job_settings import read_settings

FAB = board("nocturne-gold")


def route(srgb: np.ndarray, tables: MemoryTables, **written: str) -> tuple[str, str]:
    settings = read_settings({"width": "12mm", "pitch": "50um", "clusters": "4", **written})
    separation = convert(png_of(srgb), FAB, settings, tables=tables).separation
    assert separation.cell_px == (1 if separation.edges == "threshold" else 3)
    return separation.edges, separation.reason


def test_a_photograph_seen_from_far_enough_is_dithered(tables: MemoryTables) -> None:
    """0.15 mm dots: 26 of them a degree from 224 mm on."""
    art = cut("astronaut", 300, 300)
    assert route(art, tables)[0] == "dither"
    assert route(art, tables, viewing_distance="230mm")[0] == "dither"
    edges, reason = route(art, tables, viewing_distance="215mm")
    assert edges == "threshold" and "0.15 mm" in reason and "215 mm" in reason and "25 dots" in reason


def test_flat_art_is_not(tables: MemoryTables) -> None:
    art = np.full((100, 100, 3), (200, 40, 40), dtype=np.uint8)
    art[30:70, 30:70] = (250, 240, 200)
    art[40:60, 40:60] = (10, 60, 30)
    edges, reason = route(art, tables)
    assert edges == "threshold" and "flat" in reason


def test_one_finish_cannot_be_mixed(tables: MemoryTables) -> None:
    edges, reason = route(cut("astronaut", 300, 300), tables, max_finishes="1")
    assert edges == "threshold" and "one finish" in reason


@pytest.mark.parametrize("asked", ["dither", "threshold"])
def test_what_is_asked_for_is_done(asked: str, tables: MemoryTables) -> None:
    edges, reason = route(cut("astronaut", 300, 300), tables, edges=asked, viewing_distance="60mm")
    assert edges == asked and asked in reason


def test_the_labels_cannot_be_changed(tables: MemoryTables) -> None:
    settings = read_settings({"width": "3mm", "pitch": "50um"})
    labels = convert(png_of(cut("coffee", 60, 60)), FAB, settings, tables=tables).separation.labels
    with pytest.raises(ValueError, match="read-only"):
        labels[0, 0] = 1
