"""The error map's colours rise in lightness in even steps; colour-science is the outside judge of both."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from worker.engine.report.colour_scale import COLOURS, LARGEST, OUTSIDE_INDEX, scale_indices, scale_palette


def scale_lab() -> np.ndarray:
    xyz = colour.sRGB_to_XYZ(scale_palette()[:COLOURS] / 255.0)
    return np.asarray(colour.XYZ_to_Lab(xyz, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]))


def test_larger_errors_are_lighter() -> None:
    lightness = scale_lab()[:, 0]
    assert (np.diff(lightness[::4]) > 0).all()
    assert lightness[0] < 12
    assert lightness[-1] > 94


def test_equal_steps_of_error_look_alike() -> None:
    lab = scale_lab()[::8]
    steps = colour.delta_E(lab[:-1], lab[1:], method="CIE 2000")
    assert steps.max() / steps.min() < 1.7


def test_the_scale_is_fixed_from_0_to_20() -> None:
    values = np.array([[0.0, LARGEST / 2, LARGEST, 3 * LARGEST, -1.0]], dtype=np.float32)
    assert scale_indices(values).tolist() == [[0, 120, COLOURS - 1, COLOURS - 1, 0]]


def test_what_is_outside_the_board_is_grey() -> None:
    indices = scale_indices(np.array([[np.nan, 1.0]], dtype=np.float32))
    assert indices[0, 0] == OUTSIDE_INDEX
    assert len(set(scale_palette()[OUTSIDE_INDEX].tolist())) == 1


def test_every_index_is_reached_in_order() -> None:
    values = np.linspace(0, LARGEST, 4000, dtype=np.float32)[None]
    steps = np.diff(scale_indices(values)[0].astype(int))
    assert set(steps) == {0, 1}
    assert scale_palette().shape == (256, 3)


def test_nobody_can_change_the_palette() -> None:
    with pytest.raises(ValueError, match="read-only"):
        scale_palette()[0] = 1
