"""The frames of an animated file, or the pages of a TIFF, one after the other, each an artwork of its own."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from PIL import GifImagePlugin, Image, PngImagePlugin, WebPImagePlugin

from worker.animation_file import AnimationFile, read_animation_file
from worker.engine.artwork.decode import Decoded, decode_page, upright_artwork
from worker.engine.artwork.file_facts import MAX_PIXELS, check_pixels
from worker.engine.artwork.picture import Artwork
from worker.errors import ArtworkError

_PLUGINS: dict[str, type[Image.Image]] = {  # their classes, since Image.open warns and fails at a size limit of its own
    "GIF": GifImagePlugin.GifImageFile,
    "PNG": PngImagePlugin.PngImageFile,
    "WebP": WebPImagePlugin.WebPImageFile,
}


def frame_name(name: str, number: int, of: int) -> str:
    """How messages, reports and folders name a frame, counted from 0: `walk.gif-07`."""
    return f"{name}-{number + 1:0{max(2, len(str(of)))}}"


def known_animation(data: bytes, *, name: str) -> AnimationFile:
    """What an animated file says of itself. Raises ArtworkError where it is none, or too long or large."""
    found = read_animation_file(io.BytesIO(data), name=name)
    if found is None:
        raise ArtworkError(f"{name}: the file is no animation.", mend="Send a GIF, APNG, WebP or TIFF.")
    return found


def read_frames(data: bytes, *, name: str) -> Iterator[Artwork | ArtworkError]:
    """Every frame as it is seen, laid over those before it; or why it can't be decoded.

    Frames of a GIF, APNG or WebP build on one another, so none after a broken one is given; pages of a TIFF stand
    alone.

    Raises
    ------
    ArtworkError
        The file is none of these, or has too many frames or pixels.
    """
    found = known_animation(data, name=name)
    check_pixels(max(found.width, 1), max(found.height, 1), name=name, max_pixels=MAX_PIXELS)
    return _pages(data, found, name) if found.format == "TIFF" else _frames(data, found, name)


def _pages(data: bytes, found: AnimationFile, name: str) -> Iterator[Artwork | ArtworkError]:
    for number in range(found.frames):
        page = frame_name(name, number, found.frames)
        try:
            yield _artwork(decode_page(data, number, name=page, max_pixels=MAX_PIXELS), page, "TIFF")
        except ArtworkError as error:
            yield error


def _frames(data: bytes, found: AnimationFile, name: str) -> Iterator[Artwork | ArtworkError]:
    broken: ArtworkError | None = None
    opened: Image.Image | None = None
    for number in range(found.frames):
        frame = frame_name(name, number, found.frames)
        if broken is not None:
            yield ArtworkError(f"{frame}: it builds on a frame that is broken. {broken.what}", mend=broken.mend)
            continue
        try:
            if opened is None:
                opened = _PLUGINS[found.format](io.BytesIO(data))  # type: ignore[call-arg]
            opened.seek(number + found.first_apart)
            pixels = np.asarray(opened.convert("RGBA"))
        except Exception as error:  # Pillow raises half a dozen kinds on damaged files
            said = str(error).strip().rstrip(".") or type(error).__name__
            broken = ArtworkError(
                f"{frame}: this frame of the {found.format} can't be decoded: {said}.",
                mend="Save the animation again; or save its frames as numbered files.",
            )
            yield broken
            continue
        decoded = Decoded(pixels=pixels, space="rgb", has_alpha=True, icc=opened.info.get("icc_profile"))
        yield _artwork(decoded, frame, found.format)


def _artwork(decoded: Decoded, name: str, form: str) -> Artwork:
    """A frame as an artwork; the SHA-256 is that of its own pixels, which tells one frame of a file from another."""
    artwork = upright_artwork(decoded, name=name, format=form)
    digest = hashlib.sha256(artwork.srgb.tobytes())
    if artwork.alpha is not None:
        digest.update(artwork.alpha.tobytes())
    return replace(artwork, sha256=digest.hexdigest())
