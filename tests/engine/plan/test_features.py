"""What is too thin, on bars whose widths are plain."""

from __future__ import annotations

import numpy as np
import pytest

from worker.engine.plan.features import risks, thin_pixels

PITCH_UM = 25.0
FINISHES = (("ground", 0.15), ("line", 0.15))


def test_a_bar_too_narrow_is_told_with_its_width_and_what_saves_it() -> None:
    labels = np.zeros((200, 400), dtype=np.uint8)
    labels[40:44, 50:350] = 1  # 0.1 mm
    labels[120:128, 50:350] = 1  # 0.2 mm: wide enough
    found = risks(labels, FINISHES, PITCH_UM, threads=2)
    assert [risk.finish for risk in found] == ["line"]
    (risk,) = found
    assert (risk.places, risk.limit_mm) == (1, 0.15)
    assert risk.thinnest_mm == pytest.approx(0.1, abs=0.03)  # a pixel of 0.025 mm more or less
    assert risk.saved_by == pytest.approx(0.15 / risk.thinnest_mm, abs=0.01)
    assert risk.area_mm2 == pytest.approx(7.5 * 0.1, rel=0.02)
    assert risk.x_mm == pytest.approx(5.0, abs=0.05) and risk.y_mm == pytest.approx(5.0 - 42 * 0.025, abs=0.05)
    marked = thin_pixels(labels, [0.15, 0.15], PITCH_UM)
    assert marked[41, 200] and not marked[124, 200] and not marked[0].any()


def test_gaps_count_for_what_lies_around_and_specks_do_not() -> None:
    labels = np.ones((200, 400), dtype=np.uint8)
    labels[100:103, 50:350] = 0  # a gap of 0.075 mm
    labels[20, 20] = 0  # a speck, which a conversion cleans up
    found = risks(labels, FINISHES, PITCH_UM)
    assert [(risk.finish, risk.places) for risk in found] == [("ground", 1)]


def test_what_the_grid_can_not_tell_is_not_judged() -> None:
    labels = np.zeros((100, 100), dtype=np.uint8)
    labels[50] = 1
    assert risks(labels, FINISHES, 100.0) == ()
