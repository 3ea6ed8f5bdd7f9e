"""Profile, scores and drill files, read back, against what they were written from: as numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.fabrication.board import ring_area
from worker.engine.fabrication.drill import DrilledHole
from worker.engine.fabrication.gerber import closed_outline
from worker.engine.fabrication.gerber_reader import ReadHole, ReadLayer, read_drill
from worker.engine.fabrication.grid import NM_PER_MM, Points, nanometres
from worker.errors import ProofError
from worker.outlines import circle_points, slot_points

_MEND = "Nothing was published. Please report it, with the artwork and the settings."
Ring = tuple[tuple[int, int], ...]


def check_profile(read: ReadLayer, outlines: Sequence[Points]) -> list[list[tuple[int, int]]]:
    """The profile's closed lines: the outlines, and nothing else. ProofError where it differs."""
    if read.regions or read.flashes or len(read.lines) != len(read.boxes):
        raise ProofError(f"{read.name} draws more than lines: a profile is never filled.", mend=_MEND)
    widths = set(read.lines[:, 4].tolist())
    if len(widths) != 1:
        raise ProofError(f"{read.name} draws lines of {len(widths)} widths.", mend=_MEND)
    lines = closed_lines(read)
    found = Counter(_ring(points) for points in lines)
    wanted = Counter(_ring([(int(x), int(y)) for x, y in closed_outline(outline)[:-1]]) for outline in outlines)
    if found != wanted:
        raise ProofError(
            f"{read.name}, read back, has {found.total()} closed lines, of which "
            f"{(found & wanted).total()} are among the board's {wanted.total()} outlines.",
            mend=_MEND,
        )
    return lines


def check_scores(read: ReadLayer, scores: Sequence[Points]) -> int:
    """How many lines to score there are: these and nothing else. ProofError where it differs."""
    if read.regions or read.flashes or len(read.lines) != len(read.boxes):
        raise ProofError(f"{read.name} draws more than lines.", mend=_MEND)
    ends = np.rint(read.lines[:, :4] * NM_PER_MM).astype(np.int64).reshape(-1, 2, 2).tolist()
    found = Counter(tuple(sorted(map(tuple, line))) for line in ends)
    wanted = Counter(tuple(sorted(map(tuple, line.tolist()))) for line in scores)
    if found != wanted:
        raise ProofError(
            f"{read.name}, read back, has {found.total()} lines, of which {(found & wanted).total()} are among the "
            f"board's {wanted.total()} scores.",
            mend=_MEND,
        )
    return found.total()


def closed_lines(read: ReadLayer) -> list[list[tuple[int, int]]]:
    """The lines of a profile, chained, in nm, the first point not repeated. ProofError where one is open."""
    chains: list[list[tuple[int, int]]] = []
    ends = np.rint(read.lines[:, :4] * NM_PER_MM).astype(np.int64)
    current: list[tuple[int, int]] = []
    for x, y, to_x, to_y in ends.tolist():
        if not current:
            current = [(x, y)]
        elif current[-1] != (x, y):
            raise ProofError(
                f"{read.name}: a line ends at {current[-1][0] / NM_PER_MM:.6g}, {current[-1][1] / NM_PER_MM:.6g} mm "
                "with none going on from there.",
                mend=_MEND,
            )
        current.append((to_x, to_y))
        if current[-1] == current[0]:
            chains.append(current[:-1])
            current = []
    if current:
        raise ProofError(f"{read.name}: the last line is not closed.", mend=_MEND)
    return chains


def _ring(points: list[tuple[int, int]]) -> Ring:
    """A closed line whatever its first point and direction: from its least point on, towards the lesser neighbour."""
    least = points.index(min(points))
    forward = points[least:] + points[:least]
    backward = [forward[0], *forward[:0:-1]]
    return tuple(min(forward, backward))


