"""Layer planes: what is drawn shows the finish that was asked for."""

from __future__ import annotations

import numpy as np
import pytest

from tests.boards import board
from worker.engine.arrays import OUTSIDE
from worker.engine.fabrication.planes import BOARD, COPPER, DRAWN, FREE_COPPER, LEGEND, OPENING, planes_of, seen_labels
from worker.errors import ArrayError


@pytest.mark.parametrize("name", ["nocturne-gold", "meadow-tin", "alba-black"])
def test_layers_show_the_finish_that_they_were_made_for(name: str) -> None:
    fab = board(name)
    labels = np.append(np.arange(len(fab.finishes)), OUTSIDE).astype(np.uint8)[None]
    planes = planes_of(labels, fab, pitch_um=20.0)
    assert (seen_labels(planes, fab) == labels).all()
    assert planes.stack[0, -1] == 0
    for i, finish in enumerate(fab.finishes):
        stack = int(planes.stack[0, i])
        assert stack & BOARD
        assert bool(stack & OPENING) == finish.recipe.mask_opening
        assert bool(stack & LEGEND) == finish.recipe.legend
        assert bool(stack & COPPER) == (finish.recipe.copper in ("solid", "hatch"))
        assert bool(stack & FREE_COPPER) == (finish.recipe.copper == "either")


@pytest.mark.parametrize("name", ["nocturne-gold", "meadow-tin", "alba-black"])
def test_free_copper_changes_nothing_that_is_seen(name: str) -> None:
    fab = board(name)
    labels = np.arange(len(fab.finishes), dtype=np.uint8)[None]
    planes = planes_of(labels, fab, pitch_um=20.0)
    free = planes.plane(FREE_COPPER)
    added = planes_of(labels, fab, pitch_um=20.0).stack | np.where(free, COPPER, 0).astype(np.uint8)
    assert (seen_labels(type(planes)(stack=added, pitch_um=20.0), fab) == labels).all()


def test_a_wrong_stack_is_refused() -> None:
    planes = planes_of(np.zeros((2, 2), np.uint8), board(), pitch_um=20.0)
    assert planes.plane(DRAWN).shape == (2, 2)
    with pytest.raises(ArrayError, match="stack is"):
        type(planes)(stack=np.zeros((2, 2), np.int64), pitch_um=20.0)  # type: ignore[arg-type]
