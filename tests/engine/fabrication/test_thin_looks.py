"""What a thin line is shown as, against lines drawn, blurred by SciPy and compared by scikit-image."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d
from skimage.color import deltaE_ciede2000, lab2xyz, xyz2lab

from tests.boards import board
from tests.engine.fabrication.fabs import lab
from tests.engine.fabrication.rasters import labels_of
from worker.engine.fabrication.bit_morphology import count, everywhere
from worker.engine.fabrication.partition import Partition
from worker.engine.fabrication.thin_looks import change_looks, looks_on, rings

CLEARLY = 0.8
NAMES = ("nocturne-gold", "meadow-tin", "alba-black")


def _blurred(colours: np.ndarray, ground: int, *lines: tuple[int, float]) -> np.ndarray:
    """CIELAB across lines of a finish and a width in pixels of 10 um, wider ones first, 0.14 mm blurred; 1/4 px."""
    place = np.arange(-400, 400) / 4.0 + 1 / 8
    drawn = np.full(place.shape, ground)
    for finish, width in lines:
        drawn[np.abs(place) < width / 2] = finish
    return np.asarray(xyz2lab(gaussian_filter1d(lab2xyz(colours[drawn]), 14.0 * 4, axis=0))[260:540])


def test_another_finish_stands_for_a_line_only_where_it_looks_more_like_it() -> None:
    swaps = 0
    for name in NAMES:
        fab = board(name)
        colours = lab(fab)
        partition = Partition(np.zeros((8, 8), np.uint8), fab, colours, pitch_um=10.0, threads=1)
        looks, ring = looks_on(partition), rings(partition)
        for finish, ground, width in np.argwhere(looks != np.arange(len(colours))[:, None, None])[::7]:
            wanted = _blurred(colours, ground, (finish, width))

            def off(shown: int, wide: float, ground: int = ground, wanted: np.ndarray = wanted, ring=ring) -> float:  # type: ignore[no-untyped-def]
                around = [(int(ring[shown, ground]), wide + 30.0)] if ring[shown, ground] >= 0 else []
                return float(deltaE_ciede2000(wanted, _blurred(colours, ground, *around, (shown, wide))).mean())  # noqa: B023

            # Every limit but the gap between bare metal, 0.25 mm, is 0.15 mm in these profiles.
            chosen = min(off(int(looks[finish, ground, width]), max(wide, float(width))) for wide in (15.0, 25.0))
            growing = min(off(int(finish), max(wide, float(width))) for wide in (15.0, 25.0))
            going = float(deltaE_ciede2000(wanted, _blurred(colours, ground)).mean())
            assert chosen < 1.1 * CLEARLY * max(going, growing)
            assert chosen < 1.1 * going
            swaps += 1
    assert swaps > 5


def test_only_a_line_that_stands_by_itself_changes_its_finish() -> None:
    fab = board("nocturne-gold")
    ids = [finish.id for finish in fab.finishes]
    copper, legend, gold = ids.index("copper"), ids.index("legend"), ids.index("gold")
    labels = np.full((200, 300), copper, np.uint8)
    labels[50:56, 40:260] = legend  # 0.06 mm, by itself: looks most like a line of gold as wide as the limit
    labels[110:140, 150:200] = legend
    labels[120:126, 200:222] = legend  # the same, but a tail of something wider
    partition = Partition(labels, fab, lab(fab), pitch_um=10.0, threads=1)
    assert looks_on(partition)[legend, copper, 6] == gold
    (rule,) = [rule for rule in partition.rules if rule.part == (legend,)]
    thin = partition.thin(rule)
    changed = partition.empty()
    change_looks(partition, rule, thin, everywhere(thin.shape), looks_on(partition), changed)
    assert count(changed) == 6 * 220
    found = labels_of(partition)
    assert (found[50:56, 40:260] == gold).all()
    assert (found[120:126, 200:222] == legend).all()
    assert ((found != labels).sum()) == 6 * 220
