"""The artwork's own shape as a board: areas by closed form, inlets by the router's bit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import binary_fill_holes, distance_transform_edt

from worker.engine.fabrication.raster import rasterise
from worker.engine.fabrication.router_reach import outline_reach
from worker.engine.fabrication.silhouette import silhouette
from worker.errors import BoardError

PITCH = 0.02


def alpha_of(mask: np.ndarray) -> np.ndarray:
    return np.where(mask, 255, 0).astype(np.uint8)


def disc(radius_mm: float, size_px: int = 600, centre: tuple[float, float] = (6.0, 6.0)) -> np.ndarray:
    y, x = (np.indices((size_px, size_px)) + 0.5) * PITCH
    return np.hypot(x - centre[0], y - centre[1]) < radius_mm


@pytest.mark.parametrize("offset", [0.0, 0.5, 1.5])
def test_a_disc_grows_by_its_offset(offset: float) -> None:
    shape = silhouette(alpha_of(disc(4.0)), pitch_mm=PITCH, offset_mm=offset, bit_mm=2.0)
    assert shape.area == pytest.approx(math.pi * (4.0 + offset) ** 2, rel=0.005)
    assert shape.bounds == pytest.approx((2 - offset, 2 - offset, 10 + offset, 10 + offset), abs=PITCH)


def test_the_grown_shape_is_what_lies_within_the_offset_by_a_distance_transform() -> None:
    mask = disc(2.0) | disc(1.0, centre=(8.2, 6.5)) | disc(0.4, centre=(4.0, 8.0))
    shape = silhouette(alpha_of(mask), pitch_mm=PITCH, offset_mm=0.8, bit_mm=0.1)
    ours = rasterise([[np.array(shape.exterior.coords)[:-1]]], height_px=600, width_px=600, pitch_mm=PITCH) != 0
    near = binary_fill_holes(distance_transform_edt(~mask) * PITCH <= 0.8)
    edge = int((near[:, 1:] != near[:, :-1]).sum() + (near[1:] != near[:-1]).sum())
    assert (ours ^ near).sum() < 1.5 * edge
    assert not (near & ~ours).sum() > 0.5 * edge


def test_inlets_are_wide_enough_for_the_bit_and_holes_are_board() -> None:
    mask = disc(5.0) & ~disc(1.0)
    mask[:, 295:305] &= disc(5.0)[:, 295:305] & (np.indices((600, 10))[0] > 200)  # a slit 0.2 mm wide from above
    shape = silhouette(alpha_of(mask), pitch_mm=PITCH, offset_mm=0.0, bit_mm=2.0)
    assert shape.area == pytest.approx(math.pi * 25.0, rel=0.01)
    assert outline_reach(shape, 1.0).left_over == ()


def test_jagged_art_leaves_no_corner_that_the_bit_does_not_reach() -> None:
    rng = np.random.default_rng(5)
    mask = disc(3.0)
    for angle in rng.uniform(0, 2 * math.pi, 40):
        mask |= disc(0.3, centre=(6 + 3.2 * math.cos(angle), 6 + 3.2 * math.sin(angle)))
    for bit in (0.8, 2.0):
        shape = silhouette(alpha_of(mask), pitch_mm=PITCH, offset_mm=0.3, bit_mm=bit)
        assert outline_reach(shape, bit / 2.0).left_over == ()


def test_single_pixels_and_lines_are_parts_too() -> None:
    mask = np.zeros((100, 100), dtype=bool)
    mask[50, 20:80] = True
    shape = silhouette(alpha_of(mask), pitch_mm=PITCH, offset_mm=0.5, bit_mm=0.2)
    assert shape.area == pytest.approx(1.2 * 1.02 + math.pi * 0.51**2, rel=0.03)


def test_torn_art_has_one_plain_edge() -> None:
    torn = np.random.default_rng(1).random((300, 300)) > 0.7
    shape = silhouette(alpha_of(torn), pitch_mm=PITCH, offset_mm=0.0, bit_mm=0.4)
    assert shape.is_valid and shape.area == pytest.approx(36.0, rel=0.01)


def test_a_large_board_is_grown_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = silhouette(alpha_of(disc(4.0)), pitch_mm=PITCH, offset_mm=0.5, bit_mm=2.0)
    monkeypatch.setattr("worker.engine.fabrication.silhouette.MAX_PIXELS", 50_000)
    blocks = silhouette(alpha_of(disc(4.0)), pitch_mm=PITCH, offset_mm=0.5, bit_mm=2.0)
    assert blocks.hausdorff_distance(whole) < 3 * PITCH


@pytest.mark.parametrize(
    ("alpha", "what", "mend"),
    [
        (None, "opaque everywhere", "transparent"),
        (np.zeros((20, 20), dtype=np.uint8), "no pixel", "transparency"),
        (alpha_of(disc(1.0, centre=(3, 6)) | disc(1.0, centre=(9, 6))), "falls into 2 parts", "2.1mm would do"),
        (alpha_of(np.tile(np.pad([[True]], ((0, 29), (0, 29))), (50, 50))), "2,500 parts", "specks"),
    ],
)
def test_what_gives_no_single_shape_is_refused(alpha: np.ndarray | None, what: str, mend: str) -> None:
    with pytest.raises(BoardError) as caught:
        silhouette(alpha, pitch_mm=PITCH, offset_mm=0.0, bit_mm=0.4)
    assert what in caught.value.what and mend in caught.value.mend


def test_the_offset_that_the_message_names_does_join_the_parts() -> None:
    alpha = alpha_of(disc(1.0, centre=(3, 6)) | disc(1.0, centre=(9, 6)))
    shape = silhouette(alpha, pitch_mm=PITCH, offset_mm=2.1, bit_mm=0.4)
    assert shape.geom_type == "Polygon"
