"""Gerber X2 files, as the Gerber Layer Format Specification (Ucamco) defines them, written by our own code.

One file for each layer: millimetres with six decimals, so every coordinate is a whole number of nanometres. Each ring
of a layer's contour is one region. Rings are painted by depth: outer ones dark, holes clear, islands dark again; so
there are no cut-ins, whose two edges might part in rounding. A rectangle that occurs often is a flash, which takes a
fifth of the bytes.

Everything is drawn with straight lines; an arc never occurs. Nothing is drawn with strokes but profile and scores.

Art copper has the aperture function NonConductor: copper with no electrical function. Which file is for which layer
stands in the file itself (`FileFunction`), not in its name alone. The solder mask's file draws the openings and says so
by `FilePolarity,Negative`; the attribute states, it inverts nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.contours import Bytes, Ints
from worker.engine.fabrication.digits import MOST_BYTES, mm_text, put_integer
from worker.engine.fabrication.file_attributes import Polarity, Project, field_text, file_attributes
from worker.engine.fabrication.grid import Points, x_nm, y_nm
from worker.engine.fabrication.rings import CHUNK_POINTS, Rings, put_ring, room_for
from worker.errors import SettingsError

PROFILE_LINE_NM = 100_000
"""Width of the line that draws the profile. The board's edge is its middle."""

_LEAST_FLASHES = 4  # of one size; below that, defining an aperture gains little
_MOST_APERTURES = 100
_FIRST_APERTURE = 10  # the specification reserves D00 to D09
_X, _Y, _D, _STAR, _LINE = 88, 89, 68, 42, 10


def gerber_header(project: Project, function: str, polarity: Polarity | None, comment: str) -> str:
    """The lines that a file begins with: a comment, its attributes, format and unit."""
    lines = [f"G04 {_comment(comment)}*"]
    lines += ["%TF." + ",".join(row) + "*%" for row in file_attributes(project, function, polarity)]
    lines += ["%FSLAX46Y46*%", "%MOMM*%", "G75*", "G01*"]
    return "\n".join(lines) + "\n"


def _comment(text: str) -> str:
    return field_text(text).replace("\\u002C", ",")


def gerber_layer(
    rings: Rings,
    *,
    function: str,
    polarity: Polarity,
    project: Project,
    aperture_function: str | None = None,
    comment: str = "",
) -> Iterator[bytes]:
    """A layer's file, in pieces of about a megabyte.

    Parameters
    ----------
    rings : of the layer: of the openings, for a solder mask.
    function : value of .FileFunction, such as "Copper,L1,Top".
    polarity : value of .FilePolarity: "Negative" for a solder mask, else "Positive".
    aperture_function : value of .AperFunction, for all of the layer: "NonConductor" for art copper.
    """
    yield gerber_header(project, function, polarity, comment or function).encode("ascii")
    if aperture_function:
        yield f"%TA.AperFunction,{aperture_function}*%\n".encode("ascii")
    boxes, sizes, codes = _flashes(rings)
    for i, (width, height) in enumerate(sizes):
        yield f"%ADD{_FIRST_APERTURE + i}R,{mm_text(width)}X{mm_text(height)}*%\n".encode("ascii")
    if not sizes:  # a file of regions needs none, but some readers take one without for the old format that lacks them
        yield f"%ADD{_FIRST_APERTURE}C,{mm_text(PROFILE_LINE_NM)}*%\n".encode("ascii")
    yield b"%LPD*%\n"
    bounds = np.flatnonzero(np.diff(rings.depths, prepend=-1, append=-1))
    dark = True
    for first, past in pairwise(bounds):
        if (rings.depths[first] % 2 == 0) != dark:
            dark = not dark
            yield b"%LPD*%\n" if dark else b"%LPC*%\n"
        yield from _group(rings, int(first), int(past), boxes, codes)
    yield b"M02*\n"


