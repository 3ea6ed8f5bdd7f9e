"""Resampling in linear light, against OpenCV, Pillow and a plain computation by repetition and block means."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import skimage.data
import skimage.measure
from colour.models import eotf_inverse_sRGB, eotf_sRGB
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from tests.engine.artwork.picture_files import noise, smooth
from worker.engine.artwork.resample import find_taps, resample

Bytes = npt.NDArray[np.uint8]


def linear(srgb: Bytes) -> npt.NDArray[np.float64]:
    """By colour-science's IEC 61966-2-1."""
    return np.asarray(eotf_sRGB(srgb / 255.0))


def encoded(light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(eotf_inverse_sRGB(np.clip(light, 0.0, 1.0)) * 255.0)


def scaled(srgb: Bytes, height: int, width: int, *, keep_edges: bool = False, threads: int = 1) -> Bytes:
    out, alpha = resample(srgb, None, height_px=height, width_px=width, keep_edges=keep_edges, threads=threads)
    assert alpha is None and out.shape == (height, width, 3)
    return out


def exact_coverage(light: npt.NDArray[np.float64], height: int, width: int) -> npt.NDArray[np.float64]:
    """Exact area averages: every pixel repeated until both grids share their borders, then means of blocks."""
    for axis, target in ((0, height), (1, width)):
        source = light.shape[axis]
        repeated = np.repeat(light, math.lcm(source, target) // source, axis=axis)
        block = [1, 1, 1]
        block[axis] = repeated.shape[axis] // target
        light = skimage.measure.block_reduce(repeated, tuple(block), np.mean)
    return light


@pytest.mark.parametrize(("height", "width"), [(32, 48), (17, 31), (63, 95), (1, 1), (64, 5), (40, 96)])
def test_shrinking_is_exact_coverage_in_linear_light(height: int, width: int) -> None:
    pixels = noise(64, 96, seed=5)
    expected = encoded(exact_coverage(linear(pixels), height, width))
    # Half a level of rounding, and a little for the steps of the encoding table and single precision.
    assert np.abs(scaled(pixels, height, width) - expected).max() <= 0.56


@pytest.mark.parametrize("factor", [2.0, 2.37, 5.5])
def test_shrinking_a_photograph_as_opencv_does(factor: float) -> None:
    pixels = skimage.data.astronaut()
    side = round(512 / factor)
    expected = cv2.resize(linear(pixels), (side, side), interpolation=cv2.INTER_AREA)
    assert np.abs(scaled(pixels, side, side) - encoded(expected)).max() <= 0.75


def test_black_and_white_in_equal_parts_are_half_the_light() -> None:
    """IEC 61966-2-1: half of white's light is encoded as 187.5, so 188; averaging codes would give 128."""
    board = np.zeros((8, 8, 3), np.uint8)
    board[::2, ::2] = board[1::2, 1::2] = 255
    assert (scaled(board, 4, 4) == 188).all()


@pytest.mark.parametrize(("height", "width"), [(130, 200), (97, 131), (64, 400)])
def test_enlarging_a_photograph_as_opencv_does(height: int, width: int) -> None:
    pixels = smooth(64, 96)
    expected = cv2.resize(linear(pixels), (width, height), interpolation=cv2.INTER_LINEAR)
    assert np.abs(scaled(pixels, height, width) - encoded(expected)).max() <= 0.75


@pytest.mark.parametrize(("height", "width"), [(128, 192), (100, 131), (64, 97)])
def test_enlarging_with_hard_edges_as_pillow_does(height: int, width: int) -> None:
    """Where a sample falls right on a border of two pixels either is as near: Pillow's rounding decides there."""
    pixels = noise(64, 96)
    expected = np.asarray(Image.fromarray(pixels).resize((width, height), Image.Resampling.NEAREST))
    clear = [
        [(2 * i + 1) * source % (2 * target) != 0 for i in range(target)]
        for source, target in ((64, height), (96, width))
    ]
    found = scaled(pixels, height, width, keep_edges=True)
    assert np.array_equal(found[np.ix_(*clear)], expected[np.ix_(*clear)])


def test_one_way_larger_and_the_other_smaller() -> None:
    pixels = noise(64, 96)
    once = scaled(pixels, 16, 192, keep_edges=True)
    assert np.array_equal(once, scaled(scaled(pixels, 16, 96), 16, 192, keep_edges=True))


def test_every_code_comes_back_from_linear_light() -> None:
    """Bilinear between equal neighbours, and means of equal pixels, must not move a colour."""
    ramp = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
    pixels = np.ascontiguousarray(np.broadcast_to(ramp, (4, 256, 3)))
    assert np.array_equal(scaled(pixels, 8, 256), np.broadcast_to(ramp, (8, 256, 3)))
    assert np.array_equal(scaled(pixels, 3, 256), np.broadcast_to(ramp, (3, 256, 3)))


def test_hidden_colours_do_not_bleed() -> None:
    """A transparent red beside an opaque green: premultiplied, the mean is green of half the alpha."""
    srgb = np.array([[[255, 0, 0], [0, 200, 0]]], np.uint8)
    alpha = np.array([[0, 255]], np.uint8)
    colours, cover = resample(srgb, alpha, height_px=1, width_px=1, keep_edges=False)
    assert colours.tolist() == [[[0, 200, 0]]]
    assert cover is not None and cover.tolist() == [[128]]


def test_alpha_as_opencv_has_it() -> None:
    srgb, alpha = smooth(64, 64), noise(64, 64, channels=1, seed=2)
    colours, cover = resample(srgb, alpha, height_px=20, width_px=27, keep_edges=False)
    weight = alpha[..., None] / 255.0
    veiled = cv2.resize(np.concatenate([linear(srgb) * weight, weight], axis=2), (27, 20), interpolation=cv2.INTER_AREA)
    assert cover is not None
    assert np.abs(cover - veiled[..., 3] * 255).max() <= 0.51
    assert np.abs(colours - encoded(veiled[..., :3] / veiled[..., 3:])).max() <= 0.75


@settings(max_examples=60, deadline=None)
@given(
    source=st.tuples(st.integers(1, 40), st.integers(1, 40)),
    target=st.tuples(st.integers(1, 90), st.integers(1, 90)),
    keep_edges=st.booleans(),
    with_alpha=st.booleans(),
)
def test_any_size_stays_within_its_colours_on_any_number_of_threads(
    source: tuple[int, int], target: tuple[int, int], keep_edges: bool, with_alpha: bool
) -> None:
    srgb = noise(*source, seed=source[0])
    alpha = noise(*source, channels=1, seed=9) | 1 if with_alpha else None
    results = [
        resample(srgb, alpha, height_px=target[0], width_px=target[1], keep_edges=keep_edges, threads=threads)
        for threads in (1, 3)
    ]
    colours, cover = results[0]
    assert np.array_equal(colours, results[1][0])
    assert (cover is None) == (alpha is None)
    if cover is not None:
        assert results[1][1] is not None and np.array_equal(cover, results[1][1])
    assert (colours.max(axis=(0, 1)) <= srgb.max(axis=(0, 1))).all()
    assert (colours.min(axis=(0, 1)) >= srgb.min(axis=(0, 1))).all()
    if keep_edges and target[0] >= source[0] and target[1] >= source[1]:
        assert {tuple(c) for c in colours.reshape(-1, 3)} <= {tuple(c) for c in srgb.reshape(-1, 3)}


@given(st.integers(1, 5000), st.integers(1, 5000), st.booleans())
def test_weights_sum_to_one_inside_the_picture(source: int, target: int, keep_edges: bool) -> None:
    taps = find_taps(source, target, keep_edges=keep_edges)
    assert taps.first.min() >= 0 and (taps.first + taps.count).max() <= source
    assert np.abs(taps.weights.sum(axis=1, dtype=np.float64) - 1.0).max() < 1e-5
