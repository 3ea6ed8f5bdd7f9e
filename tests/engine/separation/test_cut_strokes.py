"""Strokes and marks that something cuts: pieces are counted with scipy, widths and shares are by construction."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from worker.engine.arrays import Labels
from worker.engine.separation.cut_strokes import without_scraps

FEATURES_MM = [0.1, 0.1, 0.1, 0.1]
PITCH_UM = 20.0
"""So a feature is five pixels wide, a seam up to 25, a mark up to 100 across."""


def left(labels: Labels, wished: Labels, given: Labels, features_mm: list[float] = FEATURES_MM) -> Labels:
    return without_scraps(labels, wished, given, features_mm, pitch_um=PITCH_UM)


def alike(out: Labels, wanted: Labels) -> bool:
    """But for the corners of what is cut: a fab makes none that is sharper than its smallest feature."""
    return bool((ndimage.binary_erosion(out != wanted, np.ones((3, 3)))).sum() == 0 and (out != wanted).sum() < 200)


def pieces(part: np.ndarray) -> int:  # type: ignore[type-arg]
    """How many 8-connected ones there are."""
    return int(ndimage.label(part, np.ones((3, 3)))[1])


def test_a_stroke_goes_on_up_to_what_is_given_and_no_sliver_of_it_is_left() -> None:
    """A bar of finish 1, of which what is given leaves 20 rows on one side and 2 on the other."""
    given = np.zeros((60, 200), np.uint8)
    wished = np.ones((60, 200), np.uint8)
    labels = wished.copy()
    labels[20:58] = 0
    out = left(labels, wished, given)
    assert (out[:20] == 1).all() and (out[20:] == 0).all()
    # a line as thin as that, with nothing in its way, is the artwork's own: the fab's limits judge it later
    alone = np.zeros((60, 200), np.uint8)
    alone[30:32] = 1
    assert (left(alone, alone, given) == alone).all()


def test_no_thin_seam_of_a_third_finish_runs_along_what_is_given() -> None:
    given = np.zeros((120, 120), np.uint8)
    wished = np.ones((120, 120), np.uint8)
    seam = wished.copy()
    seam[60:70] = 2  # nearest to finish 1, which may not stand there
    seam[70:] = 0
    out = left(seam, wished, given)
    assert (out[:60] == 1).all() and (out[60:] == 0).all()
    wide = seam.copy()
    wide[60:110] = 2
    assert (left(wide, wished, given)[65:105] == 2).all()


def stroke(width: int = 30) -> Labels:
    """A stroke of finish 1 down the middle of 300 x 200 pixels of finish 0."""
    wished = np.zeros((300, 200), np.uint8)
    wished[:, 100 - width // 2 : 100 + width // 2] = 1
    return wished


@pytest.mark.parametrize(("kept_px", "stays"), [(20, True), (9, False)])
def test_a_stroke_of_which_less_than_half_the_width_is_left_is_cut_there(kept_px: int, stays: bool) -> None:
    wished = stroke(24)
    labels = wished.copy()
    labels[60:140, 88 + kept_px :] = 0
    labels[58:60] = labels[140:142] = 0  # so that what is left is a piece by itself
    out = left(labels, wished, np.zeros_like(wished))
    assert (out[60:140] == 1).any() == stays
    assert pieces(out == 1) == (3 if stays else 2)


def test_dashes_along_an_edge_go_and_letters_in_another_finish_stay() -> None:
    """A row of uprights over ground where finish 2 stands for 1, which is left as a dash at the end of each alone."""
    wished = np.zeros((100, 400), np.uint8)
    for x in range(20, 380, 40):
        wished[10:90, x : x + 20] = 1
    given = np.full_like(wished, 3)
    labels = np.where(wished == 1, 2, 3).astype(np.uint8)
    labels[83:90] = np.where(wished[83:90] == 1, 1, 3)
    out = left(labels, wished, given)
    assert pieces(labels == 1) == 9 and pieces(out == 1) == 0
    assert pieces(out == 2) == 9 and alike(out[10:83], labels[10:83])
    apart = labels.copy()
    apart[70:83] = 3  # the dashes lie apart from the letters: they are scraps by themselves
    out = left(apart, wished, given)
    assert pieces(out == 1) == 0 and pieces(out == 2) == 9


def test_a_stroke_that_goes_over_into_another_finish_at_an_edge_has_both() -> None:
    """As a ring over laminate and over a ground area. Nothing is lost between them, with features of even width too."""
    wished = stroke()
    given = np.zeros_like(wished)
    given[150:] = 3
    labels = np.where(wished == 1, np.where(given == 3, 2, 1), given).astype(np.uint8)
    for features_mm in (FEATURES_MM, [0.16] * 4):
        assert alike(left(labels, wished, given, features_mm), labels)
    # where a third finish bridges a gap in it, there is a gap
    bridge = labels.copy()
    bridge[60:80] = np.where(wished[60:80] == 1, 3, 0)
    out = left(bridge, wished, given)
    assert (out[60:80] == 0).all() and alike(out[:60], labels[:60]) and alike(out[80:], labels[80:])


@pytest.mark.parametrize(("share", "stays"), [(0.4, False), (0.6, True)])
def test_a_mark_stays_while_more_than_half_of_it_is_left(share: float, stays: bool) -> None:
    wished = np.zeros((120, 120), np.uint8)
    wished[30:90, 30:90] = 1
    labels = wished.copy()
    labels[30 + round(60 * share) :] = 0
    out = left(labels, wished, np.zeros_like(wished))
    assert (out == 1).any() == stays
    # of a large area so much may go: it is seen to go on behind what covers it
    large = np.zeros((600, 600), np.uint8)
    large[50:550, 50:550] = 1
    cut = large.copy()
    cut[50 + round(500 * share) :] = 0
    assert alike(left(cut, large, np.zeros_like(large)), cut)


def test_short_scraps_between_pads_go_and_what_the_circuit_shows_counts_as_the_stroke() -> None:
    wished = stroke(20)
    labels = wished.copy()
    labels[80:120] = 0
    labels[90:110] = wished[90:110]  # as long as it is wide
    out = left(labels, wished, np.zeros_like(wished))
    assert (out[80:120] == 0).all() and pieces(out == 1) == 2
    given = np.zeros_like(wished)
    given[110:160, 90:110] = 1  # the circuit has the finish there already
    labels[110:160, 90:110] = 1
    assert alike(left(labels, wished, given)[90:110], labels[90:110])
