"""A piece's layer file, laid on the panel again and again: every flash and area of it, turned and moved, nothing else.

The copies are plain. Step and repeat (SR) and block apertures (AB) would be shorter, but of two readers gerbonara 1.6
keeps one copy of an SR block, and neither it nor gerbv 2.9 knows AB: what readers lose is no way to order boards. A
copy's coordinates are the piece's own, in whole nanometres, and its objects keep their order.

A file paints in runs of one polarity, dark first. Run by run all pieces are painted, so that a panel's file changes
polarity as seldom as a piece's. Pieces never overlap, so one's clear areas take nothing from another.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import Bytes
from worker.engine.fabrication.digits import MOST_BYTES, put_integer
from worker.engine.fabrication.gerber_sampling import AREA, FLASH, STATE, is_region_code, operation, scan_gerber
from worker.engine.fabrication.grid import NM_PER_MM
from worker.engine.panel.placed import Move

Size = tuple[int, int]
"""Width and height of a rectangle that is flashed, in nm."""
_RECTANGLE = re.compile(rb"%ADD(\d+)R,([0-9.]+)X([0-9.]+)\*%")
_D, _L, _P, _PERCENT, _DARK, _STAR, _LINE = 68, 76, 80, 37, 68, 42, 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepLayer:
    """A layer's file as it can be stepped.

    kinds, starts : of its commands, as `scan_gerber` gives them. runs : int32 (N,), the run of each command; even ones
    are dark. apertures : int32 (N,), the aperture that a flash uses. sizes : of the apertures, by number. boxes : int64
    (N, 4) nm, of each flash or area.
    """

    data: Bytes
    kinds: Bytes
    starts: npt.NDArray[np.int64]
    runs: npt.NDArray[np.int32]
    apertures: npt.NDArray[np.int32]
    sizes: dict[int, Size]
    boxes: npt.NDArray[np.int64]

    @property
    def corners(self) -> int:
        """How many coordinates it has."""
        data = self.data.tobytes()
        return data.count(b"D01*") + data.count(b"D03*")

    @property
    def run_count(self) -> int:
        """How often its polarity changes, and once more; 0 where it draws nothing."""
        drawn = self.runs[self.kinds != STATE]
        return int(drawn.max()) + 1 if len(drawn) else 0

    def used_sizes(self, turn: int) -> set[Size]:
        """Sizes of all flashes, as they lie after a quarter turn or two."""
        used = np.unique(self.apertures[self.kinds == FLASH])
        return {_turned(self.sizes[int(number)], turn) for number in used}


def read_steps(data: bytes, *, name: str) -> StepLayer:
    """A layer's file as our own writer makes it. ProofError where it has another form."""
    scanned = scan_gerber(data, name=name)
    runs, apertures = _runs(scanned.data, scanned.kinds, scanned.starts)
    sizes = {
        int(number): (round(float(width) * NM_PER_MM), round(float(height) * NM_PER_MM))
        for number, width, height in _RECTANGLE.findall(data[:200_000])
    }
    return StepLayer(
        data=scanned.data,
        kinds=scanned.kinds,
        starts=scanned.starts,
        runs=runs,
        apertures=apertures,
        sizes=sizes,
        boxes=scanned.boxes,
    )


def sides_of(layer: StepLayer) -> npt.NDArray[np.int64]:
    """int64 (n, 4) nm: both ends of every side of all areas and flashes."""
    box = layer.boxes[layer.kinds == FLASH]
    sides = _sides(layer.data, layer.kinds, layer.starts)
    return np.concatenate([sides, *(box[:, ends] for ends in ([0, 1, 2, 1], [2, 1, 2, 3], [2, 3, 0, 3], [0, 3, 0, 1]))])


def _turned(size: Size, turn: int) -> Size:
    return (size[1], size[0]) if turn % 2 else size


def step_runs(layers: Sequence[tuple[StepLayer, Move]], numbers: dict[Size, int]) -> Iterator[tuple[bool, bytes]]:
    """Run by run: whether it is dark, and what it draws of every piece. `numbers` : the panel's apertures by size."""
    for run in range(max((layer.run_count for layer, _ in layers), default=0)):
        yield run % 2 == 0, b"".join(_stepped(layer, move, run, numbers) for layer, move in layers)


