"""Every photograph that can't be trusted is refused, with the reason and what to change."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from tests.engine.references import simulated_camera as camera
from tests.engine.references.photographed import read, shot_of
from tests.engine.references.simulated_camera import Conditions
from worker.engine.references.photograph.flow import read_photographs
from worker.engine.references.photograph.shot import Shot
from worker.errors import PhotographError
from worker.patch_map import Rectangle

FEW = ("green-mask", "blue-mask", "white-mask", "legend", "laminate")


@pytest.mark.parametrize(
    ("conditions", "what", "mend"),
    [
        (Conditions(exposure=1.5, finishes=FEW), "clipped at the top of the scale: chart row 4 column 1", "one stop"),
        (Conditions(shadow=0.3, finishes=FEW), "uneven light: the neutral surround differs", "shadows"),
        (Conditions(slope=1.0, finishes=FEW), "uneven light: one side has", "lamps farther away"),
        (Conditions(hot_spot=0.3, finishes=FEW), "glare, a shadow's edge or a wrong corner", "45 degrees"),
        (Conditions(veiling_glare=0.06, finishes=FEW), "of the white's light lies over everything", "Shade the lens"),
        (Conditions(lamp="HP1", finishes=FEW), "the colours can't be trusted", "high colour rendering"),
        (Conditions(scale=0.2, finishes=FEW), "pixels to read; 100 are the least", "Go nearer"),
    ],
    ids=["clipped", "shadow", "steep light", "reflection", "veiling glare", "sodium lamp", "few pixels"],
)
def test_over_a_bar(conditions: Conditions, what: str, mend: str) -> None:
    with pytest.raises(PhotographError) as refused:
        read(conditions, marked=True)
    assert what in refused.value.what and refused.value.what.startswith("simulated.png: ")
    assert mend in refused.value.mend


@pytest.fixture(scope="module")
def taken() -> camera.Shot:
    return camera.take(Conditions(seed=1, finishes=FEW))


def refusal(taken: camera.Shot, shot: Shot) -> PhotographError:
    with pytest.raises(PhotographError) as refused:
        read_photographs(shot, None, taken.patch_map, camera.finishes(FEW))
    return refused.value


def rolled(corners: tuple, turn: int) -> tuple:
    return corners[turn:] + corners[:turn]


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_chart_corners_in_another_order_are_refused_with_the_right_order(taken: camera.Shot, turn: int) -> None:
    """What the message proposes is what should have been given."""
    shot = replace(shot_of(taken, marked=True), chart_corners=rolled(taken.chart_corners, turn))
    error = refusal(taken, shot)
    assert "the chart's corners begin" in error.what
    proposed = [tuple(float(v) for v in pair.split(",")) for pair in error.mend.rstrip(".").split()[-4:]]
    assert np.abs(np.array(proposed) - taken.chart_corners).max() <= 0.51


def test_coupon_corners_in_another_order_are_refused_with_the_right_order(taken: camera.Shot) -> None:
    shot = replace(shot_of(taken, marked=True), coupon_corners=rolled(taken.coupon_corners, 1))
    error = refusal(taken, shot)
    assert "the coupon's corners begin" in error.what and "--corners" in error.mend


def test_a_mirrored_photograph_is_refused(taken: camera.Shot) -> None:
    width = taken.encoded.shape[1]
    mirrored = replace(taken, encoded=np.ascontiguousarray(taken.encoded[:, ::-1]))
    flipped = [(width - 1 - x, y) for x, y in taken.chart_corners]
    chart = (flipped[1], flipped[0], flipped[3], flipped[2])
    error = refusal(taken, Shot(data=mirrored.png(), name="m.png", chart_corners=chart))
    assert "mirror" in error.what and "unmirrored" in error.mend


def test_corners_beside_the_chart_are_refused(taken: camera.Shot) -> None:
    shot = replace(shot_of(taken, marked=True), chart_corners=taken.coupon_corners)
    assert "the chart's patches are not where its corners say" in refusal(taken, shot).what


def test_corners_that_cross_are_refused(taken: camera.Shot) -> None:
    a, b, c, d = taken.chart_corners
    shot = replace(shot_of(taken, marked=True), chart_corners=(a, c, b, d))
    assert "don't go clockwise" in refusal(taken, shot).what


def test_without_a_chart_it_asks_for_its_corners(taken: camera.Shot) -> None:
    left = int(min(x for x, _ in taken.chart_corners)) - 60
    cut = replace(taken, encoded=np.ascontiguousarray(taken.encoded[:, :left]))
    error = refusal(taken, shot_of(cut))
    assert "no 24-patch chart was found" in error.what and "--chart-corners" in error.mend


def test_without_a_coupon_it_asks_for_its_corners(taken: camera.Shot) -> None:
    left = int(max(x for x, _ in taken.coupon_corners)) + 20
    cut = replace(taken, encoded=np.ascontiguousarray(taken.encoded[:, left:]))
    error = refusal(taken, shot_of(cut))
    assert "the coupon was not found" in error.what and "--corners" in error.mend


def test_a_coupon_of_single_patches_is_never_guessed_to_lie_one_way(taken: camera.Shot) -> None:
    single = tuple(patch for patch in taken.patch_map.patches if patch.repeat == 1)
    with pytest.raises(PhotographError, match="the coupon was not found"):
        read_photographs(shot_of(taken), None, replace(taken.patch_map, patches=single), camera.finishes(FEW))


def test_a_surround_out_of_the_picture_is_refused(taken: camera.Shot) -> None:
    far = (Rectangle(x=900, y=900, width=80, height=80),)
    with pytest.raises(PhotographError, match="0 samples of the neutral surround"):
        read_photographs(
            shot_of(taken, marked=True), None, replace(taken.patch_map, surround=far), camera.finishes(FEW)
        )


def test_an_underexposed_photograph_is_refused() -> None:
    with pytest.raises(PhotographError, match="black, with nothing to read"):
        read(Conditions(seed=2, exposure=0.004, finishes=FEW, defective=0.0), marked=True)


def encoded(mode: str, kind: str, **options: object) -> bytes:
    stream = io.BytesIO()
    Image.new(mode, (40, 40)).save(stream, kind, **options)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("data", "what", "mend"),
    [
        (b"", "the file is empty", "JPEG, PNG or TIFF"),
        (b"no picture at all", "no known picture format", "raw file"),
        (b"\0\0\0\x18ftypheic" + bytes(64), "HEIF", "JPEG"),
        (encoded("L", "PNG"), "is grey, not RGB", "colour picture"),
        (encoded("CMYK", "TIFF"), "is cmyk, not RGB", "colour picture"),
        (encoded("RGB", "BMP"), "BMP", "JPEG, PNG or TIFF"),
        (encoded("RGB", "TIFF", tiffinfo={50706: b"\1\4\0\0"}), "raw sensor data", "16-bit TIFF without a tone curve"),
        (encoded("RGB", "PNG")[:60], "can't be decoded", "JPEG, PNG or TIFF"),
    ],
    ids=["empty", "text", "heif", "grey", "cmyk", "bmp", "raw", "cut short"],
)
def test_a_file_that_is_no_photograph(taken: camera.Shot, data: bytes, what: str, mend: str) -> None:
    error = refusal(taken, Shot(data=data, name="it.dat"))
    assert what in error.what and error.what.startswith("it.dat: ")
    assert mend in error.mend
