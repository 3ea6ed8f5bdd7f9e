"""Chart and coupon are found where the simulated camera put them, however they lie."""

from __future__ import annotations

import numpy as np
import pytest

from tests.engine.references import simulated_camera as camera
from tests.engine.references.simulated_camera import Conditions
from tests.engine.sweeps import sweep_size
from worker.engine.references.photograph.chart_finding import find_chart
from worker.engine.references.photograph.coupon_finding import find_coupon
from worker.engine.references.photograph.orientation import LIKE, chart_lies, coupon_lies
from worker.engine.references.photograph.picture import CameraPicture

LYING = [Conditions(seed=seed, chart_turn=seed % 4, tilt=0.02 * (seed % 6)) for seed in range(sweep_size(5, 24))]


@pytest.mark.parametrize("conditions", LYING, ids=lambda conditions: f"seed {conditions.seed}")
def test_corners_are_found_to_a_sixtieth_of_a_patch(conditions: Conditions) -> None:
    taken = camera.take(conditions)
    picture = CameraPicture(name="x", samples=taken.encoded)
    chart = find_chart(picture)
    assert np.abs(np.array(chart) - taken.chart_corners).max() < 2.0
    coupon = find_coupon(picture, taken.patch_map, chart)
    assert np.abs(np.array(coupon) - taken.coupon_corners).max() < 2.5


def test_finding_is_the_same_every_time() -> None:
    picture = CameraPicture(name="x", samples=camera.take(Conditions(seed=1)).encoded)
    assert len({find_chart(picture) for _ in range(4)}) == 1


def test_one_way_of_eight_fits() -> None:
    taken = camera.take(Conditions(seed=2))
    picture = CameraPicture(name="x", samples=taken.encoded)
    for lies in (chart_lies(picture, taken.chart_corners), coupon_lies(picture, taken.coupon_corners, taken.patch_map)):
        assert len(lies) == 8
        assert (lies[0].turn, lies[0].mirrored) == (0, False)
        assert lies[0].fit > LIKE > 0.6 > lies[1].fit
