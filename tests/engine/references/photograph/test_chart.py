"""The chart's values and geometry, against data sets of colour-science other than the one that the engine uses."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from worker.engine.colorimetry import D65_WHITE, adapt_xyz, srgb_encoded, xy_to_xyz, xyz_to_lab, xyz_to_linear_rgb
from worker.engine.references.photograph.chart import (
    NEUTRALS,
    PATCH_OF_PITCH,
    chart_xyz,
    likeness,
    patch_corners,
    patch_middles,
)


@pytest.mark.parametrize(
    ("data_set", "mean"),
    [("ColorChecker24 - After November 2014", 2.0), ("ColorChecker 2005", 2.0), ("BabelColor Average", 0.8)],
)
def test_values_agree_with_published_ones_of_the_same_chart(data_set: str, mean: float) -> None:
    """Published under D50 or C, adapted by Bradford; three editions of one chart are not the same to the last digit."""
    published = colour.CCS_COLOURCHECKERS[data_set]
    xyz = colour.xyY_to_XYZ(np.array(list(published.data.values())))
    lab = xyz_to_lab(adapt_xyz(xyz, xy_to_xyz(tuple(published.illuminant)), D65_WHITE))
    differences = colour.delta_E(lab, xyz_to_lab(chart_xyz()), method="CIE 2000")
    assert len(differences) == 24
    assert differences.mean() <= mean


def test_the_neutrals_fall_from_white_to_black_and_are_neutral() -> None:
    lab = xyz_to_lab(chart_xyz()[NEUTRALS])
    assert np.all(np.diff(lab[:, 0]) < -8.0)
    assert np.all(np.hypot(lab[:, 1], lab[:, 2]) < 3.0)


def test_patches_lie_in_four_rows_of_six_from_edge_to_edge() -> None:
    whole = patch_corners(1.0)
    assert whole.min(axis=(0, 1)) == pytest.approx([0.0, 0.0], abs=1e-12)
    assert whole.max(axis=(0, 1)) == pytest.approx([1.0, 1.0], abs=1e-12)
    pitch = patch_middles()[1] - patch_middles()[0]
    width = whole[0, 1] - whole[0, 0]
    assert width[0] / pitch[0] == pytest.approx(PATCH_OF_PITCH)
    assert patch_middles()[6][0] == patch_middles()[0][0]


def test_the_chart_is_most_like_itself() -> None:
    own = srgb_encoded(xyz_to_linear_rgb(chart_xyz()))
    assert likeness(own) == pytest.approx(1.0)
    assert likeness(own[::-1]) < 0.5
    assert likeness(np.full((24, 3), 0.4)) == 0.0
