"""From an artwork file to mask files in strips: constant memory, whatever the size of the artwork.

Each artwork pixel is a board pixel, and goes straight to its nearest finish by exact CIEDE2000: no clusters, no
clean-up, no score. While one strip is decoded, the one before is looked up, packed to bits and deflated.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from isal import isal_zlib
from numba import njit

from worker.engine.arrays import Labels, Srgb
from worker.engine.artwork.strips import ArtworkStrips
from worker.engine.palette.colour_places import BLUE, GREEN, RED
from worker.engine.report.png import chunk, header

_AHEAD = 2
"""Strips decoded ahead of the one that is being written."""


@njit(cache=True, nogil=True)
def _planes(srgb, table, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Set the bit of each pixel in the plane of its finish; out (n, rows, 1 + bytes) comes zeroed."""
    for y in range(srgb.shape[0]):
        row = srgb[y]
        for x in range(row.shape[0]):
            label = table[RED[row[x, 0]] | GREEN[row[x, 1]] | BLUE[row[x, 2]]]
            out[label, y, 1 + (x >> 3)] |= np.uint8(128 >> (x & 7))


@dataclass(frozen=True, slots=True, kw_only=True)
class _MaskFile:
    """One growing PNG file."""

    out: BinaryIO
    deflate: isal_zlib.Compress

    def begin(self, width: int, height: int, pixels_per_metre: int) -> None:
        self.out.write(header(width, height, bits=1, colour_type=0, pixels_per_metre=pixels_per_metre))

    def add(self, rows: bytes | memoryview) -> None:
        data = self.deflate.compress(rows)
        if data:
            self.out.write(chunk(b"IDAT", data))

    def end(self) -> None:
        self.out.write(chunk(b"IDAT", self.deflate.flush()))
        self.out.write(chunk(b"IEND", b""))


def write_masks(
    artwork: ArtworkStrips, table: Labels, outputs: Mapping[int, BinaryIO], *, pitch_um: float, threads: int = 1
) -> list[int]:
    """Write one 1-bit PNG for each finish, white where the finish is.

    Parameters
    ----------
    table : uint8 (2^24,)
        Finish of each colour by place, from `nearest_finish_table`.
    outputs : binary file objects by finish index
        One for every index that the table holds.
    pitch_um : size of a pixel on the board.

    Returns
    -------
    Pixels of each finish, in the order of the indices 0, 1, ...

    Raises
    ------
    ArtworkError
        The file is damaged further down. What was written by then is of no use.
    """
    count = max(outputs) + 1
    files = {i: _MaskFile(out=out, deflate=isal_zlib.compressobj(1)) for i, out in outputs.items()}
    for file in files.values():
        file.begin(artwork.width_px, artwork.height_px, round(1e6 / pitch_um))
    totals = np.zeros(count, dtype=np.int64)
    row_bytes = 1 + -(-artwork.width_px // 8)

    def work(srgb: Srgb) -> None:
        planes = np.zeros((count, srgb.shape[0], row_bytes), dtype=np.uint8)
        _planes(srgb, table, planes)
        for i, file in files.items():
            file.add(planes[i].reshape(-1).data)
            totals[i] += int(np.bitwise_count(planes[i]).sum())

    if threads <= 1:
        for _, srgb in artwork.strips:
            work(srgb)
    else:
        _overlap(artwork.strips, work)
    for file in files.values():
        file.end()
    return [int(total) for total in totals]


def _overlap(strips: Iterator[tuple[int, Srgb]], work: object) -> None:
    """Work on one strip while the next is decoded; strips are worked on in order."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        waiting: list[Future[None]] = []
        for _, srgb in strips:
            waiting.append(pool.submit(work, srgb))  # type: ignore[arg-type]
            if len(waiting) > _AHEAD:
                waiting.pop(0).result()
        for done in waiting:
            done.result()
