"""The loops under the score, through the score: every pixel counts once, each block once for every pixel in it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from tests.boards import board
from tests.engine.conftest import MemoryTables
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.palette.hull import FINE_NODES, hull_table
from worker.engine.report.score import score_separation

COLOURS = finish_colours(board("nocturne-gold"))
sides = st.integers(1, 40)


@given(
    st.integers(0, 2**32 - 1),
    sides,
    sides,
    st.sampled_from([20.0, 50.0, 100.0]),
    st.sampled_from([1, 2, 4]),
    st.sampled_from([3, 7, 30]),
)
@hypothesis_settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_pixel_counts_once(
    tables: MemoryTables, seed: int, height: int, width: int, pitch_um: float, threads: int, count: int
) -> None:
    """Runs of equal pixels, colours of clusters, pixels outside the board and pixels of no cluster."""
    rng = np.random.default_rng(seed)
    palette = rng.integers(0, 256, (6, 3), dtype=np.uint8)
    chosen = np.sort(rng.integers(0, 6, (height, width)), axis=1)
    srgb = palette[chosen]
    # A cluster is a set of colours; the last colour has none.
    of_colour = np.append(rng.integers(0, count, 5), 255).astype(np.uint8)
    clusters = of_colour[chosen]
    labels = rng.choice(np.array([0, 1, 2, 3, 4, 255], np.uint8), (height, width))
    score = score_separation(
        srgb, labels, COLOURS, hull=hull_table(COLOURS, nodes=FINE_NODES, tables=tables),
        pitch_um=pitch_um, viewing_distance_mm=300.0,
        clusters=clusters, cluster_count=count, threads=threads,
    )  # fmt: skip
    on = labels != 255
    wanted = ciede2000(srgb_to_lab(srgb), COLOURS.lab[np.where(on, labels, 0)])
    # A bin's width apart: 1/128, or four times that where there are very many pairs of cluster and finish.
    for index, finish in enumerate(COLOURS.ids):
        own = wanted[labels == index]
        assert (finish in score.by_finish) == bool(own.size)
        if own.size:
            found = score.by_finish[finish][0]
            assert found.mean == pytest.approx(own.mean(), abs=3e-3)
            assert found.median == pytest.approx(np.median(own), abs=0.02)
            assert found.max == pytest.approx(own.max(), abs=3e-3)
    for cluster in range(count):
        own = wanted[on & (clusters == cluster)]
        assert (cluster in score.by_cluster) == bool(own.size)
        if own.size:
            assert score.by_cluster[cluster].mean == pytest.approx(own.mean(), abs=3e-3)
            assert score.by_cluster[cluster].max == pytest.approx(own.max(), abs=3e-3)
    numbers = np.minimum(clusters, count)
    pixels = [[int((on & (labels == f) & (numbers == c)).sum()) for f in range(5)] for c in range(count + 1)]
    assert [list(row) for row in score.pixels] == pixels
    # The error map at every pixel, as its finish's share of the score counts it.
    step = score.error_map_step_px
    full = np.repeat(np.repeat(score.error_map, step, 0), step, 1)[:height, :width]
    for index, finish in enumerate(COLOURS.ids):
        if (labels == index).any():
            assert score.by_finish[finish][1].mean == pytest.approx(full[labels == index].mean(), abs=1e-3)
    if on.any():
        assert score.s_cielab.mean == pytest.approx(full[on].mean(), abs=1e-3)
        if step == 1:
            assert score.s_cielab.max == pytest.approx(full[on].max(), abs=1e-4)
        assert score.s_cielab.max >= max(score.s_cielab.mean, score.s_cielab.p95) - 1e-9
    else:
        assert score.s_cielab.max == score.ciede2000.max == 0.0


def test_outside_the_board_is_no_error(tables: MemoryTables) -> None:
    """There the board shows the artwork itself, so nothing from outside spoils its edge."""
    srgb = np.full((60, 60, 3), 200, dtype=np.uint8)
    labels = np.full((60, 60), 255, dtype=np.uint8)
    labels[:, :5] = 4
    score = score_separation(
        srgb,
        labels,
        COLOURS,
        hull=hull_table(COLOURS, nodes=FINE_NODES, tables=tables),
        pitch_um=100.0,
        viewing_distance_mm=300.0,
    )
    assert score.error_map[:, 40:].mean() < 0.2 * score.error_map[:, :5].mean()
