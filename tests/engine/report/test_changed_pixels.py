"""A second score from what the first one left: as if everything had been measured again."""

from __future__ import annotations

from dataclasses import astuple

import numpy as np
import pytest

from tests.boards import board
from tests.engine.conftest import MemoryTables
from worker.engine.arrays import OUTSIDE, Labels, Srgb
from worker.engine.palette.finish_colours import FinishColours, colours_from_lab, finish_colours
from worker.engine.palette.hull import FINE_NODES, hull_table
from worker.engine.report.score import Basis, Score, score_separation

COLOURS = finish_colours(board("nocturne-gold"))
FEWER = colours_from_lab(COLOURS.ids[:-1], COLOURS.lab[:-1])


def scored(
    srgb: Srgb,
    labels: Labels,
    tables: MemoryTables,
    *,
    colours: FinishColours = COLOURS,
    basis: Basis | None = None,
    clusters: Labels | None = None,
) -> Score:
    return score_separation(
        srgb,
        labels,
        colours,
        hull=hull_table(COLOURS, nodes=FINE_NODES, tables=tables),
        pitch_um=10.0,
        viewing_distance_mm=300.0,
        clusters=clusters,
        cluster_count=0 if clusters is None else 3,
        basis=basis,
        keep_basis=basis is None,
        threads=2,
    )


@pytest.mark.parametrize("kind", ["flat", "noise", "all of a finish", "edge", "one more finish"])
def test_a_second_score_is_that_of_everything(tables: MemoryTables, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    srgb = rng.integers(0, 256, (300, 331, 3), dtype=np.uint8)
    if kind == "flat":
        srgb = rng.integers(0, 256, (4, 3), dtype=np.uint8)[np.arange(331) // 90][None].repeat(300, axis=0)
    before = rng.choice(np.array([0, 1, 2, 3], np.uint8), (300, 331))
    before[:40, :30] = OUTSIDE
    clusters = rng.integers(0, 4, before.shape).astype(np.uint8)
    assert before[before != OUTSIDE].max() < len(FEWER)
    colours = FEWER if kind == "one more finish" else COLOURS
    first = scored(srgb, before, tables, colours=colours, clusters=clusters)
    after = before.copy()
    for _ in range(30):
        y, x = rng.integers(40, 290, 2)
        after[y : y + 9, x : x + 17] = rng.integers(0, 5)
    if kind == "all of a finish":
        after[after == 3] = 2
    if kind == "edge":
        after[200, 200] = OUTSIDE
    assert first.basis is not None
    whole = scored(srgb, after, tables)
    if kind != "edge":  # only where the board itself has changed is everything measured again
        monkeypatch.delattr("worker.engine.report.score.measure_pixels")
    found = scored(srgb, after, tables, basis=first.basis)
    assert (found.error_map == whole.error_map).all()
    assert found.pixels == whole.pixels
    assert found.by_finish.keys() == whole.by_finish.keys()
    pairs = [(found.ciede2000, whole.ciede2000), (found.s_cielab, whole.s_cielab)]
    pairs.append((found.continuous_reference, whole.continuous_reference))
    for finish, both in found.by_finish.items():
        pairs += zip(both, whole.by_finish[finish], strict=True)
    for one, other in pairs:
        assert astuple(one)[1:] == astuple(other)[1:]
        assert one.mean == pytest.approx(other.mean, rel=1e-12)
