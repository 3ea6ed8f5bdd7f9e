"""What a series looks like in motion: each piece's board beside its artwork, as animated WebP, PNG or GIF."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from typing import Literal

import numpy as np
from PIL import Image

from worker.engine.arrays import Labels, Srgb
from worker.engine.artwork.ground import lay_on_ground
from worker.engine.artwork.picture import GridPicture
from worker.engine.artwork.resample import resample
from worker.engine.colorimetry import SRGB_TO_LINEAR, srgb_encoded
from worker.engine.report.png import encode_png
from worker.engine.report.scaling import enlarge, shrink_labels

Form = Literal["webp", "png", "gif"]
FORMS: tuple[Form, ...] = ("webp", "png", "gif")

PANEL_PX = 480
"""The longest side of the artwork, and of the board, in one frame."""
GAP_PX = 16
MOST_PIXELS = 60_000_000
"""Of all frames together: more are shown smaller."""
_COLOUR_SAMPLES = 16
_GIF_COLOURS = 256
_GIF_STEP_MS = 10
"""A GIF counts hundredths of a second."""


def frame_png(picture: GridPicture, labels: Labels, colours: Srgb, background: int, *, threads: int = 1) -> bytes:
    """One frame: the artwork, and the board beside it.

    Parameters
    ----------
    colours : uint8 (256, 3), encoded sRGB of each label. background : the finish of transparent places.
    """
    height, width = labels.shape
    scale = PANEL_PX / max(height, width)
    size = {"height_px": max(1, round(height * min(scale, 1.0))), "width_px": max(1, round(width * min(scale, 1.0)))}
    srgb, alpha = resample(picture.srgb, picture.alpha, **size, keep_edges=True, threads=threads)
    art, _ = lay_on_ground(srgb, alpha, colours[background])
    board = shrink_labels(labels, colours, **size, threads=threads)
    factor = max(1, int(scale))
    art, board = enlarge(art, factor), enlarge(board, factor)
    frame = np.full((art.shape[0], 2 * art.shape[1] + GAP_PX, 3), 255, dtype=np.uint8)
    frame[:, : art.shape[1]] = art
    frame[:, -art.shape[1] :] = board
    return encode_png(frame, palette=None, bits=8, pixels_per_metre=None)


def animation(frames: Sequence[bytes], milliseconds: Sequence[int], form: Form) -> bytes:
    """Frames, each from `frame_png` and of one size, shown one after the other without end.

    Parameters
    ----------
    milliseconds : how long each is shown; a GIF rounds them to hundredths of a second, its unit.
    form : webp and png keep all colours; a GIF has 256, the same ones in all frames.
    """
    if not frames or len(frames) != len(milliseconds):
        raise ValueError(f"{len(frames)} frames, {len(milliseconds)} times")
    first = _opened(frames[0])
    scale = min(1.0, math.sqrt(MOST_PIXELS / (first.width * first.height * len(frames))))
    shown = (max(1, round(first.width * scale)), max(1, round(first.height * scale)))
    times = [max(1, round(one)) for one in milliseconds]
    out = io.BytesIO()
    pictures: Iterator[Image.Image] = (_fitted(_opened(frame), shown) for frame in frames)
    if form == "gif":
        times = [max(_GIF_STEP_MS * 2, round(one / _GIF_STEP_MS) * _GIF_STEP_MS) for one in times]
        pictures = _in_common_colours(pictures, [_fitted(_opened(frame), shown) for frame in _spread(frames)])
    start = next(pictures)
    if form == "webp":
        start.save(
            out, "WEBP", save_all=True, append_images=pictures, duration=times, loop=0, quality=85, minimize_size=False
        )
    elif form == "png":
        start.save(out, "PNG", save_all=True, append_images=list(pictures), duration=times, loop=0)
    else:
        start.save(out, "GIF", save_all=True, append_images=list(pictures), duration=times, loop=0, optimize=False)
    return out.getvalue()


def _opened(png: bytes) -> Image.Image:
    with Image.open(io.BytesIO(png)) as picture:
        return picture.convert("RGB")


def _fitted(picture: Image.Image, size: tuple[int, int]) -> Image.Image:
    """At this size, averaged in linear light."""
    if picture.size == size:
        return picture
    bands = [Image.fromarray(SRGB_TO_LINEAR[np.asarray(band)]) for band in picture.split()]
    linear = np.stack([np.asarray(band.resize(size, Image.Resampling.BOX)) for band in bands], axis=-1)
    return Image.fromarray(np.rint(255.0 * srgb_encoded(linear)).astype(np.uint8))


def _spread(frames: Sequence[bytes]) -> list[bytes]:
    """Some of the frames, evenly taken."""
    count = min(len(frames), _COLOUR_SAMPLES)
    return [frames[len(frames) * i // count] for i in range(count)]


def _in_common_colours(pictures: Iterator[Image.Image], samples: Sequence[Image.Image]) -> Iterator[Image.Image]:
    """The pictures in one set of colours, so that what does not change keeps its colour."""
    width, height = samples[0].size
    together = Image.new("RGB", (width, height * len(samples)))
    for number, sample in enumerate(samples):
        together.paste(sample, (0, number * height))
    colours = together.quantize(_GIF_COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    return (picture.quantize(palette=colours, dither=Image.Dither.NONE) for picture in pictures)
