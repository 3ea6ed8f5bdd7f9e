"""A painted picture is the picture that NumPy's indexing paints."""

from __future__ import annotations

import numpy as np
import pytest

from worker.engine.artwork.mean_blocks import mean_blocks
from worker.engine.painted import Painted


@pytest.mark.parametrize("threads", [1, 3])
def test_every_label_has_its_colour(threads: int) -> None:
    rng = np.random.default_rng(1)
    colours = rng.integers(0, 256, (256, 3), dtype=np.uint8)
    labels = rng.integers(0, 256, (61, 83), dtype=np.uint8)
    painted = Painted(labels=labels, colours=colours)
    assert painted.shape == (61, 83, 3)
    assert (painted.srgb(threads=threads) == colours[labels]).all()


@pytest.mark.parametrize("block_px", [1, 4, 7])
def test_blocks_of_it_are_those_of_the_picture(block_px: int) -> None:
    rng = np.random.default_rng(block_px)
    painted = Painted(
        labels=rng.integers(0, 5, (50, 67), dtype=np.uint8), colours=rng.integers(0, 256, (256, 3), dtype=np.uint8)
    )
    assert (mean_blocks(painted, block_px) == mean_blocks(painted.srgb(), block_px, threads=2)).all()
