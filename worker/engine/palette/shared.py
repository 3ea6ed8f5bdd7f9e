"""One palette for many artworks: their colours clustered together, so that one art colour gets one finish on all.

Every artwork counts the same, whatever its size: its pixels share one weight. By pixels, a large artwork would draw all
clusters to its own colours, and a small one would lose the colours that make it what it is.
"""

from __future__ import annotations

import io
import json
import math
import zipfile
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats, Srgb
from worker.engine.colorimetry import lab_to_din99d, srgb_to_lab
from worker.engine.palette.contrast import stretch_lightness
from worker.engine.palette.histogram import BINS, Histogram, bins_of, histogram_of
from worker.errors import ArtworkError

WEIGHT = 1 << 24
"""What all pixels of one artwork count together."""
MOST_PIXELS = 1 << 20
"""Of a larger artwork every n-th pixel in both directions is counted."""
_VERSION = 1
_Kind = TypeVar("_Kind", np.uint8, np.bool_)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedPalette:
    """The colours of many artworks, and what was decided of all of them together.

    histogram : counts are weights, WEIGHT for each artwork. artworks : how many it was made of.
    count : how many clusters `clusters = auto` makes of it, None for none. clear : whether any has transparent places,
    so that their finish is needed on all.
    """

    histogram: Histogram
    artworks: int
    count: int | None
    clear: bool

    def check(self) -> None:
        """Raise ArtworkError where it holds no colour at all."""
        if not len(self.histogram.bins):
            raise ArtworkError(
                "The shared palette holds no colour: none of its artworks could be read.",
                mend="Mend the artworks, or let each have a palette of its own (palette = each).",
            )


class Gathering:
    """Colours of artworks, added one after the other in memory that does not grow."""

    def __init__(self) -> None:
        self.artworks = 0
        self.clear = False
        self._sums: Floats = np.zeros((BINS, 4))

    def add(self, srgb: Srgb, clear: npt.NDArray[np.bool_] | None, *, threads: int = 1) -> None:
        """Count an artwork: uint8 (H, W, 3), encoded sRGB, opaque; `clear`, bool (H, W), pixels that don't count."""
        srgb, thinned = thin(srgb, MOST_PIXELS), None if clear is None else thin(clear, MOST_PIXELS)
        groups = None if thinned is None else thinned.view(np.uint8)
        found = histogram_of(srgb, groups=groups, group=0, threads=threads)
        self.artworks += 1
        self.clear |= clear is not None and bool(clear.any())
        if not found.pixels:
            return
        weights = found.counts * (WEIGHT / found.pixels)
        self._sums[found.bins, 0] += weights
        self._sums[found.bins, 1:] += weights[:, None] * found.mean_srgb

    def histogram(self) -> Histogram:
        """The colours of all, each artwork with the same weight."""
        return _histogram(self._sums)


def apart_for(pixels: npt.NDArray[Any], most: int) -> int:
    """Every how many-th row and column leave at most about `most` pixels."""
    return max(1, math.ceil(math.sqrt(pixels.shape[0] * pixels.shape[1] / most)))


def thin(pixels: npt.NDArray[_Kind], most: int) -> npt.NDArray[_Kind]:
    """Every n-th row and column, so that at most about `most` pixels are left."""
    apart = apart_for(pixels, most)
    return np.ascontiguousarray(pixels[apart // 2 :: apart, apart // 2 :: apart]) if apart > 1 else pixels


def _histogram(sums: Floats) -> Histogram:
    """Of sums by bin, float64 (BINS, 4): weight, and weight times encoded sRGB."""
    bins = np.flatnonzero(sums[:, 0] > 0.0)
    mean = sums[bins, 1:] / sums[bins, :1]
    counts = np.maximum(np.rint(sums[bins, 0]), 1).astype(np.int64)
    return Histogram(bins=bins, counts=counts, mean_srgb=mean, lab=srgb_to_lab(mean))


def stretched_histogram(histogram: Histogram, slope: float, offset: float) -> Histogram:
    """The histogram of artworks whose lightness is stretched, from that of the artworks as they are.

    Each bin goes where its mean colour goes.
    """
    means = np.rint(histogram.mean_srgb).astype(np.uint8)[None]
    moved = stretch_lightness(means, slope, offset)[0].astype(np.int64)
    bins = bins_of(moved)
    sums = np.zeros((BINS, 4))
    np.add.at(sums[:, 0], bins, histogram.counts)
    for channel in range(3):
        np.add.at(sums[:, 1 + channel], bins, histogram.counts * moved[:, channel])
    return _histogram(sums)


def cluster_of_every_bin(histogram: Histogram, found: npt.NDArray[np.int64], lab: Floats) -> npt.NDArray[np.uint8]:
    """uint8 (BINS,): the cluster of each bin; of those that hold no colour, the nearest by DIN99d.

    found : int64 (m,), cluster of each bin of the histogram. lab : float64 (k, 3), the clusters' colours.
    """
    index = np.arange(BINS)
    middles = np.stack([(index >> 10) * 8 + 3.5, ((index >> 5) & 31) * 8 + 3.5, (index & 31) * 8 + 3.5], axis=1)
    points, centres = lab_to_din99d(srgb_to_lab(middles)), lab_to_din99d(lab)
    distances = np.stack([((points - centre) ** 2).sum(axis=1) for centre in centres], axis=1)
    nearest: npt.NDArray[np.uint8] = distances.argmin(axis=1).astype(np.uint8)
    nearest[histogram.bins] = found
    return nearest


def write_palette(palette: SharedPalette) -> bytes:
    """A shared palette as a file: NumPy arrays in a ZIP."""
    about = {"version": _VERSION, "artworks": palette.artworks, "count": palette.count, "clear": palette.clear}
    out = io.BytesIO()
    np.savez_compressed(
        out,
        about=np.frombuffer(json.dumps(about).encode(), dtype=np.uint8),
        bins=palette.histogram.bins.astype(np.uint16),
        counts=palette.histogram.counts,
        mean_srgb=palette.histogram.mean_srgb,
    )
    return out.getvalue()


def read_palette(data: bytes) -> SharedPalette:
    """What `write_palette` wrote. Raises ArtworkError."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as kept:
            about = json.loads(kept["about"].tobytes())
            mean = kept["mean_srgb"]
            histogram = Histogram(
                bins=kept["bins"].astype(np.int64), counts=kept["counts"], mean_srgb=mean, lab=srgb_to_lab(mean)
            )
        if about["version"] != _VERSION:
            raise ValueError(f"its version is {about['version']}")
        return SharedPalette(
            histogram=histogram, artworks=about["artworks"], count=about["count"], clear=about["clear"]
        )
    except (KeyError, ValueError, OSError, zipfile.BadZipFile) as error:
        raise ArtworkError(
            f"The shared palette can't be read: {error}.", mend="Ask for the collection again."
        ) from error
