"""Border lengths against shapely's perimeters of the same figures."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from shapely import affinity

from worker.engine.fabrication.border_length import border_lengths

TABLE = np.arange(256, dtype=np.uint8)
SIDE = 400


def drawn(figure: shapely.Geometry) -> npt.NDArray[np.uint8]:
    y, x = np.mgrid[:SIDE, :SIDE] + 0.5
    return shapely.contains_xy(figure, x.ravel(), y.ravel()).reshape(SIDE, SIDE).astype(np.uint8)


def length(labels: npt.NDArray[np.uint8], threads: int = 1) -> float:
    return float(border_lengths(labels, labels, TABLE, 2, threads=threads)[0, 1, 2])


@pytest.mark.parametrize("degrees", [0.0, 7.0, 15.0, 22.5, 30.0, 38.0, 45.0, 80.0])
def test_rectangles_at_any_angle(degrees: float) -> None:
    figure = affinity.rotate(shapely.box(90, 130, 310, 270), degrees)
    assert length(drawn(figure)) == pytest.approx(figure.length, rel=0.025)


@pytest.mark.parametrize("radius", [12, 40, 150])
def test_discs_and_rings(radius: int) -> None:
    disc = shapely.Point(200.3, 199.8).buffer(radius, quad_segs=64)
    assert length(drawn(disc)) == pytest.approx(disc.length, rel=0.02)
    ring = disc.difference(shapely.Point(200, 200).buffer(radius / 2, quad_segs=64))
    assert length(drawn(ring)) == pytest.approx(ring.length, rel=0.03)


def test_a_rim_is_counted_by_what_stands_there_now() -> None:
    before = np.zeros((60, 100), np.uint8)
    before[:, 50:] = 1
    after = before.copy()
    after[:20, 50:55] = 2
    lengths = border_lengths(before, after, TABLE, 3)
    assert lengths[0, 1].tolist() == pytest.approx([0.0, 0.0, 20.0, 40.0], abs=0.5)
    assert lengths.sum() == pytest.approx(60.0, abs=0.5)


def test_threads_change_nothing() -> None:
    labels = drawn(shapely.Point(200, 200).buffer(150))
    assert length(labels, 1) == length(labels, 3)
