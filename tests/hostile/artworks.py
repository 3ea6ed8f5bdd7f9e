"""Artworks that are broken or hostile, and what must become of them."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np

from tests.hostile.crafted_pictures import crafted_pictures
from tests.hostile.damage import Case, broken
from tests.hostile.judging import fault_of
from tests.hostile.sound_pictures import by_pillow, sound_pictures
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.grid_size import MAX_GRID_PIXELS, find_grid_size
from worker.engine.artwork.picture import Artwork, WantedSize
from worker.errors import MaskwrightError

SIZE = WantedSize(width_mm=14.0, height_mm=None, pitch_um=100.0)
NO_SIZE = WantedSize(width_mm=None, height_mm=None, pitch_um=20.0)
COMPARED = ("PNG plain", "PNG alpha", "PNG palette", "PNG interlaced", "PNG one bit", "JPEG plain", "JPEG progressive")
"""Sound files whose colours need no conversion: what is made of them, flipped, is compared with what Pillow sees."""


def cases(size: int) -> Iterator[Case]:
    """Every sound file broken in `size` ways of each kind, files of other kinds, and those made by hand."""
    for name, data in sound_pictures().items():
        yield from broken(name, data, cut=size, flip=size, lose=size // 2)
    yield from crafted_pictures()


@cache
def _whole(name: str) -> Artwork:
    return read_artwork(sound_pictures()[name], name="artwork", size=SIZE)


def examine(case: Case) -> tuple[str, str]:
    """How reading it ended, and what is wrong with that."""
    try:
        artwork = read_artwork(case.data, name="artwork", size=SIZE)
    except MaskwrightError as error:
        return "refused", fault_of(error, case.data.decode("latin-1"))
    except Exception as error:
        return "refused", fault_of(error)
    return "taken", _fault_of_picture(case, artwork)


def _fault_of_picture(case: Case, artwork: Artwork) -> str:
    srgb, alpha = artwork.srgb, artwork.alpha
    if srgb.dtype != np.uint8 or srgb.ndim != 3 or srgb.shape[2] != 3 or min(srgb.shape) < 1:
        return f"became {srgb.dtype} {srgb.shape}"
    if alpha is not None and alpha.shape != srgb.shape[:2]:
        return f"has alpha of {alpha.shape} on {srgb.shape}"
    fault = _fault_of_resolution(case, artwork)
    if fault:
        return fault
    for warning in artwork.warnings:
        if len(warning) > 500 or not warning.isprintable():
            return f"warns: {warning[:200]!r}"
    if case.way == "cut":
        return _fault_of_cut(case, artwork)
    if case.way == "flipped" and case.of in COMPARED:
        return _fault_against_pillow(case, artwork)
    return ""


def _fault_of_resolution(case: Case, artwork: Artwork) -> str:
    """The size that it gives a board must be one, or refused; and no flipped byte may pass a PNG's checksums."""
    resolution = artwork.pixels_per_mm
    if resolution is None:
        return ""
    if not all(0.0 < each < float("inf") for each in resolution):
        return f"has a resolution of {resolution}"
    whole = _whole(case.of).pixels_per_mm if case.of.startswith("PNG") else resolution
    if case.way == "flipped" and resolution != whole:
        return f"has a resolution of {resolution}, where the whole file has {whole}"
    height, width = artwork.srgb.shape[:2]
    natural_mm = (width / resolution[0], height / resolution[1])
    try:
        grid = find_grid_size(NO_SIZE, aspect=width / height, natural_mm=natural_mm, name="artwork")
    except Exception as error:
        return fault_of(error)
    fits = 0.1 <= grid.width_mm <= 1200.0 and 0.1 <= grid.height_mm <= 1200.0
    return "" if fits and 0 < grid.width_px * grid.height_px <= MAX_GRID_PIXELS else f"would become {grid}"


def _fault_of_cut(case: Case, artwork: Artwork) -> str:
    """A file cut short may be taken only where no pixel was lost with what it lost."""
    whole = _whole(case.of)
    same = np.array_equal(whole.srgb, artwork.srgb)
    if same and (whole.alpha is None) == (artwork.alpha is None):
        same = whole.alpha is None or np.array_equal(whole.alpha, artwork.alpha)
    return "" if same else f"was taken, with other pixels than the whole file: {artwork.srgb.shape}"


def _fault_against_pillow(case: Case, artwork: Artwork) -> str:
    """Outside check: Pillow must see the same picture. What Pillow refuses may be taken only with no pixel changed."""
    try:
        seen = by_pillow(case.data)
    except Exception:
        return _fault_of_cut(case, artwork)
    if artwork.alpha is not None:
        seen = np.where(artwork.alpha[..., None] > 0, seen, 0)
    ours = artwork.srgb if artwork.alpha is None else np.where(artwork.alpha[..., None] > 0, artwork.srgb, 0)
    if seen.shape[:2] != ours.shape[:2]:
        return f"was taken as {ours.shape}, and Pillow sees {seen.shape}"
    apart = np.abs(seen[..., :3].astype(int) - ours)
    return "" if np.percentile(apart, 95) <= 3 else f"was taken, {apart.max()} levels from what Pillow sees"
