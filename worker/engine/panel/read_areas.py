"""Areas that a reader found, in order and in whole nanometres, moved as pieces are, to be compared as numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from worker.engine.fabrication.gerber_reader import ReadLayer
from worker.engine.fabrication.grid import NM_PER_MM, Points
from worker.engine.panel.placed import PlacedPiece

Bools = npt.NDArray[np.bool_]


class Areas:
    """Areas in the order in which they are painted, in whole nanometres."""

    def __init__(self) -> None:
        self.points: list[npt.NDArray[np.int64]] = []
        self.sizes: list[npt.NDArray[np.int64]] = []
        self.dark: list[Bools] = []

    @property
    def count(self) -> int:
        """How many."""
        return sum(map(len, self.sizes))

    def add(self, layer: ReadLayer, chosen: npt.NDArray[np.int64], piece: PlacedPiece | None) -> None:
        """Objects of a layer, moved as a piece is."""
        numbers = layer.areas[chosen]
        numbers, dark = numbers[numbers >= 0], layer.dark[chosen][numbers >= 0]
        first, past = layer.starts[numbers], layer.starts[numbers + 1]
        sizes = past - first
        total = int(sizes.sum())
        if not total:
            return
        begin = np.repeat(first - np.concatenate([[0], np.cumsum(sizes)[:-1]]), sizes)
        points = np.rint(layer.points[begin + np.arange(total)] * NM_PER_MM).astype(np.int64)
        self.points.append(points if piece is None else piece.move.points(points))
        self.sizes.append(sizes)
        self.dark.append(dark)

    def add_rings(self, rings: Sequence[Points], *, dark: bool) -> None:
        """Closed lines, as a reader gives them: the first point repeated at the end."""
        for ring in rings:
            self.points.append(np.concatenate([ring, ring[:1]]))
            self.sizes.append(np.array([len(ring) + 1], np.int64))
            self.dark.append(np.array([dark]))

    def same(self, other: Areas) -> bool:
        """Whether both have the same areas, in one order."""
        mine, others = self._whole(), other._whole()
        return all(np.array_equal(a, b) for a, b in zip(mine, others, strict=True))

    def first_difference(self, other: Areas) -> str:
        """Where they part, in words."""
        points, sizes, _ = self._whole()
        theirs, sizes_there, _ = other._whole()
        if not np.array_equal(sizes, sizes_there) or not len(points):
            return ""
        wrong = np.flatnonzero((points != theirs).any(axis=1))
        if not len(wrong):
            return "; polarities differ"
        x, y = theirs[wrong[0]] / NM_PER_MM
        return f"; the first difference is at {x:.6f}, {y:.6f} mm"

    def _whole(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Bools]:
        if not self.points:
            return np.zeros((0, 2), np.int64), np.zeros(0, np.int64), np.zeros(0, np.bool_)
        points, sizes = np.concatenate(self.points), np.concatenate(self.sizes)
        return _flashes_sorted(points, sizes), sizes, np.concatenate(self.dark)


def _flashes_sorted(points: npt.NDArray[np.int64], sizes: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """A flashed rectangle has its corners from where its reader begins, however it was turned: those are sorted."""
    out = points.copy()
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    for size in (4, 5):
        chosen = starts[sizes == size]
        corners = points[chosen[:, None] + np.arange(4)]
        order = np.lexsort((corners[..., 1], corners[..., 0]))
        out[chosen[:, None] + np.arange(4)] = np.take_along_axis(corners, order[..., None], axis=1)
        if size == 5:
            out[chosen + 4] = out[chosen]
    return out


def runs_of(dark: Bools) -> npt.NDArray[np.int64]:
    """The run of each object: how often the polarity has changed; the first is dark."""
    return np.asarray(np.cumsum(np.diff(dark.astype(np.int8), prepend=1) != 0), np.int64)
