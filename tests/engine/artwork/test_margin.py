"""Transparent ground round a picture."""

from __future__ import annotations

import numpy as np
import pytest

from tests.boards import picture_of
from worker.engine.artwork.margin import Margins, with_margins
from worker.errors import SettingsError


def test_the_picture_stands_inside_its_margins_and_they_are_transparent() -> None:
    srgb = np.arange(4 * 5 * 3, dtype=np.uint8).reshape(4, 5, 3)
    alpha = np.full((4, 5), 200, dtype=np.uint8)
    padded = with_margins(picture_of(srgb, alpha=alpha), Margins(left=1, right=2, top=3, bottom=4))
    assert padded.srgb.shape == (11, 8, 3) and padded.alpha is not None
    np.testing.assert_array_equal(padded.srgb[3:7, 1:6], srgb)
    expected = np.pad(alpha, ((3, 4), (1, 2)))  # numpy's own
    np.testing.assert_array_equal(padded.alpha, expected)


def test_an_opaque_picture_stays_opaque_inside() -> None:
    padded = with_margins(picture_of(np.zeros((4, 5, 3), dtype=np.uint8)), Margins(left=1))
    assert padded.alpha is not None and padded.alpha[:, 1:].min() == 255 and padded.alpha[:, 0].max() == 0


def test_no_margins_change_nothing() -> None:
    picture = picture_of(np.zeros((4, 5, 3), dtype=np.uint8))
    assert with_margins(picture, Margins()) is picture


def test_a_grid_that_grows_too_large_is_refused() -> None:
    with pytest.raises(SettingsError, match="limit is 400 million"):
        with_margins(picture_of(np.zeros((4, 5, 3), dtype=np.uint8)), Margins(left=30_000, top=30_000))
