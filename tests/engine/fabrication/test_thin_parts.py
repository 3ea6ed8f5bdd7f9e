"""Thin parts against OpenCV (`layer_check.py`), distances against SciPy's exact transform."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import distance_transform_edt, label

from tests.engine.fabrication.layer_check import thin
from worker.engine.fabrication.bit_distances import farthest, nearest
from worker.engine.fabrication.bit_morphology import BLOCK, Bits, Frame, everywhere, frame_for, pack, unpack
from worker.engine.fabrication.bit_parts import connected_parts
from worker.engine.fabrication.thin_parts import thin_parts

_SET = np.array([0, 1] + [0] * 254, np.uint8)


def _packed(plane: npt.NDArray[np.bool_], frame: Frame) -> Bits:
    return pack(plane.view(np.uint8), _SET, frame, outside=False)


def _blots(rng: np.random.Generator, height: int, width: int, grain: int) -> npt.NDArray[np.bool_]:
    coarse = rng.random((height // grain + 1, width // grain + 1)) < 0.5
    return np.ascontiguousarray(np.kron(coarse, np.ones((grain, grain), np.bool_))[:height, :width])


@pytest.mark.parametrize("seed", range(12))
def test_the_same_pixels_are_thin_as_opencv_finds_in_any_region(seed: int) -> None:
    rng = np.random.default_rng(seed)
    height, width, diameter = (int(rng.integers(low, high)) for low, high in ((1, 200), (1, 300), (1, 40)))
    part = _blots(rng, height, width, int(rng.integers(1, 30)))
    space = part | _blots(rng, height, width, 40)
    frame = frame_for(height, width, largest_px=diameter + 1)
    bits = _packed(part, frame)
    off_board = ~_packed(np.ones_like(part), frame)
    around = _packed(space, frame) | off_board
    wanted = thin(part, space, diameter)
    for threads in (1, 2):
        assert np.array_equal(unpack(thin_parts(bits, around, diameter, threads=threads), frame), wanted)
    region = (rng.random(everywhere(bits.shape).shape) < 0.5).astype(np.uint8)
    inside = np.repeat(np.repeat(region, BLOCK, axis=0)[: len(bits)], BLOCK, axis=1).astype(np.bool_)
    inside = inside[frame.pad_px : frame.pad_px + height, frame.pad_px : frame.pad_px + width]
    assert np.array_equal(unpack(thin_parts(bits, around, diameter, region=region), frame), wanted & inside)


@pytest.mark.parametrize("diameter", [7, 8, 15, 25, 34])
def test_a_speck_beside_a_wide_place_is_thin_and_a_corner_of_it_is_not(diameter: int) -> None:
    """Both lie as far from the place: a fab sees a dot of a few hundredths of a millimetre, and asks."""
    plane = np.zeros((120, 200), np.bool_)
    plane[40:110, 50:130] = True
    speck, corner = np.s_[38:39, 70:72], np.s_[39:40, 110:112]
    plane[speck] = plane[corner] = True
    frame = frame_for(*plane.shape, largest_px=diameter + 1)
    off_board = ~_packed(np.ones_like(plane), frame)
    found = unpack(thin_parts(_packed(plane, frame), _packed(plane, frame) | off_board, diameter), frame)
    assert found[speck].all() and not found[corner].any()
    assert np.array_equal(found, thin(plane, plane, diameter))


@pytest.mark.parametrize("seed", range(6))
def test_distances_of_parts_are_those_of_the_exact_transform(seed: int) -> None:
    rng = np.random.default_rng(seed)
    height, width, reach = int(rng.integers(1, 150)), int(rng.integers(1, 250)), int(rng.integers(1, 40))
    plane, other = _blots(rng, height, width, 9), rng.random((height, width)) < 0.002
    other[height // 2, width // 2] = True
    frame = frame_for(height, width, largest_px=reach)
    parts = connected_parts(_packed(plane, frame), corners=False)
    numbers, count = label(plane)
    assert parts.count == count
    chosen = np.arange(count)[rng.random(count) < 0.7]
    away = np.rint(distance_transform_edt(~other) ** 2).astype(np.int64)
    away[away > reach * reach] = reach * reach + 1
    bits = _packed(other, frame)
    for threads in (1, 2):
        found = (
            nearest(parts, chosen, bits, reach, threads=threads),
            farthest(parts, chosen, bits, reach, threads=threads),
        )
        assert found[0].tolist() == [away[numbers == i + 1].min() for i in chosen]
        assert found[1].tolist() == [away[numbers == i + 1].max() for i in chosen]
