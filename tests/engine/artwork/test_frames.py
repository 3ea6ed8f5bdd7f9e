"""Frames of animated files as they are seen: against libvips for GIF and WebP, and the lossless originals."""

from __future__ import annotations

import io

import numpy as np
import pytest
import pyvips

from tests.hostile.judging import fault_of
from tests.moving_pictures import animated, flat_scene
from worker.engine.artwork.frames import read_frames
from worker.engine.artwork.picture import Artwork
from worker.errors import ArtworkError

SCENES = [flat_scene(x, 40) for x in (2, 8, 14, 20, 26, 30, 12, 4)]


def decoded(data: bytes) -> list[Artwork | ArtworkError]:
    return list(read_frames(data, name="scene"))


@pytest.mark.parametrize("form", ["GIF", "PNG", "WEBP", "TIFF"])
def test_every_frame_is_the_picture_that_went_in(form: str) -> None:
    """All four keep a picture of few colours as it is."""
    found = decoded(animated(SCENES, form))
    assert len(found) == len(SCENES)
    for number, (frame, scene) in enumerate(zip(found, SCENES, strict=True), 1):
        assert isinstance(frame, Artwork)
        assert np.array_equal(frame.srgb, scene)
        assert frame.name == f"scene-{number:02}"
    assert len({frame.sha256 for frame in found if isinstance(frame, Artwork)}) == len(SCENES)


@pytest.mark.parametrize(("form", "loader"), [("GIF", "gifload_buffer"), ("WEBP", "webpload_buffer")])
def test_libvips_sees_the_same(form: str, loader: str) -> None:
    data = animated(SCENES, form)
    for number, frame in enumerate(decoded(data)):
        assert isinstance(frame, Artwork)
        other = getattr(pyvips.Image, loader)(data, page=number)
        assert np.array_equal(frame.srgb, np.asarray(other.numpy())[..., :3])


def test_a_broken_seventh_frame_costs_those_that_build_on_it() -> None:
    data = bytearray(animated(SCENES, "PNG"))
    place = -1
    for _ in range(6):  # the data of the seventh frame; the first has IDAT
        place = data.index(b"fdAT", place + 1)
    data[place + 12 : place + 40] = bytes(28)
    found = decoded(bytes(data))
    assert [isinstance(frame, Artwork) for frame in found] == [True] * 6 + [False] * 2
    for error in found[6:]:
        assert isinstance(error, ArtworkError) and fault_of(error) == ""
    assert "scene-07" in str(found[6]) and "scene-08" in str(found[7])


def test_a_broken_page_costs_no_other() -> None:
    data = animated(SCENES, "TIFF")
    from PIL import Image

    with Image.open(io.BytesIO(data)) as opened:
        opened.seek(3)
        (offset,) = opened.tag_v2[273][:1]  # StripOffsets: where the fourth page's pixels begin
    cut = bytearray(data)
    place = cut.index(int(offset).to_bytes(4, "little"), cut.index(b"II") + 4)
    cut[place : place + 4] = (0xFFFFFFF0).to_bytes(4, "little")
    found = decoded(bytes(cut))
    assert [isinstance(frame, Artwork) for frame in found].count(False) == 1
    assert isinstance(found[0], Artwork) and isinstance(found[-1], Artwork)


def test_a_file_cut_short_gives_the_frames_before() -> None:
    data = animated(SCENES, "GIF")
    found = decoded(data[: len(data) // 2])
    assert isinstance(found[0], Artwork)
    assert 1 <= sum(isinstance(frame, Artwork) for frame in found) < len(SCENES)


def test_no_animation_is_an_error() -> None:
    with pytest.raises(ArtworkError, match="no animation"):
        read_frames(b"\xff\xd8\xff\xe0", name="photo.jpg")
