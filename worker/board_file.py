"""A board file: outline, cut-outs, holes, slots and scores of one board, as a small TOML or JSON file. Light: no numpy.

Lengths are mm, x to the right. The origin is the lower left corner of the artwork or its centre, with y upward, or its
upper left corner, with y downward as drawing programs have it. Every complaint names the entry and the mend.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, NoReturn, cast

from worker.bounded_text import TextFault, is_finite, parse_json, parse_toml, shown
from worker.errors import BoardError
from worker.outlines import Point, circle_points, read_path_data, slot_points

Origin = Literal["lower left", "centre", "upper left"]
ORIGINS: tuple[Origin, ...] = ("lower left", "centre", "upper left")
MAX_BYTES = 4 * 1024 * 1024
MAX_ENTRIES = 20_000
MAX_MM = 2000.0

KEYS = {
    "origin": "where x and y start: " + ", ".join(ORIGINS) + " of the artwork; y runs upward, from upper left downward",
    "outline": "table: polygon, or path",
    "cut_outs": "list of openings that are routed",
    "holes": "list of holes that are drilled, and of slots",
    "scores": "list of straight lines across the whole board that are scored (V-cut), to snap it there",
}
OUTLINE_KEYS = {
    "polygon": "list of at least three points, [[x, y], ...]",
    "path": "SVG path data in mm, one closed path",
}
CUT_OUT_KEYS = {
    "circle": "[x, y, diameter]",
    "slot": "[x, y, to x, to y, width]: round at both ends",
    **OUTLINE_KEYS,
}
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
        outline=None if outline is None else reader.shape(reader.table(outline, "outline", OUTLINE_KEYS), "outline"),
        cut_outs=tuple(
            CutOut(entry=where, points=reader.shape(entry, where))
            for where, entry in reader.entries(table, "cut_outs", CUT_OUT_KEYS)
        ),
        holes=tuple(reader.hole(entry, where) for where, entry in reader.entries(table, "holes", HOLE_KEYS)),
        scores=tuple(reader.score(entry, where) for where, entry in reader.entries(table, "scores", SCORE_KEYS)),
    )


class _Reader:
    def __init__(self, file_name: str) -> None:
        self.file_name = file_name

    def fail(self, where: str, what: str, mend: str) -> NoReturn:
        raise BoardError(f"{self.file_name}: {where}: {what}.", mend=mend)

    def parsed(self, data: bytes) -> object:
        if len(data) > MAX_BYTES:
            self.fail("file", f"has {len(data):,} bytes", f"Keep a board file under {MAX_BYTES:,} bytes.")
        try:
            text = data.decode("utf-8-sig")
            return parse_json(text) if text.lstrip()[:1] == "{" else parse_toml(text)
        except UnicodeDecodeError as error:
            self.fail(f"byte {error.start}", "is not UTF-8", "Save the file as UTF-8 text.")
        except TextFault as fault:
            self.fail("syntax", fault.what, fault.mend)

    def table(self, value: object, where: str, known: Mapping[str, str]) -> dict[str, Any]:
        if not isinstance(value, dict):
            self.fail(where or "file", f"is {shown(value)}, not a table", f"Write a table with: {', '.join(known)}.")
        for key in value:
            if key not in known:
                self.fail(f"{where}.{key[:60]}".lstrip("."), "is not a known key", f"Known here: {', '.join(known)}.")
        return cast(dict[str, Any], value)

    def origin(self, value: object) -> Origin:
        if value is None:
            return "lower left"
        for origin in ORIGINS:
            if value == origin:
                return origin
        self.fail("origin", f"is {shown(value)}", f"Choose one of: {', '.join(ORIGINS)}.")

    def entries(self, table: dict[str, Any], key: str, known: Mapping[str, str]) -> list[tuple[str, dict[str, Any]]]:
        entries = table.get(key, [])
        if not isinstance(entries, list) or len(entries) > MAX_ENTRIES:
            self.fail(key, "is no list, or a very long one", f"List at most {MAX_ENTRIES:,} tables, [[{key}]].")
        return [(f"{key}[{i}]", self.table(entry, f"{key}[{i}]", known)) for i, entry in enumerate(entries)]

    def number(self, value: object, where: str, *, least: float = -MAX_MM) -> float:
        if not is_finite(value) or not least <= cast(float, value) <= MAX_MM:
            self.fail(where, f"is {shown(value)}", f"Write a number of mm from {least:g} to {MAX_MM:g}.")
        return float(cast(float, value))

    def numbers(self, value: object, where: str, meaning: str, count: int) -> list[float]:
        if not isinstance(value, list) or len(value) != count:
            self.fail(where, f"is {shown(value)}", f"Write {meaning}.")
        return [self.number(entry, f"{where}[{i}]") for i, entry in enumerate(value)]

    def width(self, value: object, where: str) -> float:
        return self.number(value, where, least=0.01)

    def shape(self, table: dict[str, Any], where: str) -> tuple[Point, ...]:
        if len(table) != 1:
            known = CUT_OUT_KEYS if where.startswith("cut_outs") else OUTLINE_KEYS
            given = " and ".join(table) or "nothing"
            self.fail(where, f"has {given}", f"Give exactly one of: {', '.join(known)}.")
        ((key, value),) = table.items()
        where = f"{where}.{key}"
        if key == "circle":
            x, y, diameter = self.numbers(value, where, CUT_OUT_KEYS[key], 3)
            return circle_points(x, y, self.width(diameter, f"{where}[2]"))
        if key == "slot":
            x, y, to_x, to_y, width = self.numbers(value, where, CUT_OUT_KEYS[key], 5)
            return slot_points((x, y), self.end((x, y), (to_x, to_y), where), self.width(width, f"{where}[4]"))
        return self.path(value, where) if key == "path" else self.polygon(value, where)

    def end(self, start: Point, end: Point, where: str) -> Point:
        if start == end:
            self.fail(where, "ends where it starts", "Give its two ends, or make it a round hole.")
        return end

    def polygon(self, value: object, where: str) -> tuple[Point, ...]:
        if not isinstance(value, list) or not 3 <= len(value) <= MAX_ENTRIES:
            self.fail(where, f"is {shown(value)}", f"Write {OUTLINE_KEYS['polygon']}.")
        pairs = [self.numbers(entry, f"{where}[{i}]", "[x, y]", 2) for i, entry in enumerate(value)]
        points = [(x, y) for i, (x, y) in enumerate(pairs) if i == 0 or [x, y] != pairs[i - 1]]
        if len(points) > 1 and points[0] == points[-1]:
            points.pop()
        if len(points) < 3:
            self.fail(where, f"has {len(points)} different points", "Give at least three.")
        return tuple(points)

    def path(self, value: object, where: str) -> tuple[Point, ...]:
        if not isinstance(value, str):
            self.fail(where, f"is {shown(value)}", "Write SVG path data in quotes, such as 'M 0 0 H 60 V 40 H 0 Z'.")
        subpaths = read_path_data(value, where=f"{self.file_name}: {where}")
        if len(subpaths) != 1:
            self.fail(where, f"has {len(subpaths)} paths", "Give one; what it leaves out goes into cut_outs.")
        (path,) = subpaths
        if not path.closed:
            (x0, y0), (x1, y1) = path.points[0], path.points[-1]
            self.fail(where, f"starts at {x0:g}, {y0:g} and ends open at {x1:g}, {y1:g}", "Close it: end it with Z.")
        if len(path.points) < 3:
            self.fail(where, "has no area", "Draw round something.")
        far = next(((x, y) for x, y in path.points if max(abs(x), abs(y)) > MAX_MM), None)
        if far is not None:
            self.fail(where, f"reaches {far[0]:g}, {far[1]:g} mm", f"Stay within {MAX_MM:g} mm of the origin.")
        return path.points

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
