"""Legend and openings parted: distances by scipy's exact transform, likeness by scikit-image's CIEDE2000.

Fabs clip legend 0.05 to 0.25 mm off openings (published fab pages); the demo profiles ask for 0.15 mm.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import binary_opening, distance_transform_edt, label
from skimage.color import deltaE_ciede2000

from tests.boards import board
from tests.engine.fabrication.fabs import lab
from tests.engine.fabrication.rasters import labels_of
from worker.engine.fabrication.bit_morphology import everywhere
from worker.engine.fabrication.clearance import keep_clear, pull_back, swap_narrow
from worker.engine.fabrication.partition import Partition
from worker.fab_profile import FabProfile

CLEARANCE_PX = 15


def _labels(fab: FabProfile, ground: str, part: str, half_px: int) -> tuple[npt.NDArray[np.uint8], dict[str, int]]:
    ids = {finish.id: i for i, finish in enumerate(fab.finishes)}
    labels = np.full((260, 300), ids[ground], np.uint8)
    labels[130 - half_px : 130 + half_px, 60:240] = ids[part]
    return labels, ids


def _layers(labels: npt.NDArray[np.uint8], fab: FabProfile) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    legend = np.array([finish.recipe.legend for finish in fab.finishes])
    opening = np.array([finish.recipe.mask_opening for finish in fab.finishes])
    return legend[labels], opening[labels]


@pytest.mark.parametrize("name", ["nocturne-gold", "alba-black"])
@pytest.mark.parametrize(("ground", "part"), [("legend", "gold"), ("gold", "legend"), ("legend", "substrate")])
def test_a_ring_as_wide_as_the_clearance_parts_them(name: str, ground: str, part: str) -> None:
    fab = board(name)
    labels, _ids = _labels(fab, ground, part, 60)
    parts = Partition(labels, fab, lab(fab), pitch_um=10.0, threads=1)
    keep_clear(parts, None)
    after = labels_of(parts)
    legend, opening = _layers(after, fab)
    away = distance_transform_edt(~opening)[legend]
    assert CLEARANCE_PX < away.min() <= CLEARANCE_PX + 2
    changed = after != labels
    assert distance_transform_edt(changed).max() <= (CLEARANCE_PX + 3) / 2  # a ring, and no wider
    colours = lab(fab)
    plain = [i for i, finish in enumerate(fab.finishes) if not finish.recipe.legend and not finish.recipe.mask_opening]
    for old in np.unique(labels[changed]):
        likest = min(plain, key=lambda i: float(deltaE_ciede2000(colours[old], colours[i])))
        assert set(np.unique(after[changed & (labels == old)])) == {likest}


def test_a_narrow_part_whose_ring_would_cost_more_is_shown_by_another_finish() -> None:
    fab = board("nocturne-gold")
    labels, ids = _labels(fab, "legend", "gold", 8)
    parts = Partition(labels, fab, lab(fab), pitch_um=10.0, threads=1)
    swap_narrow(parts, None)
    after = labels_of(parts)
    legend, opening = _layers(after, fab)
    assert not opening.any()
    assert (legend == (labels == ids["legend"])).all()  # the part as a whole, and no ring
    labels, _ = _labels(fab, "legend", "gold", 60)
    parts = Partition(labels, fab, lab(fab), pitch_um=10.0, threads=1)
    swap_narrow(parts, None)
    assert (labels_of(parts) == labels).all()  # a wide one is worth its ring


def _stroke_below_legend(fab: FabProfile, legend_px: int) -> tuple[npt.NDArray[np.uint8], dict[str, int]]:
    """A stroke of bare laminate, 0.2 mm wide, 0.05 mm below legend so high that lies over the middle of it."""
    ids = {finish.id: i for i, finish in enumerate(fab.finishes)}
    labels = np.full((260, 300), ids["mask"], np.uint8)
    labels[130:150, 40:260] = ids["substrate"]
    labels[125 - legend_px : 125, 110:190] = ids["legend"]
    return labels, ids


def _cleared(labels: npt.NDArray[np.uint8], fab: FabProfile) -> npt.NDArray[np.uint8]:
    parts = Partition(labels, fab, lab(fab), pitch_um=10.0, threads=2)
    pull_back(parts, everywhere(parts.shape))
    keep_clear(parts, None)
    return labels_of(parts)


def _strokes(opening: npt.NDArray[np.bool_]) -> int:
    """In how many parts it is where a fab can open the mask: squares of 0.15 mm (scipy's opening)."""
    return int(label(binary_opening(opening, np.ones((15, 15))))[1])


def test_wide_legend_makes_room_where_its_ring_would_cut_a_stroke() -> None:
    fab = board("alba-black")
    labels, ids = _stroke_below_legend(fab, 60)
    parts = Partition(labels, fab, lab(fab), pitch_um=10.0, threads=1)
    keep_clear(parts, None)
    assert _strokes(_layers(labels_of(parts), fab)[1]) == 2  # a ring of its own would cut it
    after = _cleared(labels, fab)
    legend, opening = _layers(after, fab)
    assert _strokes(opening) == 1
    assert distance_transform_edt(~opening)[legend].min() > CLEARANCE_PX
    given = (labels == ids["legend"]) & ~legend
    assert np.flatnonzero(given.any(axis=1)).min() >= 115  # no farther than the ring lacks
    assert set(np.unique(after[given])) == {ids["mask"]}


def test_narrow_legend_makes_no_room() -> None:
    fab = board("alba-black")
    labels, ids = _stroke_below_legend(fab, 15)
    after = _cleared(labels, fab)
    assert ((after == ids["legend"]) == (labels == ids["legend"])).all()


def test_legend_keeps_its_place_beside_what_is_wide_enough_without() -> None:
    fab = board("alba-black")
    labels, ids = _stroke_below_legend(fab, 60)
    labels[130:190, 40:260] = ids["substrate"]
    after = _cleared(labels, fab)
    assert ((after == ids["legend"]) == (labels == ids["legend"])).all()


def test_legend_keeps_its_place_beside_a_stroke_that_something_narrow_cuts_anyhow() -> None:
    fab = board("alba-black")
    labels, ids = _stroke_below_legend(fab, 60)
    labels[150:165, 60:90] = ids["legend"]
    after = _cleared(labels, fab)
    assert ((after == ids["legend"]) == (labels == ids["legend"])).all()
