"""Connected parts and packed planes against scipy.ndimage.label and numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from worker.engine.fabrication.bit_morphology import BLOCK, everywhere, frame_for, unpack
from worker.engine.fabrication.bit_parts import (
    areas_and_boxes,
    chosen_parts,
    connected_parts,
    pixels_in_parts,
    rims_and_neighbours,
)
from worker.engine.fabrication.layer_bits import layer_bits, pack_bit, paint, stack_of
from worker.engine.fabrication.planes import BOARD, COPPER, FREE_COPPER, HATCHED, LEGEND, OPENING, LayerPlanes


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1), height=st.integers(1, 300), width=st.integers(1, 200), share=st.floats(0.05, 0.95)
)
@pytest.mark.parametrize("corners", [False, True])
def test_parts_are_those_of_scipy(seed: int, height: int, width: int, share: float, corners: bool) -> None:
    rng = np.random.default_rng(seed)
    picture = (rng.random((height, width)) < share).astype(np.uint8)
    frame = frame_for(height, width, largest_px=3)
    plane = pack_bit(picture, 1, frame)
    assert (unpack(plane, frame) == picture.astype(bool)).all()
    parts = connected_parts(plane, corners=corners, threads=2)
    labelled, count = ndimage.label(picture, np.ones((3, 3)) if corners else None)
    assert parts.count == count
    areas, boxes = areas_and_boxes(parts, frame)
    assert (areas == np.bincount(labelled.ravel(), minlength=count + 1)[1:]).all()
    for box, place in zip(boxes, ndimage.find_objects(labelled), strict=True):
        assert tuple(box) == (place[1].start, place[0].start, place[1].stop, place[0].stop)
    assert (pixels_in_parts(plane, parts) == areas).all()
    odd = np.arange(count) % 2 == 1
    shown = unpack(chosen_parts(parts, odd, plane.shape), frame)
    assert (shown == np.isin(labelled, 1 + np.flatnonzero(odd))).all()


def test_paint_sets_one_bit_and_clears_others_where_it_is_told() -> None:
    rng = np.random.default_rng(5)
    stack = rng.integers(0, 256, (70, 131), dtype=np.uint8)
    where, value = (rng.integers(0, 2, stack.shape, dtype=np.uint8) for _ in range(2))
    frame = frame_for(*stack.shape, largest_px=3)
    out = stack.copy()
    paint(out, pack_bit(where, 1, frame), pack_bit(value, 1, frame), 4, frame, clear=8, threads=2)
    assert (out == np.where(where, (stack & 0xF3) | (value * 4), stack)).all()


@pytest.mark.parametrize("width_px", [64, 131])
def test_what_is_packed_comes_back(width_px: int) -> None:
    used = COPPER | OPENING | LEGEND | HATCHED | FREE_COPPER | BOARD
    stack = np.random.default_rng(6).integers(0, 256, (150, width_px)).astype(np.uint8) & np.uint8(used)
    bits = layer_bits(LayerPlanes(stack=stack, pitch_um=10.0), largest_px=9, threads=2)
    assert (stack_of(bits, threads=2) == stack).all()


@pytest.mark.parametrize("share", [0.3, 0.7])
def test_rims_and_what_lies_beside_them_are_those_of_scipy(share: float) -> None:
    rng = np.random.default_rng(7)
    values = rng.integers(0, 3, (150, 333))
    picture = rng.random(values.shape) < share
    frame = frame_for(*values.shape, largest_px=3)
    plane = pack_bit(picture.astype(np.uint8), 1, frame)
    others = np.stack([pack_bit((values == i).astype(np.uint8), 1, frame) for i in range(3)])
    parts = connected_parts(plane, corners=True)
    labelled, count = ndimage.label(picture, np.ones((3, 3)))
    region = everywhere(plane.shape)
    region[:, 4:6] = 0
    looked = np.repeat(region, BLOCK, axis=0)[frame.pad_px :][: frame.height_px]
    looked = np.repeat(looked[:, frame.pad_words :], 64, axis=1)[:, : frame.width_px].astype(bool)
    assert not looked.all()
    rim = picture & ~(ndimage.binary_erosion(picture) & looked)
    rims, beside = rims_and_neighbours(plane, others, parts, region)
    numbers = np.arange(1, count + 1)
    assert (rims == ndimage.sum_labels(rim, labelled, numbers)).all()
    for i in range(3):
        near = ndimage.binary_dilation((values == i) & ~picture) & looked
        assert (beside[i] == ndimage.sum_labels(rim & near, labelled, numbers)).all()
