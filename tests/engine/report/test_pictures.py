"""The pictures as PNG files, read back with Pillow, and with the chunk layout of ISO/IEC 15948."""

from __future__ import annotations

import io
import struct
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import skimage.data
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from tests.boards import board, lab_of, picture_of, score_of, separation_of
from worker.engine.arrays import Alpha, Labels, Srgb
from worker.engine.report.colour_scale import LARGEST, OUTSIDE_INDEX, scale_palette
from worker.engine.report.error_picture import BAR_HEIGHT_PX, error_png
from worker.engine.report.pictures import draw_pictures, label_colours, thumbnail_png
from worker.engine.report.side_by_side import LONGEST_PX, side_by_side

FAB = board()
LAB = lab_of(FAB)
IDS = [finish.id for finish in FAB.finishes]


def draw(
    labels: Labels, *, srgb: Srgb | None = None, alpha: Alpha | None = None, pitch_um: float = 20.0, **more: Any
) -> dict[str, bytes]:
    art = np.zeros((*labels.shape, 3), dtype=np.uint8) if srgb is None else srgb
    return draw_pictures(
        picture=picture_of(art, alpha=alpha, pitch_um=pitch_um),
        fab=FAB,
        separation=separation_of(labels),
        score=more.pop("score", None) or score_of(np.zeros(labels.shape, dtype=np.float32)),
        reference_lab=LAB,
        background=FAB.background,
        **more,
    )


def opened(png: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(png))
    image.load()
    return image


