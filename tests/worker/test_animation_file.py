"""Frames and their times, read from containers: against Pillow, which wrote them, and the standards."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pytest
from PIL import Image

from tests.hostile.judging import fault_of
from tests.moving_pictures import animated, flat_scene
from worker.animation_file import MAX_FRAMES, AnimationFile, read_animation_file
from worker.errors import ArtworkError

SCENES = [flat_scene(x, 40) for x in (2, 8, 14, 20, 26)]
TIMES = [40, 120, 250, 1000, 70]


def read(data: bytes) -> AnimationFile:
    found = read_animation_file(io.BytesIO(data), name="a")
    assert found is not None
    return found


@pytest.mark.parametrize("form", ["GIF", "PNG", "WEBP"])
def test_frames_and_times_are_those_that_pillow_sees(form: str) -> None:
    data = animated(SCENES, form, TIMES)
    found = read(data)
    seen = []
    with Image.open(io.BytesIO(data)) as picture:
        for number in range(picture.n_frames):
            picture.seek(number)
            picture.load()
            seen.append(round(picture.info["duration"]))
    assert list(found.milliseconds) == seen == TIMES
    assert (found.width, found.height) == (40, 40)


def test_pages_of_a_tiff_of_either_byte_order() -> None:
    data = animated(SCENES, "TIFF")
    assert (read(data).frames, read(data).width, read(data).height) == (5, 40, 40)
    # TIFF 6.0, section 2, and BigTIFF: a page of 7 x 9 pixels without data, in big-endian order.
    entries = struct.pack(">HHII", 256, 4, 1, 7) + struct.pack(">HHII", 257, 4, 1, 9)
    small = struct.pack(">2sHI", b"MM", 42, 8) + struct.pack(">H", 2) + entries + struct.pack(">I", 0)
    big_entries = struct.pack(">HHQII", 256, 4, 1, 7, 0) + struct.pack(">HHQII", 257, 4, 1, 9, 0)
    big = struct.pack(">2sHHHQ", b"MM", 43, 8, 0, 16) + struct.pack(">Q", 2) + big_entries + struct.pack(">Q", 0)
    for one in (small, big):
        assert (read(one).frames, read(one).width, read(one).height) == (1, 7, 9)


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def test_an_apng_by_its_chunks() -> None:
    """PNG, third edition: acTL, fcTL with its delay as a fraction (a denominator of 0 means 100), fdAT."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 3, 2, 8, 2, 0, 0, 0)) + chunk(b"acTL", struct.pack(">II", 2, 0))
    control = [
        chunk(b"fcTL", struct.pack(">IIIIIHHBB", n, 3, 2, 0, 0, over, under, 0, 0))
        for n, (over, under) in enumerate([(1, 4), (7, 0)])
    ]
    picture = chunk(b"IDAT", zlib.compress(bytes(20)))
    end = chunk(b"IEND", b"")
    signature = b"\x89PNG\r\n\x1a\n"
    within = read(signature + head + control[0] + picture + control[1] + chunk(b"fdAT", bytes(4)) + end)
    assert (within.milliseconds, within.first_apart) == ((250, 70), False)
    apart = read(signature + head + picture + control[0] + chunk(b"fdAT", bytes(4)) + control[1] + end)
    assert (apart.milliseconds, apart.first_apart) == ((250, 70), True)
    plain = read(signature + chunk(b"IHDR", struct.pack(">IIBBBBB", 3, 2, 8, 2, 0, 0, 0)) + picture + end)
    assert plain.frames == 1 and not plain.first_apart


def test_a_gif_that_says_no_time_and_one_that_ends_early() -> None:
    """GIF89a, appendix A: an image without a Graphic Control Extension; a data stream without its trailer."""
    image = b",\0\0\0\0\1\0\1\0\0" + b"\2\2\x4c\x01\0"
    data = b"GIF89a\1\0\1\0\x80\0\0" + bytes(6) + image * 3
    assert read(data).milliseconds == (100, 100, 100)
    assert read(data + b";").frames == 3
    assert read(data + b";" + image).frames == 3  # nothing counts after the trailer


def test_other_files_are_none() -> None:
    assert read_animation_file(io.BytesIO(b"\xff\xd8\xff\xe0 a JPEG"), name="a") is None
    assert read_animation_file(io.BytesIO(b""), name="a") is None


def hostile() -> list[tuple[str, bytes]]:
    image = b",\0\0\0\0\1\0\1\0\0" + b"\2\2\x4c\x01\0"
    wide = b",\0\0\0\0\xff\xff\xff\xff\0" + b"\2\2\x4c\x01\0"
    ring = struct.pack("<2sHI", b"II", 42, 8) + struct.pack("<HHHIII", 1, 256, 4, 1, 7, 8)
    return [
        ("too many frames", b"GIF89a\1\0\1\0\0\0\0" + image * (MAX_FRAMES + 1)),
        ("a frame too large", b"GIF89a\xff\xff\xff\xff\0\0\0" + wide * 2),
        ("too many pixels", b"GIF89a\0\x20\0\x20\0\0\0" + image * 20),
        ("ends in its head", b"GIF89a\1\0"),
        ("no frame", b"GIF89a\1\0\1\0\0\0\0;"),
        ("back to one another", ring),
        ("no page", struct.pack("<2sHI", b"II", 42, 4_000_000_000) + bytes(8)),
    ]


@pytest.mark.parametrize(("what", "data"), hostile(), ids=[what for what, _ in hostile()])
def test_hostile_files_say_what_is_wrong(what: str, data: bytes) -> None:
    with pytest.raises(ArtworkError) as caught:
        read(data)
    assert fault_of(caught.value) == ""


def test_every_damaged_file_is_read_or_refused() -> None:
    """Bytes changed at random, and files cut off anywhere: an answer or an error of ours, and never more."""
    rng = np.random.default_rng(7)
    for form in ("GIF", "PNG", "WEBP", "TIFF"):
        sound = animated(SCENES, form)
        for _ in range(60):
            data = bytearray(sound[: int(rng.integers(1, len(sound) + 1))])
            for place in rng.integers(0, len(data), 3):
                data[place] = int(rng.integers(256))
            try:
                read_animation_file(io.BytesIO(bytes(data)), name="a")
            except ArtworkError as error:
                assert fault_of(error) == ""
