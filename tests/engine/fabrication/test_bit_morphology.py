"""Packed morphology against OpenCV's."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from worker.engine.fabrication.bit_morphology import (
    BLOCK,
    corner_touches,
    count,
    dilate,
    disc,
    disc_within,
    erode,
    frame_for,
    opened,
    pack,
    reached,
    region_of,
    unpack,
    wider,
)

TABLE = np.array([0, 1] + [0] * 254, dtype=np.uint8)


def _blobs(seed: int, shape: tuple[int, int]) -> npt.NDArray[np.uint8]:
    noise = np.random.default_rng(seed).random(shape).astype(np.float32)
    return (cv2.GaussianBlur(noise, (0, 0), 4.0) > 0.5).astype(np.uint8)


def _kernel(diameter: int) -> npt.NDArray[np.uint8]:
    middle = (diameter - 1) / 2
    y, x = np.mgrid[:diameter, :diameter]
    return ((x - middle) ** 2 + (y - middle) ** 2 <= diameter**2 / 4 + 1e-9).astype(np.uint8)


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("diameter", [1, 2, 3, 4, 8, 15, 24, 25])
def test_opening_by_a_disc_is_opencvs(diameter: int, threads: int) -> None:
    picture = _blobs(diameter, (150, 1333))
    frame = frame_for(*picture.shape, largest_px=diameter)
    bits = pack(picture, TABLE, frame, outside=True, threads=threads)
    assert (unpack(bits, frame) == (picture == 1)).all()
    padded = np.pad(picture, 2 * diameter, constant_values=1)
    anchor = diameter // 2
    back = diameter - 1 - anchor
    border = cv2.BORDER_CONSTANT
    middle = cv2.erode(padded, _kernel(diameter), anchor=(anchor, anchor), borderType=border, borderValue=1)
    wanted = cv2.dilate(middle, _kernel(diameter), anchor=(back, back), borderType=border, borderValue=0)
    inner = slice(2 * diameter, -2 * diameter)
    found = unpack(opened(bits, disc(diameter), threads=threads), frame)
    assert (found == (wanted[inner, inner] == 1)).all()


@pytest.mark.parametrize("radius", [1.0, 1.5, 3.375, 15.0, 100.0, 150.0])
def test_what_lies_within_a_distance_is_opencvs(radius: float) -> None:
    picture = (np.random.default_rng(7).random((60, 6000)) < 0.35 / radius**2).astype(np.uint8)
    frame = frame_for(*picture.shape, largest_px=round(2 * radius) + 1)
    near = unpack(dilate(pack(picture, TABLE, frame, outside=False), disc_within(radius)), frame)
    away = cv2.distanceTransform(1 - picture, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    assert (near == (away <= radius + 1e-4)).all()


def test_a_region_gives_what_the_whole_gives() -> None:
    picture = _blobs(3, (400, 700))
    frame = frame_for(*picture.shape, largest_px=25)
    bits = pack(picture, TABLE, frame, outside=True)
    spots = np.zeros_like(picture)
    spots[100, 90], spots[300, 500] = 1, 1
    region = region_of(pack(spots, TABLE, frame, outside=False), 1)
    inside = np.repeat(region, 64, axis=0)[: bits.shape[0]] == 1
    for shape in (disc(15), disc(24)):
        part = opened(bits, shape, region=region)
        assert (part[inside] == opened(bits, shape)[inside]).all()
        assert not part[~inside].any()
        assert (erode(bits, shape, region=region)[inside] == erode(bits, shape)[inside]).all()
    assert (wider(region) == region_of(pack(spots, TABLE, frame, outside=False), 2)).all()


def test_corner_touches_are_squares_with_two_opposite_pixels() -> None:
    picture = np.random.default_rng(1).integers(0, 2, (90, 130)).astype(np.uint8)
    frame = frame_for(*picture.shape, largest_px=3)
    bits = pack(picture, TABLE, frame, outside=False)
    whole = pack(np.ones_like(picture), TABLE, frame, outside=False)
    a, b, c, d = picture[:-1, :-1], picture[:-1, 1:], picture[1:, :-1], picture[1:, 1:]
    wanted = (a == d) & (b == c) & (a != b)
    touches = corner_touches(bits, whole)
    assert count(touches) == wanted.sum()
    assert (unpack(touches, frame)[:-1, :-1] == wanted).all()


@pytest.mark.parametrize("reach", [0, 1, 25, 63, 64, 70, 130])
def test_blocks_reached_are_those_that_a_square_of_opencvs_reaches(reach: int) -> None:
    spots = (np.random.default_rng(reach).random((700, 1500)) < 3e-5).astype(np.uint8)
    frame = frame_for(*spots.shape, largest_px=100)
    bits = pack(spots, TABLE, frame, outside=False)
    whole = np.zeros((frame.shape[0], 64 * frame.shape[1]), dtype=np.uint8)
    pad = frame.pad_px
    whole[pad : pad + 700, pad : pad + 1500] = spots
    grown = cv2.dilate(whole, np.ones((2 * reach + 1, 2 * reach + 1), dtype=np.uint8))
    grown = np.pad(grown, ((0, -len(grown) % BLOCK), (0, 0)))
    wanted = grown.reshape(-1, BLOCK, frame.shape[1], 64).any(axis=(1, 3))
    found = reached(bits, region_of(bits, 0), reach) != 0
    assert wanted.any() and not wanted.all()
    # From one block's width on, whole blocks are taken.
    assert (found == wanted).all() if reach < BLOCK else (found >= wanted).all()