def _stepped(layer: StepLayer, move: Move, run: int, numbers: dict[Size, int]) -> bytes:
    mapped = np.zeros(max(layer.sizes, default=0) + 1, np.int32)
    for number, size in layer.sizes.items():
        mapped[number] = numbers.get(_turned(size, move.turn), 0)
    chosen = np.flatnonzero((layer.runs == run) & (layer.kinds != STATE))
    # A moved number has at most 15 digits and a sign more than its text, twice in a command of 12 bytes or more.
    text = int((layer.starts[chosen + 1] - layer.starts[chosen]).sum())
    room = text * 4 + len(chosen) * (2 * MOST_BYTES + 20) + 64
    out = np.empty(room, np.uint8)
    n = _step(
        layer.data,
        layer.kinds,
        layer.starts,
        layer.apertures,
        mapped,
        chosen,
        move.turn,
        move.x_nm,
        move.y_nm,
        out,
    )
    return out[:n].tobytes()


@njit(cache=True, nogil=True, error_model="numpy")
def _runs(
    data: Bytes, kinds: Bytes, starts: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    runs, apertures = np.zeros(len(kinds), np.int32), np.zeros(len(kinds), np.int32)
    run, aperture, dark = 0, 0, True
    for i in range(len(kinds)):
        n = starts[i]
        if kinds[i] == STATE:
            if data[n] == _PERCENT and data[n + 1] == _L and data[n + 2] == _P:
                now = data[n + 3] == _DARK
                if now != dark:
                    run += 1
                    dark = now
            elif data[n] == _D:
                aperture = 0
                n += 1
                while data[n] != _STAR:
                    aperture = aperture * 10 + (data[n] - 48)
                    n += 1
        runs[i], apertures[i] = run, aperture
    return runs, apertures


@njit(cache=True, nogil=True, error_model="numpy")
def _sides(data: Bytes, kinds: Bytes, starts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    out = np.empty((len(data) // 8 + 1, 4), np.int64)
    count = 0
    for i in range(len(kinds)):
        if kinds[i] != AREA:
            continue
        x, y, _, place = operation(data, starts[i] + 5)
        while not is_region_code(data, place, 55):
            out[count, 0], out[count, 1] = x, y
            x, y, _, place = operation(data, place)
            out[count, 2], out[count, 3] = x, y
            count += 1
    return out[:count].copy()


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _moved(x: int, y: int, turn: int, dx: int, dy: int) -> tuple[int, int]:
    if turn == 1:
        x, y = -y, x
    elif turn == 2:
        x, y = -x, -y
    elif turn == 3:
        x, y = y, -x
    return x + dx, y + dy


@njit(cache=True, nogil=True, error_model="numpy")
def _put(out: Bytes, n: int, x: int, y: int, code: int) -> int:
    out[n] = 88
    n = put_integer(out, n + 1, x)
    out[n] = 89
    n = put_integer(out, n + 1, y)
    out[n], out[n + 1], out[n + 2], out[n + 3], out[n + 4] = _D, 48, 48 + code, _STAR, _LINE
    return n + 5


@njit(cache=True, nogil=True, error_model="numpy")
def _step(
    data: Bytes,
    kinds: Bytes,
    starts: npt.NDArray[np.int64],
    apertures: npt.NDArray[np.int32],
    mapped: npt.NDArray[np.int32],
    chosen: npt.NDArray[np.int64],
    turn: int,
    dx: int,
    dy: int,
    out: Bytes,
) -> int:
    n, aperture = 0, -1
    for i in chosen:
        place = starts[i]
        if kinds[i] == AREA:
            for k in range(5):
                out[n + k] = data[place + k]
            n, place = n + 5, place + 5
            while not is_region_code(data, place, 55):
                x, y, code, place = operation(data, place)
                x, y = _moved(x, y, turn, dx, dy)
                n = _put(out, n, x, y, code)
            for k in range(5):
                out[n + k] = data[place + k]
            n += 5
        else:
            if mapped[apertures[i]] != aperture:
                aperture = mapped[apertures[i]]
                out[n] = _D
                n = put_integer(out, n + 1, aperture)
                out[n], out[n + 1] = _STAR, _LINE
                n += 2
            x, y, code, place = operation(data, place)
            x, y = _moved(x, y, turn, dx, dy)
            n = _put(out, n, x, y, code)
    return n
