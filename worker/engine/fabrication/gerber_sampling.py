"""A very large Gerber file, cut down to what can be seen in a window, so that a slow reader can read it there.

The file itself is cut, not what it was written from: so a wrong coordinate in it counts where it leads. A command is
left out only where it can't be seen: a flash out of reach, an area whose box misses the window, and of other areas the
corners of which both neighbours lie beyond the same side of the window (what they enclose lies beyond it, too).
Everything else stays, in its order. On the way every command of the whole file is checked for its form.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import Bytes
from worker.engine.fabrication.grid import NM_PER_MM
from worker.errors import ProofError

Boxes = npt.NDArray[np.int64]

STATE, FLASH, AREA, ROUND = 0, 1, 2, 3
"""Kinds of commands."""
_X, _Y, _D, _G, _M, _PERCENT, _STAR, _LINE, _MINUS = 88, 89, 68, 71, 77, 37, 42, 10, 45
_APERTURE = re.compile(rb"%ADD(\d+)(?:R,([0-9.]+)X([0-9.]+)|C,([0-9.]+))\*%")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScannedGerber:
    """Where each of N commands, flashes or areas stands in a file.

    data : uint8 (n,). kinds : uint8 (N,), 0 for what must stay, 1 for a flashed rectangle, 2 for an area, 3 for a
    flashed disc. starts : int64 (N + 1,). boxes : int64 (N, 4), left, low, right, high in nm.
    """

    data: Bytes
    kinds: Bytes
    starts: npt.NDArray[np.int64]
    boxes: Boxes

    @property
    def extent_nm(self) -> tuple[int, int, int, int] | None:
        """The box round all flashes and areas; None where there are none."""
        drawn = self.kinds != STATE
        if not drawn.any():
            return None
        boxes = self.boxes[drawn]
        low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def scan_gerber(data: bytes, *, name: str) -> ScannedGerber:
    """Find every command of a file as we write them. ProofError, with the place, where one has another form."""
    array = np.frombuffer(data, np.uint8)
    most = data.count(b"D03*\n") + data.count(b"G36*\n") + data.count(b"*%\n") + data.count(b"D02*\n") + 10_000
    kinds, starts, boxes = np.zeros(most, np.uint8), np.zeros(most + 1, np.int64), np.zeros((most, 4), np.int64)
    count, fault = _scan(array, _half_sizes(data), kinds, starts, boxes)
    if fault >= 0:
        line = data.count(b"\n", 0, fault) + 1
        text = data[fault : fault + 40].split(b"\n")[0].decode("ascii", "replace")
        raise ProofError(
            f"{name}, line {line}: {text!r} is not a command as it should be there.",
            mend="Please report it, with the artwork and the settings.",
        )
    return ScannedGerber(
        data=array,
        kinds=kinds[:count].copy(),
        starts=starts[: count + 1].copy(),
        boxes=boxes[:count].copy(),
    )


def _half_sizes(data: bytes) -> Boxes:
    """int64 (A, 2): half the width and height of each rectangle by its aperture's number, in nm; of a disc its radius
    and the same below 0; 0 for all others."""
    found = _APERTURE.findall(data[:200_000])
    out = np.zeros((max((int(number) for number, *_ in found), default=0) + 1, 2), np.int64)
    for number, width, height, disc in found:
        sizes = (float(disc), -float(disc)) if disc else (float(width), float(height))
        out[int(number)] = [round(size * NM_PER_MM / 2) for size in sizes]
    return out


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _end_of_line(data: Bytes, n: int) -> int:
    """The place behind the line's end; -1 where the file ends without one."""
    while n < len(data):
        if data[n] == _LINE:
            return n + 1
        n += 1
    return -1


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _whole(data: Bytes, n: int) -> tuple[int, int]:
    """A whole number at n, and the place behind it; -1 for the place where there is none."""
    sign = 1
    if n < len(data) and data[n] == _MINUS:
        sign = -1
        n += 1
    begin, value = n, 0
    while n < len(data) and 48 <= data[n] <= 57:
        value = value * 10 + (data[n] - 48)
        n += 1
    return sign * value, (n if begin < n <= begin + 15 else -1)


