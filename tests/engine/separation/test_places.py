"""Allowed and frozen places: obeyed, or an error that names the place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from worker.engine.separation.places import Places, check_places, obey_places, place_name
from worker.errors import ArrayError, ImpossiblePlaceError

SHAPE = (6, 9)


def allowed_all() -> np.ndarray:
    return np.full(SHAPE, 0b111, dtype=np.uint32)


def test_a_place_is_named_in_mm_and_in_pixels() -> None:
    assert place_name(2, 7, 20.0) == "0.150 mm from the left and 0.050 mm from the top (row 2, column 7)"


def test_a_place_where_nothing_may_stand() -> None:
    allowed = allowed_all()
    allowed[2, 7] = allowed[3, 1] = 0
    with pytest.raises(ImpossiblePlaceError, match=r"at 2 places, the first .*row 2, column 7") as caught:
        check_places(Places(allowed=allowed), SHAPE, 3, 20.0)
    assert "Allow at least one" in caught.value.mend
    # A finish that the profile hasn't got is none.
    allowed[2, 7] = allowed[3, 1] = 0b11000
    with pytest.raises(ImpossiblePlaceError):
        check_places(Places(allowed=allowed), SHAPE, 3, 20.0)
    # What is frozen needs no permission.
    frozen = np.full(SHAPE, 255, dtype=np.uint8)
    frozen[2, 7] = frozen[3, 1] = 2
    check_places(Places(allowed=allowed, frozen=frozen), SHAPE, 3, 20.0)


def test_an_unknown_frozen_finish() -> None:
    frozen = np.full(SHAPE, 255, dtype=np.uint8)
    frozen[1, 4] = 3
    with pytest.raises(ArrayError, match=r"frozen is 3 at .*row 1, column 4") as caught:
        check_places(Places(frozen=frozen), SHAPE, 3, 20.0)
    assert "0 to 2" in caught.value.mend


@pytest.mark.parametrize(
    "places",
    [
        Places(allowed=np.ones((6, 8), dtype=np.uint32)),
        Places(allowed=np.ones(SHAPE, dtype=np.int64)),  # type: ignore[arg-type]
        Places(frozen=np.ones((5, 9), dtype=np.uint8)),
        Places(frozen=np.ones(SHAPE, dtype=bool)),  # type: ignore[arg-type]
    ],
)
def test_arrays_of_another_shape_or_type(places: Places) -> None:
    with pytest.raises(ArrayError, match=r"uint32|uint8"):
        check_places(places, SHAPE, 3, 20.0)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=60)
def test_each_place_gets_the_nearest_finish_that_it_may_have(seed: int) -> None:
    rng = np.random.default_rng(seed)
    clusters, finishes = 4, 5
    distances = rng.random((clusters, finishes))
    ids = rng.integers(0, clusters, SHAPE, dtype=np.uint8)
    labels = distances.argmin(axis=1).astype(np.uint8)[ids]
    labels[0, 0] = 255
    allowed = rng.integers(1, 1 << finishes, SHAPE).astype(np.uint32)
    frozen = np.where(rng.random(SHAPE) < 0.2, rng.integers(0, finishes, SHAPE), 255).astype(np.uint8)
    out = obey_places(labels, ids, distances, Places(allowed=allowed, frozen=frozen))
    for y in range(SHAPE[0]):
        for x in range(SHAPE[1]):
            if (y, x) == (0, 0):
                assert out[y, x] == 255
            elif frozen[y, x] != 255:
                assert out[y, x] == frozen[y, x]
            else:
                may = [i for i in range(finishes) if allowed[y, x] >> i & 1]
                assert out[y, x] == min(may, key=lambda i: distances[ids[y, x], i])


def test_a_place_of_no_cluster_takes_the_first_that_it_may_have() -> None:
    labels = np.zeros(SHAPE, dtype=np.uint8)
    ids = np.full(SHAPE, 255, dtype=np.uint8)
    allowed = np.full(SHAPE, 0b110, dtype=np.uint32)
    assert (obey_places(labels, ids, np.zeros((2, 3)), Places(allowed=allowed)) == 1).all()
