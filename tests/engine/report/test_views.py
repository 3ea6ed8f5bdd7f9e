"""Views of a whole board: the bottom from outside it, and what light a board of known layers lets through."""

from __future__ import annotations

import numpy as np
import pytest

from tests.boards import board, lab_of
from worker.engine.colorimetry import lab_to_srgb, lab_to_xyz, xyz_to_linear_rgb
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING, LayerPlanes
from worker.engine.report.views import MASK_PASSES, _transmissions, from_behind, through_light

FAB = board("meadow-tin")
LAB = lab_of(FAB)
IDS = [finish.id for finish in FAB.finishes]


def planes(stack: np.ndarray) -> LayerPlanes:
    return LayerPlanes(stack=stack.astype(np.uint8), pitch_um=100.0)


def test_a_mask_reflects_what_has_passed_it_twice() -> None:
    """The law of Beer and Lambert, twice through the mask and once off the laminate, as far as the cap allows."""
    laminate, passes = _transmissions(FAB, LAB)
    mask, bare = (
        np.clip(xyz_to_linear_rgb(lab_to_xyz(LAB[IDS.index(name)])), 1e-4, 1) for name in ("mask", "substrate")
    )
    assert np.allclose(laminate, bare)
    through = passes[BOARD]
    uncapped = through < MASK_PASSES
    assert uncapped.any()
    assert np.allclose((through**2 * bare)[uncapped], mask[uncapped])


def test_copper_on_either_side_stops_light_and_layers_only_take_away() -> None:
    _, passes = _transmissions(FAB, LAB)
    for bits in range(256):
        if not bits & BOARD or bits & COPPER:
            assert (passes[bits] == 0).all()
    assert (passes[BOARD | OPENING] == 1).all()
    assert (passes[BOARD | LEGEND] < passes[BOARD]).all() and (passes[BOARD] < 1).all()


def test_light_is_where_neither_side_has_copper() -> None:
    """Top: copper in the upper half; bottom: copper on its own left, which is the right as seen from the top."""
    top = np.full((200, 200), BOARD | OPENING)
    top[:100] |= COPPER
    bottom = np.full((200, 200), BOARD)
    bottom[:, :100] |= COPPER
    light = through_light({"top": planes(top), "bottom": planes(bottom)}, FAB, LAB).astype(int).sum(axis=-1)
    inside = {"top": (30, 30), "top right": (30, 170), "open": (170, 30), "behind": (170, 170)}
    found = {name: light[place] for name, place in inside.items()}
    assert found["open"] > 4 * max(found[name] for name in ("top", "top right", "behind"))
    row = light[170]
    assert row[90] > row[100] > row[110], "light spreads in the laminate"


def test_a_hatch_lets_some_light_through() -> None:
    """Lines and gaps are alike wide: half of the board is open, less the frame."""
    hatched = np.full((300, 300), BOARD | COPPER | HATCHED)
    light = through_light({"top": planes(hatched), "bottom": planes(np.full((300, 300), BOARD))}, FAB, LAB)
    inner = light[40:260, 40:260].astype(int).sum(axis=-1)
    assert 0.3 < (inner > inner.max() / 2).mean() < 0.6


def test_a_hole_shows_the_lamp_and_round_the_board_it_is_dark() -> None:
    stack = np.full((120, 120), BOARD | COPPER)
    stack[:10] = stack[:, :10] = 0
    stack[50:70, 50:70] = 0
    light = through_light({"top": planes(stack), "bottom": planes(stack[:, ::-1])}, FAB, LAB)
    assert (light[55:65, 55:65] == 255).all() and (light[:8] == 0).all()
    assert light[100, 100].sum() < 200


def test_a_board_of_one_side_is_bare_laminate_behind() -> None:
    bare = lab_to_srgb(LAB[IDS.index("substrate")])
    only = {"top": planes(np.full((40, 60), BOARD | COPPER))}
    assert (from_behind(only, FAB, LAB) == bare).all()  # type: ignore[arg-type]
    below = np.full((40, 60), BOARD)
    below[:, :20] |= COPPER | OPENING
    seen = from_behind({**only, "bottom": planes(below)}, FAB, LAB)  # type: ignore[arg-type]
    assert (seen[:, :20] == lab_to_srgb(LAB[IDS.index("tin")])).all()
    assert (seen[:, 20:] == lab_to_srgb(LAB[IDS.index("mask")])).all()


@pytest.mark.parametrize("sides", [("top",), ("top", "bottom")])
def test_a_large_board_is_shrunk(sides: tuple[str, ...]) -> None:
    stack = np.full((30, 4100), BOARD)
    light = through_light({side: planes(stack) for side in sides}, FAB, LAB)  # type: ignore[misc]
    assert light.shape == (15, 2048, 3)
