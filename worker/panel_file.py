"""A panel file: what lies on one panel, how it is held and cut, as a small TOML or JSON file. Light: no numpy.

Lengths are mm from the panel's lower left corner, x to the right, y upward. Every complaint names entry and mend.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, cast

from worker.bounded_text import shown
from worker.circuit_file import MERGED
from worker.errors import PanelError
from worker.outlines import Point
from worker.table_reader import OUTLINE_KEYS, SHAPE_KEYS, TableReader

Join = Literal["tabs", "scores", "loose"]
JOINS: tuple[Join, ...] = ("tabs", "scores", "loose")
SourceKind = Literal["result", "artwork", "job", "collection"]
SOURCES: tuple[SourceKind, ...] = ("result", "artwork", "job", "collection")
Where = Literal["back", "front", "none"]
NUMBER_PLACES: tuple[Where, ...] = ("back", "front", "none")
FILL = "fill"
MAX_PIECES = 2_000
MAX_ENTRIES = 1_000
QUARTERS = (0, 90, 180, 270)
DEFAULT_SPACING_MM = 2.4
"""Published fab pages: 2.0 to 2.4 mm between routed boards."""

KEYS = {
    "name": "the panel's name, in its files and on its sheet",
    "fab": "id of the fab profile, or its path, that all pieces were made for",
    "size": "[width, height] of a rectangular panel",
    "outline": "table: polygon or path, of a panel of another shape",
    "join": "how pieces hang in the panel: " + ", ".join(JOINS),
    "spacing": f"between pieces, and from pieces to rails ({DEFAULT_SPACING_MM:g}; with scores 0)",
    "label": "true, or a text of your own: legend on the upper or lower rail",
    "rails": "table of widths: all, or left, right, top, bottom",
    "free": "list of free areas; without it all that the rails leave",
    "taken": "list of areas that must stay clear",
    "pieces": "list of what lies on the panel",
    "tabs": "table: how breakaway tabs look",
    "fiducials": "table: fiducial marks on the rails",
    "tooling_holes": "table: holes in the rails",
    "numbering": "table: numbers in legend, to put a series in order",
}
RAIL_KEYS = {
    "all": "width of all four rails",
    "left": "width of this rail",
    "right": "width of this rail",
    "top": "width of this rail",
    "bottom": "width of this rail",
}
AREA_KEYS = {key: SHAPE_KEYS[key] for key in ("rectangle", "circle", *OUTLINE_KEYS)}
PIECE_KEYS = {
    "result": "folder or ZIP of a result with fabrication files, or a folder of such results",
    "artwork": "a picture, which is converted first; fabrication is on",
    "bottom": "another picture, the artwork of the bottom, beside an artwork",
    "board_file": "a board file, beside an artwork",
    "settings": "table of the artwork's settings, as on the command line",
    "job": "id of a finished job (over HTTP)",
    "collection": "id of a collection, each of whose finished jobs is a piece (over HTTP)",
    "count": f'how many, or "{FILL}": as many as fit (1)',
    "turns": "list of the quarter turns that are allowed: 0, 90, 180, 270 (all)",
}
TAB_KEYS = {
    "width": "of a tab (3)",
    "count": "for each piece, at least (3, and one for each 60 mm of its edge)",
    "hole": "diameter of the perforation's holes (0.5, or the least that the fab drills)",
    "pitch": "from hole to hole (0.3 more than the hole)",
    "line": "where the holes stand: outside (touching the piece's edge) or edge (on it)",
    "angles": "list of the directions, in degrees from a piece's own x, counter-clockwise, in which it may be held",
}
FIDUCIAL_KEYS = {
    "diameter": "of the bare copper (1)",
    "opening": "of the mask round it (2 diameters)",
    "count": "2, 3 or 4 (3)",
}
TOOLING_KEYS = {"diameter": "finished (3)", "count": "2, 3 or 4 (4)"}
NUMBER_KEYS = {
    "where": "back: in the free place of the side without artwork; front: of the artwork's side; none",
    "start": "the first number (1)",
    "height": "of the figures (as high as the place and the fab's least height allow, 2 at most)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPiece:
    """What lies on the panel. `count` : None fills what is free. `turns` : allowed, counter-clockwise degrees."""

    entry: str
    kind: SourceKind
    source: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    bottom: str = ""
    board_file: str = ""
    count: int | None = 1
    turns: tuple[int, ...] = QUARTERS


@dataclass(frozen=True, slots=True, kw_only=True)
class Rails:
    """Widths of the rails in mm."""

    left: float = 0.0
    right: float = 0.0
    top: float = 0.0
    bottom: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TabPlan:
    """How breakaway tabs look; None where the panel file leaves it to the fab's limits."""

    width: float = 3.0
    count: int | None = None
    hole: float | None = None
    pitch: float | None = None
    outside: bool = True
    angles: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FiducialPlan:
    """Fiducial marks on the rails."""

    diameter: float = 1.0
    opening: float = 2.0
    count: int = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolingPlan:
    """Tooling holes in the rails."""

    diameter: float = 3.0
    count: int = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberPlan:
    """Numbers in legend on the pieces."""

    where: Where = "none"
    start: int = 1
    height: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelFile:
    """What a panel file holds. `outline` is closed, in mm; `label` : None for no text, "" for the panel's name."""

    file_name: str
    sha256: str
    name: str
    fab: str
    outline: tuple[Point, ...]
    join: Join
    spacing: float
    label: str | None
    rails: Rails
    free: tuple[tuple[str, tuple[Point, ...]], ...]
    taken: tuple[tuple[str, tuple[Point, ...]], ...]
    pieces: tuple[PlannedPiece, ...]
    tabs: TabPlan
    fiducials: FiducialPlan | None
    tooling: ToolingPlan | None
    numbering: NumberPlan


