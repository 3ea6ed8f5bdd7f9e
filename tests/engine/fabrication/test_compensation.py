"""Borders that move to make up for a repair: the error as seen is scikit-image's CIEDE2000 after OpenCV's Gaussian."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from tests.boards import board
from tests.engine.fabrication.fabs import lab
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.fabrication.rasters import labels_of
from tests.engine.fabrication.stroke_check import seen_error
from worker.engine.colorimetry import lab_to_srgb, lab_to_xyz, xyz_to_linear_rgb
from worker.engine.fabrication.compensation import compensate
from worker.engine.fabrication.partition import Partition

FAB = board("nocturne-gold")
IDS = {finish.id: i for i, finish in enumerate(FAB.finishes)}
SHOWN = xyz_to_linear_rgb(lab_to_xyz(lab(FAB))).astype(np.float32)
SIGMA_PX = 14.0  # 0.14 mm at 10 um
Labels = npt.NDArray[np.uint8]


def _wanted_and_repaired() -> tuple[Labels, Labels]:
    """Bands of metal with thin strokes beside them, and the strokes as wide as the limit."""
    wanted = np.full((600, 600), IDS["mask"], np.uint8)
    repaired = wanted.copy()
    for top in (60, 220, 380):
        wanted[top : top + 60, 60:540] = repaired[top : top + 60, 60:540] = IDS["gold"]
        wanted[top + 85 : top + 94, 60:540] = IDS["gold"]
        repaired[top + 82 : top + 97, 60:540] = IDS["gold"]
    return wanted, repaired


@pytest.mark.parametrize("pitch_um", [10.0, 20.0])
def test_borders_beside_a_repair_lessen_the_error_and_break_nothing(pitch_um: float) -> None:
    wanted, repaired = _wanted_and_repaired()
    if pitch_um == 20.0:
        wanted, repaired = (np.ascontiguousarray(one[::2, ::2]) for one in (wanted, repaired))
    sigma_px = SIGMA_PX * 10.0 / pitch_um
    before, parts = (Partition(one, FAB, lab(FAB), pitch_um=pitch_um, threads=2) for one in (wanted, repaired))
    assert not parts.faults().any()
    srgb = lab_to_srgb(lab(FAB))[wanted]
    compensate(parts, before.planes, srgb)
    after = labels_of(parts)
    aim = SHOWN[wanted]
    assert seen_error(aim, SHOWN[after], sigma_px) < 0.97 * seen_error(aim, SHOWN[repaired], sigma_px)
    recipes = [finish.recipe for finish in FAB.finishes]
    copper = np.array([one.copper == "solid" for one in recipes])[after]
    opening = np.array([one.mask_opening for one in recipes])[after]
    legend = np.array([one.legend for one in recipes])[after]
    assert broken_limits(copper, opening, legend, np.ones(after.shape, np.bool_), FAB, pitch_um) == {}


def test_where_nothing_was_repaired_no_border_moves() -> None:
    wanted, repaired = _wanted_and_repaired()
    repaired[200:] = wanted[200:]
    before, parts = (Partition(one, FAB, lab(FAB), pitch_um=10.0, threads=1) for one in (wanted, repaired))
    compensate(parts, before.planes, None)
    after = labels_of(parts)
    assert (after[250:] == wanted[250:]).all()
    assert (after[:200] != repaired[:200]).any()


def test_rules_looked_at_in_some_blocks_are_those_of_the_whole_board() -> None:
    """A corner's cover may lie in the block beside it: no fault is seen there that the whole board doesn't have."""
    rng = np.random.default_rng(7)
    labels = np.full((512, 512), IDS["mask"], np.uint8)
    for y in range(8, 470, 50):
        for x in range(8, 470, 50):
            high, wide = rng.integers(15, 36, 2)
            labels[y : y + high, x : x + wide] = rng.choice([IDS["gold"], IDS["copper"]])
    parts = Partition(labels, FAB, lab(FAB), pitch_um=10.0, threads=1)
    whole = parts.faults()
    blocks = (-(-parts.shape[0] // 64), parts.shape[1])
    for _ in range(20):
        region = (rng.random(blocks) < 0.3).astype(np.uint8)
        inside = np.repeat(region, 64, axis=0)[: parts.shape[0]]
        assert (parts.faults(region) * inside == whole * inside).all()
