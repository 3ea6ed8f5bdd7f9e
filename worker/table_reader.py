"""Tables of small TOML and JSON files, read with every complaint naming file, entry and mend. Light: no numpy."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NoReturn, cast

from worker.bounded_text import TextFault, is_finite, parse_json, parse_toml, shown
from worker.errors import BoardError, MaskwrightError
from worker.outlines import Point, circle_points, read_path_data, slot_points

MAX_BYTES = 4 * 1024 * 1024
MAX_ENTRIES = 20_000
MAX_MM = 2000.0

OUTLINE_KEYS = {
    "polygon": "list of at least three points, [[x, y], ...]",
    "path": "SVG path data in mm, one closed path",
}
SHAPE_KEYS = {
    "circle": "[x, y, diameter]",
    "slot": "[x, y, to x, to y, width]: round at both ends",
    "rectangle": "[x, y, width, height]: its lower left corner and its size",
    **OUTLINE_KEYS,
}


class TableReader:
    """Reads values of one file. `kind` : how errors call it, `field` : how requests do. `error` : what is raised."""

    kind = "file"
    error: type[MaskwrightError] = MaskwrightError
    field: str | None = None

    def __init__(self, file_name: str) -> None:
        self.file_name = file_name

    def fail(self, where: str, what: str, mend: str) -> NoReturn:
        """Raise this kind of file's error."""
        raise self.error(f"{self.file_name}: {where}: {what}.", mend=mend, setting=self.field)

    def parsed(self, data: bytes) -> object:
        """What a TOML or JSON file holds."""
        if len(data) > MAX_BYTES:
            self.fail("file", f"has {len(data):,} bytes", f"Keep a {self.kind} under {MAX_BYTES:,} bytes.")
        try:
            text = data.decode("utf-8-sig")
            return parse_json(text) if text.lstrip()[:1] == "{" else parse_toml(text)
        except UnicodeDecodeError as error:
            self.fail(f"byte {error.start}", "is not UTF-8", "Save the file as UTF-8 text.")
        except TextFault as fault:
            self.fail("syntax", fault.what, fault.mend)

    def table(self, value: object, where: str, known: Mapping[str, str]) -> dict[str, Any]:
        """A table of known keys."""
        if not isinstance(value, dict):
            self.fail(where or "file", f"is {shown(value)}, not a table", f"Write a table with: {', '.join(known)}.")
        for key in value:
            if key not in known:
                self.fail(f"{where}.{key[:60]}".lstrip("."), "is not a known key", f"Known here: {', '.join(known)}.")
        return cast(dict[str, Any], value)

    def entries(self, table: dict[str, Any], key: str, known: Mapping[str, str]) -> list[tuple[str, dict[str, Any]]]:
        """A list of tables, each with how the file names it."""
        entries = table.get(key, [])
        if not isinstance(entries, list) or len(entries) > MAX_ENTRIES:
            self.fail(key, "is no list, or a very long one", f"List at most {MAX_ENTRIES:,} tables, [[{key}]].")
        return [(f"{key}[{i}]", self.table(entry, f"{key}[{i}]", known)) for i, entry in enumerate(entries)]

    def number(self, value: object, where: str, *, least: float = -MAX_MM) -> float:
        """A number of mm."""
        if not is_finite(value) or not least <= cast(float, value) <= MAX_MM:
            self.fail(where, f"is {shown(value)}", f"Write a number of mm from {least:g} to {MAX_MM:g}.")
        return float(cast(float, value))

    def numbers(self, value: object, where: str, meaning: str, count: int) -> list[float]:
        """So many numbers of mm. `meaning` : of each, for the complaint."""
        if not isinstance(value, list) or len(value) != count:
            self.fail(where, f"is {shown(value)}", f"Write {meaning}.")
        return [self.number(entry, f"{where}[{i}]") for i, entry in enumerate(value)]

    def width(self, value: object, where: str) -> float:
        """A length above nothing."""
        return self.number(value, where, least=0.01)

    def shape(self, table: dict[str, Any], where: str, known: Mapping[str, str]) -> tuple[Point, ...]:
        """A closed line. `known` : which keys of SHAPE_KEYS may draw it."""
        if len(table) != 1 or not set(table) <= set(known):
            given = " and ".join(table) or "nothing"
            self.fail(where, f"has {given}", f"Give exactly one of: {', '.join(known)}.")
        ((key, value),) = table.items()
        where = f"{where}.{key}"
        if key == "circle":
            x, y, diameter = self.numbers(value, where, SHAPE_KEYS[key], 3)
            return circle_points(x, y, self.width(diameter, f"{where}[2]"))
        if key == "slot":
            x, y, to_x, to_y, width = self.numbers(value, where, SHAPE_KEYS[key], 5)
            return slot_points((x, y), self.end((x, y), (to_x, to_y), where), self.width(width, f"{where}[4]"))
        if key == "rectangle":
            x, y, width, height = self.numbers(value, where, SHAPE_KEYS[key], 4)
            right, high = x + self.width(width, f"{where}[2]"), y + self.width(height, f"{where}[3]")
            return (x, y), (right, y), (right, high), (x, high)
        return self.path(value, where) if key == "path" else self.polygon(value, where)

    def end(self, start: Point, end: Point, where: str) -> Point:
        """Another point than `start`."""
        if start == end:
            self.fail(where, "ends where it starts", "Give its two ends, or make it a round hole.")
        return end

    def polygon(self, value: object, where: str) -> tuple[Point, ...]:
        """A closed line of straight sides."""
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
        """A closed line as SVG path data."""
        if not isinstance(value, str):
            self.fail(where, f"is {shown(value)}", "Write SVG path data in quotes, such as 'M 0 0 H 60 V 40 H 0 Z'.")
        try:
            subpaths = read_path_data(value, where=f"{self.file_name}: {where}")
        except BoardError as error:
            raise self.error(error.what, mend=error.mend, setting=self.field) from error
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
