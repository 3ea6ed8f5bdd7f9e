"""Masks of all finishes packed at once are those that numpy packs and Pillow reads."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from worker.engine.report.pictures import mask_png, mask_pngs


@pytest.mark.parametrize(("height", "width"), [(1, 1), (7, 8), (300, 333), (129, 64), (5, 7)])
@pytest.mark.parametrize("across", [1, 3, 20])
def test_every_mask_is_where_its_finish_is(height: int, width: int, across: int) -> None:
    rng = np.random.default_rng(height + across)
    labels = rng.choice(np.array([0, 1, 2, 5, 6, 255], np.uint8), (height, -(-width // across)))
    labels = np.ascontiguousarray(labels.repeat(across, axis=1)[:, :width])
    drawn = [one() for one in mask_pngs(labels, 7, 10.0, threads=2)]
    assert drawn == [mask_png(labels, i, 10.0) for i in range(7)]
    for i, data in enumerate(drawn):
        with Image.open(io.BytesIO(data)) as image:
            assert (np.asarray(image) == (labels == i)).all()
