"""A picture of few colours, kept as what it is painted from: a third of its size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from worker.engine.arrays import Labels, Srgb, read_only
from worker.engine.threads import run_all, shared_strips


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Painted:
    """Labels in colours.

    labels : uint8 (H, W). colours : uint8 (256, 3), encoded sRGB, the colour of each label.
    """

    labels: Labels
    colours: Srgb

    @property
    def shape(self) -> tuple[int, int, int]:
        """That of the picture."""
        return (*self.labels.shape, 3)

    def srgb(self, *, threads: int = 1) -> Srgb:
        """The picture: uint8 (H, W, 3), encoded sRGB."""
        out = np.empty(self.shape, dtype=np.uint8)
        labels = read_only(self.labels)
        run_all(lambda a, b: _paint(labels, self.colours, a, b, out), shared_strips(len(labels), threads), threads)
        return out


PixelColours = Srgb | Painted
"""The encoded sRGB of each pixel: a picture, or what it is painted from."""


@njit(cache=True, nogil=True)
def _paint(labels, colours, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first, last):
        for x in range(labels.shape[1]):
            colour = colours[labels[y, x]]
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = colour[0], colour[1], colour[2]
