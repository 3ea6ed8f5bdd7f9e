"""A board file: outline, cut-outs, holes, slots and scores of one board, as a small TOML or JSON file. Light: no numpy.

Lengths are mm, x to the right. The origin is the lower left corner of the artwork or its centre, with y upward, or its
upper left corner, with y downward as drawing programs have it. Every complaint names the entry and the mend.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any, Literal

from worker.bounded_text import shown
from worker.errors import BoardError
from worker.job import BOARD_FILE
from worker.outlines import Point
from worker.table_reader import OUTLINE_KEYS, SHAPE_KEYS, TableReader

Origin = Literal["lower left", "centre", "upper left"]
ORIGINS: tuple[Origin, ...] = ("lower left", "centre", "upper left")

KEYS = {
    "origin": "where x and y start: " + ", ".join(ORIGINS) + " of the artwork; y runs upward, from upper left downward",
    "outline": "table: polygon, or path",
    "cut_outs": "list of openings that are routed",
    "holes": "list of holes that are drilled, and of slots",
    "scores": "list of straight lines across the whole board that are scored (V-cut), to snap it there",
}
CUT_OUT_KEYS = {key: SHAPE_KEYS[key] for key in ("circle", "slot", *OUTLINE_KEYS)}
HOLE_KEYS = {
    "x": "its centre, or one end of a slot",
    "y": "its centre, or one end of a slot",
    "diameter": "finished diameter, or a slot's width",
    "plated": "true where its wall gets copper",
    "to": "[x, y]: the other end, which makes it a slot",
}
SCORE_KEYS = {
    "x": "of an upright line",
    "y": "of a level line",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOut:
    """An opening that is routed: a closed line. `entry` is how the file names it."""

    entry: str
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedHole:
    """A drilled hole, or a slot to `to`."""

    entry: str
    x: float
    y: float
    diameter: float
    plated: bool
    to: Point | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedScore:
    """A line to score, upright at an x or level at a y."""

    entry: str
    upright: bool
    at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFile:
    """What a board file holds, in mm from its `origin`. `outline` is None where the setting `board` decides."""

    name: str
    sha256: str
    origin: Origin
    outline: tuple[Point, ...] | None
    cut_outs: tuple[CutOut, ...]
    holes: tuple[PlannedHole, ...]
    scores: tuple[PlannedScore, ...] = ()


def read_board_file(data: bytes, *, file_name: str = "board file") -> BoardFile:
    """Read and check a board file, TOML or JSON. Raises BoardError, naming file, entry and mend."""
    reader = _Reader(file_name)
    table = reader.table(reader.parsed(data), "", KEYS)
    outline = table.get("outline")
    return BoardFile(
        name=file_name,
        sha256=hashlib.sha256(data).hexdigest(),
        origin=reader.origin(table.get("origin")),
        outline=None
        if outline is None
        else reader.shape(reader.table(outline, "outline", OUTLINE_KEYS), "outline", OUTLINE_KEYS),
        cut_outs=tuple(
            CutOut(entry=where, points=reader.shape(entry, where, CUT_OUT_KEYS))
            for where, entry in reader.entries(table, "cut_outs", CUT_OUT_KEYS)
        ),
        holes=tuple(reader.hole(entry, where) for where, entry in reader.entries(table, "holes", HOLE_KEYS)),
        scores=tuple(reader.score(entry, where) for where, entry in reader.entries(table, "scores", SCORE_KEYS)),
    )


class _Reader(TableReader):
    kind = "board file"
    error = BoardError
    field = BOARD_FILE

    def origin(self, value: object) -> Origin:
        if value is None:
            return "lower left"
        for origin in ORIGINS:
            if value == origin:
                return origin
        self.fail("origin", f"is {shown(value)}", f"Choose one of: {', '.join(ORIGINS)}.")

    def hole(self, table: dict[str, Any], where: str) -> PlannedHole:
        for key in ("x", "y", "diameter", "plated"):
            if key not in table:
                self.fail(f"{where}.{key}", "is missing", f"Add it: {HOLE_KEYS[key]}.")
        if not isinstance(table["plated"], bool):
            self.fail(f"{where}.plated", f"is {shown(table['plated'])}", "Write true or false, without quotes.")
        x, y = (self.number(table[key], f"{where}.{key}") for key in ("x", "y"))
        to: Point | None = None
        if "to" in table:
            to_x, to_y = self.numbers(table["to"], f"{where}.to", HOLE_KEYS["to"], 2)
            to = self.end((x, y), (to_x, to_y), where)
        diameter = self.width(table["diameter"], f"{where}.diameter")
        return PlannedHole(entry=where, x=x, y=y, diameter=diameter, plated=table["plated"], to=to)

    def score(self, table: dict[str, Any], where: str) -> PlannedScore:
        if len(table) != 1:
            given = " and ".join(table) or "nothing"
            self.fail(where, f"has {given}", "Give x of an upright line, or y of a level one: a score is straight.")
        ((key, value),) = table.items()
        return PlannedScore(entry=where, upright=key == "x", at=self.number(value, f"{where}.{key}"))