def _group(rings: Rings, first: int, past: int, boxes: Ints, codes: Ints) -> Iterator[bytes]:
    """The rings of one depth: flashes by aperture, then regions."""
    grid = rings.contours.grid
    mine = codes[first:past]
    for code in np.unique(mine[mine >= 0]):
        yield f"D{_FIRST_APERTURE + code}*\n".encode("ascii")
        chosen = first + np.flatnonzero(mine == code)
        for begin in range(0, len(chosen), CHUNK_POINTS):
            yield _flash_bytes(boxes, chosen[begin : begin + CHUNK_POINTS], grid.height_px, grid.pitch_nm).tobytes()
    regions = first + np.flatnonzero(mine < 0)
    for some in rings.in_chunks(regions):
        yield _region_bytes(
            rings.arcs, rings.starts, some, rings.contours.points, rings.contours.starts, grid.height_px, grid.pitch_nm
        ).tobytes()


def _flashes(rings: Rings) -> tuple[Ints, list[tuple[int, int]], Ints]:
    """The box of each ring that is a rectangle, the sizes (nm) that become apertures, and each ring's, or -1."""
    contours = rings.contours
    boxes = _rectangles(rings.arcs, rings.starts, contours.points, contours.starts, contours.grid.pitch_nm)
    codes = np.full(len(rings), -1, np.int32)
    spans = boxes[:, 2:] - boxes[:, :2]
    sizes, inverse, counts = np.unique(spans, axis=0, return_inverse=True, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    often = [i for i in order if counts[i] >= _LEAST_FLASHES and sizes[i, 0] > 0][:_MOST_APERTURES]
    code_of = np.full(len(sizes), -1, np.int32)
    code_of[often] = np.arange(len(often))
    if len(rings):
        codes = code_of[inverse.reshape(-1)]
    pitch = contours.grid.pitch_nm
    return boxes, [(int(sizes[i, 0]) * pitch, int(sizes[i, 1]) * pitch) for i in often], codes


@njit(cache=True, nogil=True, error_model="numpy")
def _rectangles(
    arcs: Ints, starts: npt.NDArray[np.int64], points: Ints, arc_starts: npt.NDArray[np.int64], pitch_nm: int
) -> Ints:
    """Left, top, right, bottom of every ring that is an upright rectangle with its centre on whole nm; else 0."""
    boxes = np.zeros((len(starts) - 1, 4), np.int32)
    for ring in range(len(boxes)):
        first = points[arc_starts[arcs[starts[ring]] >> 1]]
        low_x, high_x, low_y, high_y = first[0], first[0], first[1], first[1]
        twice_area, upright = 0, True
        for i in range(starts[ring], starts[ring + 1]):
            arc = arcs[i] >> 1
            sign = -1 if arcs[i] & 1 else 1
            for k in range(arc_starts[arc], arc_starts[arc + 1] - 1):
                x, y, next_x, next_y = points[k, 0], points[k, 1], points[k + 1, 0], points[k + 1, 1]
                upright &= x == next_x or y == next_y
                twice_area += sign * (np.int64(x) * next_y - np.int64(next_x) * y)
                low_x, high_x = min(low_x, x, next_x), max(high_x, x, next_x)
                low_y, high_y = min(low_y, y, next_y), max(high_y, y, next_y)
            if not upright:
                break
        # A simple upright ring that fills its box is the box.
        full = abs(twice_area) == 2 * np.int64(high_x - low_x) * np.int64(high_y - low_y)
        whole = (low_x + high_x) * pitch_nm % 2 == 0 and (low_y + high_y) * pitch_nm % 2 == 0
        if upright and full and whole:
            boxes[ring, 0], boxes[ring, 1], boxes[ring, 2], boxes[ring, 3] = low_x, low_y, high_x, high_y
    return boxes


@njit(cache=True, nogil=True, error_model="numpy")
def _put_operation(out: Bytes, n: int, x: int, y: int, code: int) -> int:
    """X, Y and D01, D02 or D03, as one line."""
    out[n] = _X
    n = put_integer(out, n + 1, x)
    out[n] = _Y
    n = put_integer(out, n + 1, y)
    out[n], out[n + 1], out[n + 2], out[n + 3], out[n + 4] = _D, 48, 48 + code, _STAR, _LINE
    return n + 5


@njit(cache=True, nogil=True, error_model="numpy")
def _flash_bytes(boxes: Ints, chosen: npt.NDArray[np.int64], height_px: int, pitch_nm: int) -> Bytes:
    out = np.empty(len(chosen) * (2 * MOST_BYTES + 8), np.uint8)
    n = 0
    for ring in chosen:
        x = (x_nm(boxes[ring, 0], pitch_nm) + x_nm(boxes[ring, 2], pitch_nm)) // 2
        y = (y_nm(boxes[ring, 1], height_px, pitch_nm) + y_nm(boxes[ring, 3], height_px, pitch_nm)) // 2
        n = _put_operation(out, n, x, y, 3)
    return out[:n]


@njit(cache=True, nogil=True, error_model="numpy")
def _region_bytes(
    arcs: Ints,
    starts: npt.NDArray[np.int64],
    chosen: npt.NDArray[np.int64],
    points: Ints,
    arc_starts: npt.NDArray[np.int64],
    height_px: int,
    pitch_nm: int,
) -> Bytes:
    total, longest = room_for(arcs, starts, chosen, arc_starts)
    out = np.empty((total + len(chosen)) * (2 * MOST_BYTES + 8) + len(chosen) * 10, np.uint8)
    ring_of = np.empty((longest, 2), np.int32)
    n = 0
    for ring in chosen:
        n = _put_region_code(out, n, 54)
        size = put_ring(arcs, starts[ring], starts[ring + 1], points, arc_starts, ring_of)
        for i in range(size + 1):
            point = ring_of[i % size]
            x, y = x_nm(point[0], pitch_nm), y_nm(point[1], height_px, pitch_nm)
            n = _put_operation(out, n, x, y, 2 if i == 0 else 1)
        n = _put_region_code(out, n, 55)
    return out[:n]


@njit(cache=True, nogil=True, error_model="numpy")
def _put_region_code(out: Bytes, n: int, last: int) -> int:
    """G36* or G37* as one line."""
    out[n], out[n + 1], out[n + 2], out[n + 3], out[n + 4] = 71, 51, last, _STAR, _LINE
    return n + 5


def gerber_profile(outlines: Sequence[Points], *, project: Project, comment: str = "") -> bytes:
    """The profile's file: each outline a closed line, thin and never filled. SettingsError where one is no outline."""
    text = gerber_header(project, "Profile,NP", "Positive", comment or "Profile")
    text += f"%TA.AperFunction,Profile*%\n%ADD{_FIRST_APERTURE}C,{mm_text(PROFILE_LINE_NM)}*%\n%TD*%\n"
    text += f"%LPD*%\nD{_FIRST_APERTURE}*\n"
    lines = []
    for outline in outlines:
        closed = closed_outline(outline)
        lines += [f"X{x}Y{y}D0{1 if i else 2}*" for i, (x, y) in enumerate(closed.tolist())]
    return (text + "\n".join([*lines, "M02*"]) + "\n").encode("ascii")


def gerber_scores(lines: Sequence[Points], *, function: str, project: Project) -> bytes:
    """The file of the lines that are scored: each one straight stroke, int64 (2, 2) in nm, whose middle counts."""
    text = gerber_header(project, function, "Positive", "Lines to score, from both faces")
    text += f"%ADD{_FIRST_APERTURE}C,{mm_text(PROFILE_LINE_NM)}*%\n%LPD*%\nD{_FIRST_APERTURE}*\n"
    strokes = [f"X{x}Y{y}D02*\nX{to_x}Y{to_y}D01*" for (x, y), (to_x, to_y) in (line.tolist() for line in lines)]
    return (text + "\n".join([*strokes, "M02*"]) + "\n").encode("ascii")


def closed_outline(outline: Points) -> Points:
    """An outline that ends in its first point, with no point twice in a row. SettingsError below three points."""
    following = np.roll(outline, -1, axis=0)
    distinct = outline[(outline != following).any(axis=1)]
    if len(distinct) < 3:
        raise SettingsError(
            f"An outline has {len(distinct)} points.", mend="The board's outline and its cut-outs need three or more."
        )
    return np.concatenate([distinct, distinct[:1]])
