"""Specks, counted by scipy.ndimage.label: none below the smallest dot is left where another finish may stand."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
import scipy.ndimage
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.boards import board
from tests.engine.open_pictures import photograph
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.palette.tables import look_up, nearest_finish_table
from worker.engine.separation.specks import remove_specks, smallest_areas

Labels = npt.NDArray[np.uint8]


def specks_of(labels: Labels, least: npt.NDArray[np.int64]) -> list[npt.NDArray[np.bool_]]:
    """Every 4-connected part of a finish that is smaller than its smallest dot, as a mask."""
    found = []
    for finish in range(len(least)):
        parts, count = scipy.ndimage.label(labels == finish)
        areas = np.bincount(parts.ravel(), minlength=count + 1)
        found += [parts == part for part in range(1, count + 1) if areas[part] < least[finish]]
    return found


def neighbours_of(part: npt.NDArray[np.bool_], labels: Labels) -> set[int]:
    ring = scipy.ndimage.binary_dilation(part) & ~part
    return set(np.unique(labels[ring]).tolist()) - {255}


def test_the_smallest_dot_is_a_disc() -> None:
    areas = smallest_areas([0.15, 0.25, 0.01], 20.0)
    assert areas.tolist() == [math.ceil(math.pi / 4 * 7.5**2), math.ceil(math.pi / 4 * 12.5**2), 1]


@given(st.integers(0, 2**32 - 1), st.integers(1, 24), st.integers(1, 24), st.integers(2, 5), st.sampled_from([1, 2, 3]))
@settings(max_examples=150, deadline=None)
def test_no_speck_is_left(seed: int, height: int, width: int, finishes: int, grain: int) -> None:
    rng = np.random.default_rng(seed)
    small = rng.integers(0, finishes, (-(-height // grain), -(-width // grain)), dtype=np.uint8)
    labels = np.ascontiguousarray(np.repeat(np.repeat(small, grain, 0), grain, 1)[:height, :width])
    before = labels.copy()
    least = rng.integers(1, 20, finishes)
    out = remove_specks(labels, least)
    assert (labels == before).all(), "the labels handed over were changed"
    left = specks_of(out, least)
    # Only what fills the whole picture has nowhere to go.
    assert not left or (len(left) == 1 and left[0].all())
    # Nothing appears that was not there.
    assert set(np.unique(out)) <= set(np.unique(labels))
    if not specks_of(labels, least):
        assert (out == labels).all()


@given(st.integers(0, 2**32 - 1), st.integers(1, 20), st.integers(1, 20))
@settings(max_examples=150, deadline=None)
def test_frozen_and_allowed_are_honoured(seed: int, height: int, width: int) -> None:
    rng = np.random.default_rng(seed)
    finishes = 4
    labels = rng.integers(0, finishes, (height, width), dtype=np.uint8)
    labels[rng.random((height, width)) < 0.1] = 255
    frozen = rng.random((height, width)) < 0.1
    allowed = rng.integers(0, 16, (height, width)).astype(np.uint32)
    on = labels != 255
    allowed[on] |= np.uint32(1) << labels[on]
    least = rng.integers(1, 12, finishes)
    out = remove_specks(labels, least, allowed=allowed, frozen=frozen)
    assert (out[frozen] == labels[frozen]).all()
    assert (out[~on] == 255).all() and (out[on] != 255).all()
    assert ((allowed[on] >> out[on]) & 1).all()
    for part in specks_of(out, least):
        everywhere = np.bitwise_and.reduce(allowed[part])
        ways = [finish for finish in neighbours_of(part, out) if everywhere >> finish & 1]
        assert frozen[part].any() or not ways


def test_a_speck_goes_to_the_finish_with_the_longest_border() -> None:
    labels = np.zeros((10, 10), dtype=np.uint8)
    labels[:, 5:] = 1
    labels[4, 4] = 2
    labels[6, 5:7] = 2
    out = remove_specks(labels, np.array([1, 1, 4]))
    assert out[4, 4] == 0
    assert (out[6, 5:7] == 1).all()


def test_specks_that_grow_together_stay() -> None:
    """Two halves of a dot, parted by a line of another speck, make one dot that is large enough."""
    labels = np.zeros((12, 12), dtype=np.uint8)
    labels[3:6, 3:9] = 1
    labels[7:10, 3:9] = 1
    labels[6, 3:9] = 2
    out = remove_specks(labels, np.array([1, 30, 10]))
    assert (out[3:10, 3:9] == 1).all()


@pytest.mark.parametrize("threads", [2, 3])
def test_a_photograph(threads: int) -> None:
    fab = board("nocturne-gold")
    srgb = photograph("coffee")
    labels = look_up(srgb, nearest_finish_table(finish_colours(fab), threads=2))
    least = smallest_areas([finish.smallest_feature_mm for finish in fab.finishes], 50.0)
    out = remove_specks(labels, least)
    assert len(specks_of(labels, least)) > 100
    assert specks_of(out, least) == []
    assert remove_specks(labels, least, threads=threads).tobytes() == out.tobytes()
    # Most of the picture is as it was.
    assert (out == labels).mean() > 0.9
    assert srgb_to_lab(srgb).shape == (*labels.shape, 3)