MERGED_FILES = f"fabrication/{MERGED}"
"""Where a result has a circuit's files with art."""


def is_panel_part(path: str) -> bool:
    """Whether a file of a result is one that a panel is made of."""
    folder, _, name = path.rpartition("/")
    return (
        path in ("report.json", "top/report.json")
        or (folder == "fabrication" and name.endswith((".gbr", ".xnc", ".gbrjob")))
        or (path.startswith(MERGED_FILES) and name.endswith(".gbrjob"))
    )  # by which it is known, see `check_alone`


def check_alone(paths: Iterable[str], *, source: str) -> None:
    """PanelError where a result's files are those of a circuit with art."""
    if any(path.startswith(MERGED_FILES) for path in paths):
        raise PanelError(
            f"{source} is art beside a circuit, and a panel here is made of art alone.",
            mend=f"Send the files in {MERGED_FILES} to the fab, and have it lay them on a panel.",
        )


def read_panel_file(data: bytes, *, file_name: str = "panel file") -> PanelFile:
    """Read and check a panel file, TOML or JSON. Raises PanelError, naming file, entry and mend."""
    reader = _Reader(file_name)
    table = reader.table(reader.parsed(data), "", KEYS)
    join = reader.choice(table.get("join", "tabs"), "join", JOINS)
    pieces = tuple(reader.piece(entry, where) for where, entry in reader.entries(table, "pieces", PIECE_KEYS))
    if not pieces:
        reader.fail("pieces", "is missing or empty", "List what lies on the panel, [[pieces]].")
    if len(pieces) > MAX_ENTRIES:
        reader.fail("pieces", f"has {len(pieces):,} entries", f"List at most {MAX_ENTRIES:,}.")
    wanted = sum(piece.count or 0 for piece in pieces)
    if wanted > MAX_PIECES:
        reader.fail("pieces", f"asks for {wanted:,} pieces", f"Put at most {MAX_PIECES:,} on a panel.")
    spacing = table.get("spacing", 0.0 if join == "scores" else DEFAULT_SPACING_MM)
    return PanelFile(
        file_name=file_name,
        sha256=hashlib.sha256(data).hexdigest(),
        name=reader.text(table.get("name", "panel"), "name"),
        fab=reader.text(table.get("fab", ""), "fab"),
        outline=reader.outline(table),
        join=join,
        spacing=reader.number(spacing, "spacing", least=0.0),
        label=reader.label(table.get("label")),
        rails=reader.rails(table.get("rails", {})),
        free=reader.areas(table, "free"),
        taken=reader.areas(table, "taken"),
        pieces=pieces,
        tabs=reader.tabs(table.get("tabs", {})),
        fiducials=reader.fiducials(table.get("fiducials")),
        tooling=reader.tooling(table.get("tooling_holes")),
        numbering=reader.numbering(table.get("numbering", {"where": "none"})),
    )


