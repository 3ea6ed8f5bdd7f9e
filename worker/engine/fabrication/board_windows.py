"""Windows on packed planes: what is to be done in few places of a board is done there, on copies, many at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects, label

from worker.engine.fabrication.bit_morphology import BLOCK, Bits, Region
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.threads import run_all

Planes = npt.NDArray[np.uint64]
"""uint64 (..., rows, words): one packed plane or more."""

FEW = 0.1
"""Share of a board's blocks up to which windows cost less than the whole."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """A rectangle of blocks. rows, words : of the packed planes. own : uint8 (strips, words), the blocks in it whose
    outcome counts; those around them are there to be looked at. threads : how many its work may use."""

    rows: slice
    words: slice
    own: Region
    threads: int = 1

    def cut(self, planes: Planes) -> Planes:
        """A copy of this part of the planes."""
        return planes[..., self.rows, self.words].copy()

    def cut_layers(self, bits: LayerBits) -> LayerBits:
        """The same of all layers. Their frame stays the board's."""
        return replace(
            bits,
            copper=self.cut(bits.copper),
            opening=self.cut(bits.opening),
            legend=self.cut(bits.legend),
            board=self.cut(bits.board),
            plated=None if bits.plated is None else self.cut(bits.plated),
            pads=None if bits.pads is None else self.cut(bits.pads),
            free=self.cut(bits.free),
            hatched=self.cut(bits.hatched),
        )

    def cut_region(self, region: Region) -> Region:
        """The same of a region of the board."""
        first = self.rows.start // BLOCK
        return region[first : first + self.own.shape[0], self.words].copy()

    def paste(self, planes: Planes, part: Planes) -> None:
        """Make the window's own blocks what they are in its part, in place."""
        inside = np.repeat(self.own != 0, BLOCK, axis=0)[: part.shape[-2]]
        planes[..., self.rows, self.words][..., inside] = part[..., inside]


def windows_on(region: Region, shape: tuple[int, int]) -> list[Window]:
    """One for each group of blocks that hang together, with one block more to every side."""
    numbers, _ = label(region, structure=np.ones((3, 3)))
    out = []
    for number, (strips, words) in enumerate(find_objects(numbers), start=1):
        first, last = max(strips.start - 1, 0), min(strips.stop + 1, region.shape[0])
        left, right = max(words.start - 1, 0), min(words.stop + 1, region.shape[1])
        out.append(
            Window(
                rows=slice(first * BLOCK, min(last * BLOCK, shape[0])),
                words=slice(left, right),
                own=(numbers[first:last, left:right] == number).astype(np.uint8),
            )
        )
    return out


def in_windows(
    work: Callable[[Window], Any], region: Region, shape: tuple[int, int], threads: int, *, splits: bool = False
) -> None:
    """Let `work` do each window of a region, the largest ones first.

    splits : work can use more than one thread. It gets all of them for a window so large that others would wait.
    """
    windows = sorted(windows_on(region, shape), key=lambda window: window.own.size, reverse=True)
    blocks = sum(window.own.size for window in windows)
    while splits and threads > 1 and windows and windows[0].own.size * threads > blocks:
        largest = windows.pop(0)
        blocks -= largest.own.size
        work(replace(largest, threads=threads))
    run_all(work, [(window,) for window in windows], threads)


def mask_of(region: Region, rows: int) -> Bits:
    """A packed plane of so many rows: all pixels of the region's blocks."""
    ones = region.astype(np.uint64) * np.uint64(0xFFFFFFFFFFFFFFFF)
    return np.repeat(ones, BLOCK, axis=0)[:rows]