def check_drill(data: bytes, name: str, function: str, holes: Sequence[DrilledHole]) -> tuple[ReadHole, ...]:
    """The holes and slots of a drill file: all of its kind, and nothing else. ProofError where it differs."""
    read = read_drill(data, name=name)
    if read.function != function:
        raise ProofError(f"{name} says {read.function!r} for its function, not {function!r}.", mend=_MEND)
    if read.remarks:
        raise ProofError(f"{name}: the reader says: {read.remarks[0]}.", mend=_MEND)
    plated = function.startswith("Plated")
    wanted = Counter(_hole(hole) for hole in holes if hole.plated == plated)
    found = Counter(_hole(hole) for hole in read.holes)
    if found != wanted:
        missing, extra = list((wanted - found).elements()), list((found - wanted).elements())
        what = f"{len(missing)} holes are missing" if missing else f"{len(extra)} holes are too many"
        x, y, *_ = (missing or extra)[0]
        raise ProofError(
            f"{name}, read back: {what}, the first at {x / NM_PER_MM:.6g}, {y / NM_PER_MM:.6g} mm.", mend=_MEND
        )
    return read.holes


def _hole(hole: DrilledHole | ReadHole) -> tuple[int, ...]:
    """x, y, diameter, and the slot's other end, in nm; a slot is the same from both ends."""
    here = (nanometres(hole.x_mm), nanometres(hole.y_mm))
    there = here if hole.slot_to is None else (nanometres(hole.slot_to[0]), nanometres(hole.slot_to[1]))
    first, second = sorted((here, there))
    return (*first, nanometres(hole.diameter_mm), *second)


def board_layer(lines: Sequence[Sequence[tuple[int, int]]], holes: Sequence[ReadHole]) -> ReadLayer:
    """The board as profile and drill files have it, to be drawn: dark, with cut-outs and holes clear."""
    rings = sorted((np.array(line, np.float64) / NM_PER_MM for line in lines), key=lambda ring: -abs(ring_area(ring)))
    boxes = [(*ring.min(axis=0), *ring.max(axis=0)) for ring in rings]
    drilled = holes_layer(holes, dark=False)
    count = len(rings) + len(holes)
    return replace(
        drilled,
        points=np.concatenate(rings),
        starts=np.concatenate([[0], np.cumsum([len(ring) for ring in rings])]),
        dark=np.arange(count) == 0,
        boxes=np.concatenate([np.array(boxes, np.float64), drilled.boxes]),
        areas=np.where(np.arange(count) < len(rings), np.arange(count), -1),
        drawings={len(rings) + i: drawing for i, drawing in drilled.drawings.items()},
        regions=len(rings),
    )


def holes_layer(holes: Sequence[ReadHole], *, dark: bool = True) -> ReadLayer:
    """Holes and slots, to be drawn, dark or clear."""
    colour = "currentColor" if dark else "#000"
    boxes = []
    drawings = {}
    for i, hole in enumerate(holes):
        x, y = hole.slot_to or (hole.x_mm, hole.y_mm)
        line = f"M{hole.x_mm!r} {hole.y_mm!r}L{x!r} {y!r}"
        drawings[i] = f'<path d="{line}" stroke="{colour}" stroke-width="{hole.diameter_mm!r}"/>'
        reach = hole.diameter_mm / 2.0
        low = min(hole.x_mm, x) - reach, min(hole.y_mm, y) - reach
        boxes.append((*low, max(hole.x_mm, x) + reach, max(hole.y_mm, y) + reach))
    return ReadLayer(
        name="board",
        attributes={},
        unit="mm",
        points=np.zeros((0, 2)),
        starts=np.zeros(1, np.int64),
        dark=np.full(len(holes), dark),
        boxes=np.array(boxes, np.float64).reshape(-1, 4),
        areas=np.full(len(holes), -1),
        drawings=drawings,
        lines=np.zeros((0, 5)),
        regions=0,
        flashes=0,
        open_regions=0,
        remarks=(),
    )


def board_rings(lines: Sequence[Sequence[tuple[int, int]]], holes: Sequence[ReadHole]) -> list[Floats]:
    """The same as rings in mm, float64 (n, 2): inside by the even-odd rule is board."""
    rings = [np.array(line, np.float64) / NM_PER_MM for line in lines]
    for hole in holes:
        here = (hole.x_mm, hole.y_mm)
        points = (
            circle_points(*here, hole.diameter_mm)
            if hole.slot_to is None
            else slot_points(here, hole.slot_to, hole.diameter_mm)
        )
        rings.append(np.array(points, np.float64))
    return rings