def some_labels(height: int = 60, width: int = 90) -> Labels:
    labels = np.random.default_rng(5).integers(0, 4, (height // 3, width // 3), dtype=np.uint8)
    labels = np.repeat(np.repeat(labels, 3, axis=0), 3, axis=1)
    labels[:5, :5] = 255
    return labels


def resolution(png: bytes) -> tuple[int, int, int]:
    """Pixels per unit in x and y, and the unit (1: metre), from the pHYs chunk."""
    place = png.index(b"pHYs") + 4
    x, y, unit = struct.unpack(">IIB", png[place : place + 9])
    return x, y, unit


def test_the_files_are_those_of_the_output_layout() -> None:
    names = list(draw(some_labels()))
    assert names == [
        *(f"masks/{i}.png" for i in IDS),
        "labels.png",
        "preview.png",
        "thumbnail.png",
        "error.png",
        "comparison.png",
    ]


def test_a_thumbnail_is_small_and_of_the_mean_light() -> None:
    """Half black and half white is code 188 (IEC 61966-2-1: 0.5 in linear light), not 128."""
    colours = np.zeros((256, 3), dtype=np.uint8)
    colours[1] = 255
    stripes = np.tile(np.arange(640, dtype=np.uint8) % 2, (320, 1))
    small = np.asarray(opened(thumbnail_png(stripes, colours)))
    assert small.shape == (80, 160, 3) and (np.abs(small.astype(int) - 188) <= 1).all()
    assert np.asarray(opened(thumbnail_png(stripes[:9, :30], colours))).shape == (9, 30, 3), "none is enlarged"


sizes = st.integers(1, 40)


@given(st.integers(0, 2**32 - 1), sizes, sizes)
@settings(max_examples=25, deadline=None)
def test_the_masks_partition_the_board(seed: int, height: int, width: int) -> None:
    rng = np.random.default_rng(seed)
    labels = rng.choice(np.array([0, 1, 2, 3, 4, 255], np.uint8), (height, width))
    files = draw(labels)
    masks = [opened(files[f"masks/{finish}.png"]) for finish in IDS]
    assert {mask.mode for mask in masks} == {"1"}
    stack = np.stack([np.asarray(mask, dtype=bool) for mask in masks])
    assert (stack.sum(axis=0) == (labels != 255)).all()
    assert (stack == (labels == np.arange(len(IDS))[:, None, None])).all()


def test_an_unused_finish_has_an_empty_mask() -> None:
    files = draw(np.zeros((7, 9), dtype=np.uint8))
    assert not np.asarray(opened(files[f"masks/{IDS[3]}.png"])).any()


def test_labels_are_indices_and_show_the_finishes() -> None:
    labels = some_labels()
    files = draw(labels)
    picture = opened(files["labels.png"])
    assert picture.mode == "P"
    assert (np.asarray(picture) == labels).all()
    preview = np.asarray(opened(files["preview.png"]).convert("RGB"))
    assert (preview == label_colours(LAB)[labels]).all()
    assert (preview[labels == 255] == 255).all()


@pytest.mark.parametrize(("pitch_um", "wanted"), [(20.0, 50000), (25.4, 39370), (100.0, 10000), (7.0, 142857)])
def test_the_physical_resolution_is_in_the_file(pitch_um: float, wanted: int) -> None:
    files = draw(some_labels(), pitch_um=pitch_um)
    for name in ("labels.png", "preview.png", f"masks/{IDS[0]}.png"):
        assert resolution(files[name]) == (wanted, wanted, 1)


@pytest.mark.parametrize("threads", [2, 3])
def test_the_bytes_do_not_depend_on_threads(threads: int) -> None:
    art = np.ascontiguousarray(skimage.data.astronaut()[:240, :330])
    labels = np.repeat(np.repeat(some_labels(240, 330)[::2, ::2], 2, axis=0), 2, axis=1)
    error = np.random.default_rng(9).random((120, 165), dtype=np.float32) * 30
    score = score_of(error, step_px=2)
    assert draw(labels, srgb=art, score=score, threads=threads) == draw(labels, srgb=art, score=score)


def test_the_error_picture_shows_the_map_on_the_fixed_scale() -> None:
    error = np.array([[0.0, LARGEST], [2 * LARGEST, np.nan]], dtype=np.float32)
    picture = np.asarray(opened(error_png(score_of(error), 20.0)).convert("RGB"))
    height = picture.shape[0] - BAR_HEIGHT_PX
    palette = scale_palette()
    corners = [picture[2, 2], picture[2, -3], picture[height - 3, 2], picture[height - 3, -3]]
    wanted = [palette[0], palette[239], palette[239], palette[OUTSIDE_INDEX]]
    assert [corner.tolist() for corner in corners] == [colour.tolist() for colour in wanted]
    assert len(np.unique(picture[height + 12].reshape(-1, 3), axis=0)) > 200, "the scale itself is missing"


def test_a_small_error_map_is_enlarged_to_be_read_with_its_true_resolution() -> None:
    png = error_png(score_of(np.zeros((64, 32), np.float32), step_px=4), 25.0)
    assert opened(png).size == (360, 640 + BAR_HEIGHT_PX)
    # A cell is 4 x 25 um = 0.1 mm wide and 10 px on the picture: 0.01 mm for a pixel.
    assert resolution(png) == (100_000, 100_000, 1)


@given(st.integers(1, 4000), st.integers(1, 4000))
@settings(max_examples=25, deadline=None)
def test_the_comparison_is_at_most_2048_px_long(height: int, width: int) -> None:
    labels = np.zeros((height, width), dtype=np.uint8)
    glance = glance_of(labels, np.zeros((height, width, 3), np.uint8))
    assert max(glance.shape) <= LONGEST_PX


def glance_of(labels: Labels, art: Srgb, *, alpha: Alpha | None = None, full_size: bool = False) -> Srgb:
    score = score_of(np.zeros((-(-labels.shape[0] // 4), -(-labels.shape[1] // 4)), np.float32), step_px=4)
    return side_by_side(picture_of(art, alpha=alpha), labels, label_colours(LAB), 1, score, full_size=full_size)


def rows_of(glance: npt.NDArray[np.uint8], colour: npt.NDArray[np.uint8]) -> int:
    """How many pixels of the picture have exactly this colour."""
    return int((glance == colour).all(axis=-1).sum())


def test_the_comparison_shows_artwork_board_and_error() -> None:
    art = np.full((400, 400, 3), (210, 30, 90), dtype=np.uint8)
    glance = glance_of(np.full((400, 400), 2, dtype=np.uint8), art)
    assert rows_of(glance, art[0, 0]) == 400 * 400
    assert rows_of(glance, label_colours(LAB)[2]) == 400 * 400
    assert rows_of(glance, scale_palette()[0]) >= 400 * 400


def test_transparent_places_show_the_background_finish() -> None:
    art = np.full((400, 400, 3), (210, 30, 90), dtype=np.uint8)
    alpha = np.zeros((400, 400), dtype=np.uint8)
    glance = glance_of(np.full((400, 400), 2, dtype=np.uint8), art, alpha=alpha)
    assert rows_of(glance, art[0, 0]) == 0
    assert rows_of(glance, label_colours(LAB)[1]) == 400 * 400


def test_full_size_keeps_every_pixel() -> None:
    art = np.ascontiguousarray(np.tile(skimage.data.astronaut(), (3, 3, 1)))
    glance = glance_of(np.zeros(art.shape[:2], np.uint8), art, full_size=True)
    assert glance.shape[1] > 3 * art.shape[1]
    top = next(y for y in range(60) if (glance[y, 16:20] == art[0, :4]).all())
    assert (glance[top : top + art.shape[0], 16 : 16 + art.shape[1]] == art).all()


def test_wide_pictures_stand_one_below_the_other() -> None:
    wide = glance_of(np.zeros((100, 4000), np.uint8), np.zeros((100, 4000, 3), np.uint8))
    assert wide.shape[1] == LONGEST_PX
    assert wide.shape[0] < 700