class _Reader(TableReader):
    kind = "panel file"
    error = PanelError

    def choice(self, value: object, where: str, known: tuple[Any, ...]) -> Any:
        if value not in known or isinstance(value, bool):
            self.fail(where, f"is {shown(value)}", f"Choose one of: {', '.join(map(str, known))}.")
        return value

    def text(self, value: object, where: str) -> str:
        if not isinstance(value, str) or len(value) > 200 or not value.isprintable():
            self.fail(where, f"is {shown(value)}", "Write a short text of printable signs, in quotes.")
        return value

    def whole(self, value: object, where: str, *, least: int, most: int) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.fail(where, f"is {shown(value)}", f"Write a whole number from {least} to {most}.")
        return value

    def list_of(self, value: object, where: str) -> list[object]:
        if not isinstance(value, list) or not 0 < len(value) <= 100:
            self.fail(where, f"is {shown(value)}", "Write a list, such as [0, 180].")
        return cast(list[object], value)

    def outline(self, table: dict[str, Any]) -> tuple[Point, ...]:
        if ("size" in table) == ("outline" in table):
            both = "are both there" if "size" in table else "are both missing"
            self.fail("size and outline", both, "Give size = [width, height], or a table outline.")
        if "outline" in table:
            return self.shape(self.table(table["outline"], "outline", OUTLINE_KEYS), "outline", OUTLINE_KEYS)
        width, height = self.numbers(table["size"], "size", "[width, height]", 2)
        for i, side in enumerate((width, height)):
            self.number(side, f"size[{i}]", least=1.0)
        return (0.0, 0.0), (width, 0.0), (width, height), (0.0, height)

    def label(self, value: object) -> str | None:
        if value is None or value is False:
            return None
        return "" if value is True else self.text(value, "label")

    def rails(self, value: object) -> Rails:
        table = self.table(value, "rails", RAIL_KEYS)
        if "all" in table and len(table) > 1:
            self.fail("rails", "has all and others", "Give all, or the sides one by one.")
        sides = ("left", "right", "top", "bottom")
        given = dict.fromkeys(sides, table["all"]) if "all" in table else table
        return Rails(**{side: self.number(given[side], f"rails.{side}", least=0.0) for side in sides if side in given})

    def areas(self, table: dict[str, Any], key: str) -> tuple[tuple[str, tuple[Point, ...]], ...]:
        entries = self.entries(table, key, AREA_KEYS)
        return tuple((where, self.shape(entry, where, AREA_KEYS)) for where, entry in entries)

    def piece(self, table: dict[str, Any], where: str) -> PlannedPiece:
        given = [kind for kind in SOURCES if kind in table]
        if len(given) != 1:
            said = " and ".join(given) or "no source"
            self.fail(where, f"has {said}", f"Give exactly one of: {', '.join(SOURCES)}.")
        (kind,) = given
        settings = table.get("settings", {})
        if not isinstance(settings, dict) or (settings and kind != "artwork"):
            self.fail(f"{where}.settings", f"is {shown(settings)}", "Give a table, beside an artwork.")
        source = self.text(table[kind], f"{where}.{kind}")
        if not source:
            self.fail(f"{where}.{kind}", "is empty", f"Write {PIECE_KEYS[kind]}.")
        beside = {key: self.text(table.get(key, ""), f"{where}.{key}") for key in ("bottom", "board_file")}
        for key, value in beside.items():
            if value and kind != "artwork":
                self.fail(f"{where}.{key}", f"is {shown(value)}", "Give it beside an artwork.")
        count = table.get("count", 1)
        turns = self.list_of(table.get("turns", list(QUARTERS)), f"{where}.turns")
        return PlannedPiece(
            entry=where,
            kind=kind,
            source=source,
            settings=settings,
            bottom=beside["bottom"],
            board_file=beside["board_file"],
            count=None if count == FILL else self.whole(count, f"{where}.count", least=1, most=MAX_PIECES),
            turns=tuple(dict.fromkeys(self.choice(turn, f"{where}.turns", QUARTERS) for turn in turns)),
        )

    def tabs(self, value: object) -> TabPlan:
        table = self.table(value, "tabs", TAB_KEYS)
        angles = self.list_of(table["angles"], "tabs.angles") if "angles" in table else []
        return TabPlan(
            width=self.number(table.get("width", 3.0), "tabs.width", least=0.5),
            count=None if "count" not in table else self.whole(table["count"], "tabs.count", least=1, most=50),
            hole=None if "hole" not in table else self.number(table["hole"], "tabs.hole", least=0.1),
            pitch=None if "pitch" not in table else self.number(table["pitch"], "tabs.pitch", least=0.1),
            outside=self.choice(table.get("line", "outside"), "tabs.line", ("outside", "edge")) == "outside",
            angles=tuple(self.number(angle, f"tabs.angles[{i}]") % 360.0 for i, angle in enumerate(angles)),
        )

    def fiducials(self, value: object) -> FiducialPlan | None:
        if value is None:
            return None
        table = self.table(value, "fiducials", FIDUCIAL_KEYS)
        diameter = self.number(table.get("diameter", 1.0), "fiducials.diameter", least=0.1)
        opening = self.number(table.get("opening", 2.0 * diameter), "fiducials.opening", least=diameter)
        count = self.whole(table.get("count", 3), "fiducials.count", least=2, most=4)
        return FiducialPlan(diameter=diameter, opening=opening, count=count)

    def tooling(self, value: object) -> ToolingPlan | None:
        if value is None:
            return None
        table = self.table(value, "tooling_holes", TOOLING_KEYS)
        diameter = self.number(table.get("diameter", 3.0), "tooling_holes.diameter", least=0.1)
        count = self.whole(table.get("count", 4), "tooling_holes.count", least=2, most=4)
        return ToolingPlan(diameter=diameter, count=count)

    def numbering(self, value: object) -> NumberPlan:
        table = self.table(value, "numbering", NUMBER_KEYS)
        return NumberPlan(
            where=self.choice(table.get("where", "back"), "numbering.where", NUMBER_PLACES),
            start=self.whole(table.get("start", 1), "numbering.start", least=0, most=999_999),
            height=None if "height" not in table else self.number(table["height"], "numbering.height", least=0.1),
        )
