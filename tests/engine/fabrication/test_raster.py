"""Regions on the grid, by pixels' centres: against shapely's own point-in-polygon test."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from worker.engine.fabrication.raster import rasterise

HEIGHT, WIDTH, PITCH = 41, 53, 0.1
POINTS = st.lists(st.tuples(st.floats(-1.0, 7.0), st.floats(-1.0, 6.0)), min_size=3, max_size=12)


def centres() -> np.ndarray:
    x = (np.arange(WIDTH) + 0.5) * PITCH
    y = (HEIGHT - np.arange(HEIGHT) - 0.5) * PITCH
    return shapely.points(np.stack(np.broadcast_arrays(x[None, :], y[:, None]), axis=-1))


def lay(*regions: list[np.ndarray], threads: int = 1) -> np.ndarray:
    return rasterise(regions, height_px=HEIGHT, width_px=WIDTH, pitch_mm=PITCH, threads=threads)


@given(POINTS)
@settings(max_examples=200, deadline=None)
def test_random_polygons_hold_the_centres_that_shapely_says(points: list[tuple[float, float]]) -> None:
    polygon = Polygon(points)
    if not polygon.is_valid or polygon.area < 1e-3:
        return  # self-crossing ones have another inside by shapely's rule than by the even-odd rule
    got = lay([np.array(points)]) != 0
    places = centres()
    undecided = shapely.distance(places, polygon.boundary) < 1e-9
    np.testing.assert_array_equal(got[~undecided], shapely.contains(polygon, places)[~undecided])


def test_eight_regions_have_a_bit_each_and_rings_in_one_another_alternate() -> None:
    outer, inner = np.array([[0, 0], [5, 0], [5, 4], [0, 4]]), np.array([[1, 1], [2, 1], [2, 2], [1, 2]])
    zones = lay(*[[outer * (1 - i / 10), inner * (1 - i / 10)] for i in range(8)])
    for i in range(8):
        ring = Polygon(outer * (1 - i / 10), [inner * (1 - i / 10)])
        np.testing.assert_array_equal((zones >> i) & 1 != 0, shapely.contains(ring, centres()))


def test_any_number_of_threads_gives_the_same() -> None:
    ring = np.array([[0.3, 0.2], [5.1, 0.4], [3.0, 3.9]])
    np.testing.assert_array_equal(lay([ring], threads=1), lay([ring], threads=3))


@pytest.mark.parametrize("shift", [-100.0, 100.0])
def test_what_lies_off_the_grid_leaves_no_trace(shift: float) -> None:
    ring = np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 3.0], [0.0, 3.0]])
    assert not lay([ring + shift]).any()
    assert not lay([ring + np.array([shift, 0.0])]).any()
    around = np.array([[-50.0, -50.0], [50.0, -50.0], [50.0, 50.0], [-50.0, 50.0]])
    assert lay([around]).all()
