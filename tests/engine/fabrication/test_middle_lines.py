"""Middle lines, against bars whose middles are plain and the distance transform of scipy (a general library)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import distance_transform_edt, gaussian_filter

from worker.engine.fabrication.bit_morphology import Region, frame_for, pack, region_of, unpack
from worker.engine.fabrication.middle_lines import BESIDE_PX, middle_lines

DIAMETER_PX = 15
ONE = np.array([0, 1] + [0] * 254, dtype=np.uint8)


def middles(picture: npt.NDArray[np.bool_], diameter_px: int = DIAMETER_PX) -> npt.NDArray[np.bool_]:
    frame = frame_for(*picture.shape, largest_px=diameter_px)
    plane = pack(picture.view(np.uint8), ONE, frame, outside=False)
    region: Region = region_of(plane, 0)
    return unpack(middle_lines(plane, diameter_px, region, threads=2), frame)


@pytest.mark.parametrize("width_px", [2, 5, 8, 11, 14])
def test_a_bar_has_its_middle_row(width_px: int) -> None:
    picture = np.zeros((130, 300), dtype=np.bool_)
    picture[60 : 60 + width_px, 20:280] = True
    rows = np.unique(np.nonzero(middles(picture)[:, 60:240])[0])
    assert set(rows.tolist()) <= {60 + width_px // 2 - 1, 60 + width_px // 2}
    assert middles(picture)[:, 60:240].any(axis=0).all()  # and without a gap


def test_what_is_wide_has_none_and_what_is_narrow_has_one_near() -> None:
    field = gaussian_filter(np.random.default_rng(4).normal(size=(500, 420)), 5.0)
    picture = np.abs(field) < 0.6 * field.std()
    found = middles(picture)
    assert not (found & ~picture).any()
    inside = distance_transform_edt(picture)  # from a pixel's centre to the nearest one outside
    assert inside[found].max() <= DIAMETER_PX / 2.0 + 1.0
    # A ridge pixel, farther inside than all around it and in no wide place, has a middle no farther than they merge.
    ridge = picture & (inside > 2.0) & (inside < DIAMETER_PX / 2.0 - 2.0)
    for dy, dx in ((0, 1), (1, 0), (1, 1), (1, -1)):
        ridge &= (inside > np.roll(inside, (dy, dx), (0, 1))) & (inside > np.roll(inside, (-dy, -dx), (0, 1)))
    assert ridge.sum() > 50
    wide = distance_transform_edt(inside < DIAMETER_PX / 2.0) > 0.0
    away = distance_transform_edt(~(found | wide))
    assert away[ridge].max() <= 2.0 * BESIDE_PX
