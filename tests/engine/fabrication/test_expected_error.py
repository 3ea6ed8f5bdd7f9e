"""The expected error against plain loops over shifted pictures, and figures that shifts can't harm."""

from __future__ import annotations

import numpy as np
import pytest

from tests.boards import board
from tests.engine.fabrication.shift_simulation import finishes, seen
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.fabrication.expected_error import expected_error
from worker.engine.fabrication.planes import planes_of
from worker.engine.fabrication.shifts import directed_shifts, drawn_shifts, shifted_labels
from worker.engine.palette.finish_colours import finish_colours

FAB = board("nocturne-gold")
COLOURS = finish_colours(FAB)
SIDE = 240


def striped() -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    """Gold lines on mask, 0.3 mm wide, and a block of copper beside laminate."""
    labels = np.zeros((SIDE, SIDE), np.uint8)
    labels[20:150, 20:220:30] = 3
    for k in range(14):
        labels[20:150, 21 + k : 220 : 30] = 3
    labels[170:220, 20:120] = 2
    labels[170:220, 120:220] = 1
    return labels


def test_plain_error_of_every_shift_is_that_of_its_picture() -> None:
    labels = striped()
    planes = planes_of(labels, FAB, pitch_um=20.0)
    srgb = COLOURS.srgb[labels]
    found = expected_error(
        planes, FAB, COLOURS.lab, srgb, viewing_distance_mm=300.0, rng=np.random.default_rng(5), threads=2
    )
    art = srgb_to_lab(srgb)
    for error in (found.nominal, *found.directed, *found.drawn):
        right, down = error.shift.solder_mask_px
        legend = error.shift.legend_px
        shown = finishes(seen(planes, (down, right), (legend[1], legend[0])), FAB)
        assert (shifted_labels(planes, FAB, error.shift) == shown).all()
        # The lattice is every pixel here, the board being small.
        assert error.ciede2000 == pytest.approx(ciede2000(art, COLOURS.lab[shown]).mean(), abs=1e-3)
    assert found.nominal.ciede2000 < 1.0
    assert found.worst.s_cielab >= found.mean[1] > found.nominal.s_cielab
    assert found.worst.s_cielab == max(error.s_cielab for error in (*found.directed, *found.drawn))


def test_crisp_borders_under_even_copper_lose_nothing_inside() -> None:
    # A single surface has no edge that could shift.
    labels = np.full((SIDE, SIDE), 3, np.uint8)
    planes = planes_of(labels, FAB, pitch_um=20.0)
    found = expected_error(
        planes, FAB, COLOURS.lab, COLOURS.srgb[labels], viewing_distance_mm=300.0, rng=np.random.default_rng(0)
    )
    assert {error.s_cielab for error in found.directed} == {found.nominal.s_cielab}
    assert found.stand_ins == ()


def test_shifts_stay_within_the_tolerances_and_reach_them() -> None:
    rng = np.random.default_rng(1)
    directed, drawn = directed_shifts(FAB, 10.0), drawn_shifts(FAB, 10.0, 500, rng)
    for shift in (*directed, *drawn):
        assert np.hypot(*shift.solder_mask_px) <= 8.0 + 1e-9
        assert np.hypot(*shift.legend_px) <= 15.0 + 1e-9
    assert len({shift.solder_mask_px for shift in directed}) == 8
    assert max(np.hypot(*shift.solder_mask_px) for shift in directed) == 8.0
    # Evenly over a disc: half of the area lies within sqrt(1/2) of the radius.
    inner = np.mean([np.hypot(*shift.legend_px) <= 15.0 / np.sqrt(2.0) for shift in drawn])
    assert inner == pytest.approx(0.5, abs=0.08)


def test_the_same_seed_gives_the_same_figures_on_any_number_of_threads() -> None:
    labels = striped()
    planes = planes_of(labels, FAB, pitch_um=20.0)
    one, other = (
        expected_error(
            planes,
            FAB,
            COLOURS.lab,
            COLOURS.srgb[labels],
            viewing_distance_mm=300.0,
            rng=np.random.default_rng(2),
            threads=threads,
        )
        for threads in (1, 3)
    )
    assert one == other


def test_ink_in_openings_is_named_as_no_finish() -> None:
    labels = np.zeros((SIDE, SIDE), np.uint8)
    labels[:, :120] = 4
    labels[:, 120:] = 3
    planes = planes_of(labels, FAB, pitch_um=20.0)
    found = expected_error(
        planes, FAB, COLOURS.lab, COLOURS.srgb[labels], viewing_distance_mm=300.0, rng=np.random.default_rng(0)
    )
    assert any("mask opening and legend" in name for name in found.stand_ins)
