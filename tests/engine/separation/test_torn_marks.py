"""Marks that are torn: how much of a border is lost is by construction, outlines are looked at with scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import euler_number, label

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.separation.torn_marks import WithoutMarks, without_torn_marks

FEATURE_PX = 8
"""So a small mark is up to 160 pixels across."""


def looked(shown: Labels, wished: Labels, given: Labels, frame_px: float = 0.0) -> WithoutMarks | None:
    ids = np.where(wished == OUTSIDE, 255, wished).astype(np.uint8)
    return without_torn_marks(shown, wished, given, ids, feature_px=FEATURE_PX, frame_px=frame_px)


def letter(kind: str, ground: int = 0) -> Labels:
    """A letter of finish 1, 100 pixels high with strokes of 20, in the middle of 300 x 300 pixels."""
    out = np.full((300, 300), ground, np.uint8)
    if kind in "LI":
        out[100:200, 120:140] = 1
    if kind == "L":
        out[180:200, 120:190] = 1
    if kind == "O":
        y, x = np.mgrid[:300, :300] - 150
        out[np.abs(np.hypot(y, x) - 40) < 10] = 1
    return out


@pytest.mark.parametrize(
    ("kind", "cut", "stays"),
    [
        ("L", np.s_[100:110, 100:150], True),  # a tenth of its upright
        ("L", np.s_[170:220, 140:200], False),  # its foot: it would be an I
        ("I", np.s_[100:130, 100:200], True),  # three tenths of an upright, which gets shorter
        ("I", np.s_[100:170, 100:200], False),
        ("O", np.s_[100:120, 130:150], True),
        ("O", np.s_[150:220, 150:220], False),  # a quarter: it would be a C
    ],
)
@pytest.mark.parametrize("ground", [0, 2])
def test_a_mark_stays_or_goes_whole(kind: str, cut: tuple[slice, slice], stays: bool, ground: int) -> None:
    """On ground that is there anyway, and on ground that is art."""
    wished = letter(kind, ground)
    given = np.zeros_like(wished)
    shown = wished.copy()
    shown[cut] = 0
    out = looked(shown, wished, given)
    if stays:
        assert out is None
        return
    assert out is not None
    assert (out.labels == ground).all() and (out.cluster_ids == ground).all()
    ((mark),) = out.marks
    rows, columns = np.nonzero(wished == 1)
    assert (mark.finish, mark.left, mark.top) == (1, columns.min(), rows.min())
    assert (mark.right, mark.low) == (columns.max() + 1, rows.max() + 1)


def test_what_a_hole_takes_is_lost_and_what_the_frame_takes_is_not() -> None:
    wished = letter("O")
    shown = wished.copy()
    shown[145:200, 90:210] = OUTSIDE
    out = looked(shown, wished, np.zeros_like(wished))
    assert out is not None and len(out.marks) == 1
    framed = wished.copy()
    framed[145:] = OUTSIDE  # the board ends there: nobody knows how the picture goes on
    assert looked(framed, framed, np.zeros_like(wished)) is None
    kept_free = framed.copy()
    kept_free[130:145] = np.where(framed[130:145] == 1, 0, framed[130:145])
    assert looked(kept_free, framed, np.zeros_like(wished), frame_px=15.0) is None


def test_a_light_letter_whose_ground_is_lost_goes_as_well() -> None:
    """White letters on a white board are the gaps of what is drawn round them: no place of theirs is taken."""
    wished = np.where(letter("L") == 1, 0, 1).astype(np.uint8)
    given = np.zeros_like(wished)
    shown = wished.copy()
    shown[140:230, 100:230] = 0
    out = looked(shown, wished, given)
    assert out is not None and (out.labels == 1).all()


def test_the_hole_of_an_o_goes_with_it_and_never_alone() -> None:
    wished = letter("O")
    given = np.zeros_like(wished)
    shown = wished.copy()
    shown[150:220, 150:220] = 0
    out = looked(shown, wished, given)
    assert out is not None and (out.labels == 0).all()
    # what takes the hole alone leaves a disc: the mark is still there, with its outer border
    filled = wished.copy()
    y, x = np.mgrid[:300, :300] - 150
    filled[np.hypot(y, x) < 32] = 1
    kept = looked(filled, wished, given)
    assert kept is None or euler_number(kept.labels == 1) == euler_number(wished == 1)
    assert label(wished == 0, connectivity=1).max() == 2


def test_what_is_large_is_no_mark() -> None:
    wished = np.zeros((400, 400), np.uint8)
    wished[50:350, 50:350] = 1
    shown = wished.copy()
    shown[50:250] = 0
    assert looked(shown, wished, np.zeros_like(wished)) is None
