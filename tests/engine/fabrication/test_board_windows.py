"""Windows on packed planes, against the whole plane worked on at once.

Source of the comparison: SciPy's connected components and NumPy's indexing (general libraries).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import label

from worker.engine.fabrication.bit_morphology import BLOCK
from worker.engine.fabrication.board_windows import Window, in_windows, mask_of, windows_on


def test_windows_own_every_block_of_the_region_once() -> None:
    rng = np.random.default_rng(5)
    region = (rng.random((14, 11)) < 0.2).astype(np.uint8)
    rows = 14 * BLOCK - 20  # the last strip is cut, as on most boards
    windows = windows_on(region, (rows, 11))
    assert len(windows) == label(region, structure=np.ones((3, 3)))[1]
    owned = np.zeros_like(region)
    for window in windows:
        first = window.rows.start // BLOCK
        owned[first : first + len(window.own), window.words] += window.own
        assert window.rows.stop <= rows
    assert (owned == region).all()


def test_what_is_pasted_is_the_windows_own_and_nothing_else() -> None:
    rng = np.random.default_rng(6)
    planes = rng.integers(0, 2**63, size=(3, 14 * BLOCK, 11), dtype=np.uint64)
    region = (rng.random((14, 11)) < 0.2).astype(np.uint8)
    wanted = np.where(mask_of(region, planes.shape[1]) != 0, ~planes, planes)
    start = planes.copy()

    def turn_over(window: Window) -> None:
        window.paste(planes, ~window.cut(start))

    in_windows(turn_over, region, start.shape[1:], 2)
    assert (planes == wanted).all()


def test_a_window_that_others_would_wait_for_gets_all_threads_if_its_work_can_use_them() -> None:
    region = np.zeros((20, 20), np.uint8)
    region[0:12, 0:12] = region[15, 2] = region[15, 8] = 1
    asked: dict[bool, list[tuple[int, int]]] = {True: [], False: []}
    for splits, seen in asked.items():
        in_windows(
            lambda window, seen=seen: seen.append((window.own.size, window.threads)),
            region,
            (20 * BLOCK, 20),
            2,
            splits=splits,
        )
    assert asked[True][0] == (13 * 13, 2)
    assert sorted(asked[True][1:]) == [(9, 1), (9, 1)]
    assert sorted(asked[False]) == [(9, 1), (9, 1), (13 * 13, 1)]