@njit(cache=True, nogil=True, error_model="numpy")
def operation(data: Bytes, n: int) -> tuple[int, int, int, int]:
    """x, y and D code of a line "X..Y..D0n*", and the place behind it; -1 for the place where it has another form."""
    if n >= len(data) or data[n] != _X:
        return 0, 0, 0, -1
    x, n = _whole(data, n + 1)
    if n < 0 or data[n] != _Y:
        return 0, 0, 0, -1
    y, n = _whole(data, n + 1)
    if n < 0 or n + 4 >= len(data) or data[n] != _D or data[n + 1] != 48:
        return 0, 0, 0, -1
    code = data[n + 2] - 48
    if not 1 <= code <= 3 or data[n + 3] != _STAR or data[n + 4] != _LINE:
        return 0, 0, 0, -1
    return x, y, int(code), n + 5


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def is_region_code(data: Bytes, n: int, last: int) -> bool:
    """Whether "G36*" or "G37*" stands there, as a line."""
    return (
        n + 4 < len(data)
        and data[n] == _G
        and data[n + 1] == 51
        and data[n + 2] == last
        and data[n + 3] == _STAR
        and data[n + 4] == _LINE
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _area_end(data: Bytes, n: int, box: npt.NDArray[np.int64]) -> int:
    """Read an area's commands from behind its G36 to behind its G37 and fill its box; -1 where it isn't closed."""
    first_x, first_y, code, n = operation(data, n)
    if n < 0 or code != 2:
        return -1
    x, y, corners = first_x, first_y, 0
    box[0], box[1], box[2], box[3] = x, y, x, y
    while not is_region_code(data, n, 55):
        x, y, code, n = operation(data, n)
        if n < 0 or code != 1:
            return -1
        corners += 1
        box[0], box[1], box[2], box[3] = min(box[0], x), min(box[1], y), max(box[2], x), max(box[3], y)
    return n + 5 if x == first_x and y == first_y and corners >= 3 else -1


@njit(cache=True, nogil=True, error_model="numpy")
def _scan(data: Bytes, halves: Boxes, kinds: Bytes, starts: npt.NDArray[np.int64], boxes: Boxes) -> tuple[int, int]:
    """How many commands there are, and where a fault is, or -1."""
    n, count, aperture = 0, 0, -1
    while n < len(data):
        begin = n
        if count >= len(kinds):
            return count, begin
        starts[count] = begin
        if data[n] == _X:
            x, y, code, n = operation(data, n)
            if n < 0 or code != 3 or not 0 <= aperture < len(halves) or halves[aperture, 0] == 0:
                return count, begin
            kinds[count] = FLASH if halves[aperture, 1] > 0 else ROUND
            half_x, half_y = halves[aperture, 0], abs(halves[aperture, 1])
            boxes[count, 0], boxes[count, 1] = x - half_x, y - half_y
            boxes[count, 2], boxes[count, 3] = x + half_x, y + half_y
        elif is_region_code(data, n, 54):
            kinds[count] = AREA
            n = _area_end(data, n + 5, boxes[count])
            if n < 0:
                return count, begin
        else:
            n = _end_of_line(data, n)
            if n < 0 or (data[begin] != _PERCENT and data[begin] != _G and data[begin] != _D and data[begin] != _M):
                return count, begin
            if data[begin] == _D:
                aperture, _ = _whole(data, begin + 1)
        count += 1
    starts[count] = n
    return count, -1


def cut_to_window(scanned: ScannedGerber, box_nm: tuple[int, int, int, int]) -> bytes:
    """The file without what can't be seen in a box: left, low, right, high in nm."""
    boxes = scanned.boxes
    stays = (scanned.kinds == STATE) | (
        (boxes[:, 0] <= box_nm[2])
        & (boxes[:, 2] >= box_nm[0])
        & (boxes[:, 1] <= box_nm[3])
        & (boxes[:, 3] >= box_nm[1])
    )
    chosen = np.flatnonzero(stays)
    sizes = scanned.starts[chosen + 1] - scanned.starts[chosen]
    out = np.empty(int(sizes.sum()), np.uint8)
    n = _cut(scanned.data, scanned.kinds, scanned.starts, chosen, np.array(box_nm, np.int64), out)
    return out[:n].tobytes()


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _copy(data: Bytes, first: int, past: int, out: Bytes, n: int) -> int:
    for i in range(first, past):
        out[n + i - first] = data[i]
    return n + past - first


@njit(cache=True, nogil=True, error_model="numpy")
def _cut(
    data: Bytes,
    kinds: Bytes,
    starts: npt.NDArray[np.int64],
    chosen: npt.NDArray[np.int64],
    box: npt.NDArray[np.int64],
    out: Bytes,
) -> int:
    n = 0
    for i in chosen:
        if kinds[i] != AREA:
            n = _copy(data, starts[i], starts[i + 1], out, n)
        else:
            n = _cut_area(data, starts[i], starts[i + 1], box, out, n)
    return n


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _beyond(x: int, y: int, box: npt.NDArray[np.int64]) -> int:
    """The sides of the box that a point lies beyond, as bits."""
    return int(x < box[0]) + 2 * int(y < box[1]) + 4 * int(x > box[2]) + 8 * int(y > box[3])


@njit(cache=True, nogil=True, error_model="numpy")
def _cut_area(data: Bytes, begin: int, end: int, box: npt.NDArray[np.int64], out: Bytes, n: int) -> int:
    """An area's commands, without corners that lie, with the last one kept and the next one, beyond one side."""
    x, y, _, place = operation(data, begin + 5)
    n = _copy(data, begin, place, out, n)
    kept = _beyond(x, y, box)
    x, y, _, following = operation(data, place)
    here = _beyond(x, y, box)
    while not is_region_code(data, following, 55):
        x, y, _, after = operation(data, following)
        there = _beyond(x, y, box)
        if not kept & here & there:
            n = _copy(data, place, following, out, n)
            kept = here
        place, following, here = following, after, there
    n = _copy(data, place, following, out, n)
    return _copy(data, following, end, out, n)
