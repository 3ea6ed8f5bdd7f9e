"""What is said of a working circuit: which file is which layer, its net, its places, where the artwork lies. Light.

Layers go by the Gerber standard's own words. Lengths are mm in the circuit's own coordinates, y upward.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from worker.bounded_text import shown
from worker.errors import CircuitError
from worker.job import CIRCUIT_FILE
from worker.outlines import Point
from worker.table_reader import SHAPE_KEYS, TableReader

MAX_FILES = 200
MAX_BYTES = 128 * 1024 * 1024
"""Of all files together, unpacked."""
MAX_FILE_BYTES = 64 * 1024 * 1024

ARCHIVES = (b"PK", b"\x1f\x8b", b"BZh", b"\xfd7zXZ")
"""How ZIP archives begin, and TAR archives that gzip, bzip2 or xz have compressed."""

MERGED, ART_ONLY = "merged/", "art-only/"
"""Folders of the fabrication files: the circuit's files with art in them, and the art's alone."""
MIXED = "MixedPlating"
"""Kind of a drill file of which each tool says itself whether its holes are plated."""
FORMS = (
    "Copper,L1,Top",
    "Copper,L2,Bot",
    "Copper,L2,Inr",
    "Soldermask,Top",
    "Soldermask,Bot",
    "Legend,Top",
    "Legend,Bot",
    "Profile,NP",
    "Plated,1,2,PTH",
    "NonPlated,1,2,NPTH",
    "MixedPlating,1,2",
    "Other,anything",
)
"""File functions that messages name. Others of the standard are taken, too, and carried along."""

_COPPER = re.compile(r"Copper,L([1-9][0-9]?),(Top|Inr|Bot)(,[A-Za-z]+)?")
_SIDED = re.compile(r"(?:Soldermask|Legend),(Top|Bot)(,[1-9][0-9]?)?")
_PROFILE = re.compile(r"Profile,(P|NP)")
_DRILL = re.compile(r"(Plated|NonPlated),[1-9][0-9]?,[1-9][0-9]?,(PTH|NPTH|Blind|Buried)(,[A-Za-z]+)?")
_MIXED = re.compile(r"MixedPlating,[1-9][0-9]?,[1-9][0-9]?(,(PTH|NPTH|Blind|Buried))?(,[A-Za-z]+)?")
_CARRIED = (
    *("ArrayDrawing", "AssemblyDrawing", "Carbonmask", "Component", "Depthrout", "Drillmap", "FabricationDrawing"),
    *("Glue", "Goldmask", "Heatsinkmask", "Other", "OtherDrawing", "Pads", "Paste", "Peelablemask", "Silvermask"),
    *("Tinmask", "Vcut", "Vcutmap", "Viafill"),
)
"""Functions of files that are carried along and not looked at (Gerber Layer Format Specification, from memory)."""

KEYS = {
    "layers": 'table: which file is which layer, as "one.gbr" = "Copper,L1,Top"',
    "net": "the name of the one net that art copper may touch, and whose copper it may use as colour",
    "artwork": "table: x, y of the artwork's lower left corner",
    "pads_mm": "how far art copper and openings stay from what is soldered",
    "legend_mm": "how far art legend stays from the circuit's own, its part names",
    "places": "list of places that art keeps out of",
}
PLACE_KEYS = {
    "kind": "keep-out, antenna, high-voltage or fiducial",
    "sides": "list of top, bottom (both where it is left out)",
    **{key: SHAPE_KEYS[key] for key in ("circle", "rectangle", "polygon", "path")},
}
PADS_MM = 0.5
"""Common practice, no source: it holds the gaps of thermal reliefs and what solder may flow over."""
LEGEND_MM = 0.3
"""Common practice, no source: what lettering needs round it to be read."""
PlaceKind = Literal["keep-out", "antenna", "high-voltage", "fiducial"]
PLACE_KINDS: tuple[PlaceKind, ...] = ("keep-out", "antenna", "high-voltage", "fiducial")

Side = Literal["top", "bottom", "inner", ""]


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """What a file is for: the value of its .FileFunction, such as "Copper,L1,Top"."""

    function: str

    @property
    def kind(self) -> str:
        """The function's first word."""
        return self.function.split(",", 1)[0]

    @property
    def side(self) -> Side:
        """The side of the board that it belongs to, if to one."""
        words = self.function.split(",")
        return "top" if "Top" in words else "bottom" if "Bot" in words else "inner" if "Inr" in words else ""

    @property
    def drilled(self) -> bool:
        """Whether it tells of holes."""
        return self.kind in ("Plated", "NonPlated", MIXED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A part of the board that art keeps out of: no copper and no opening in any, no legend but by an antenna.

    sides : on which. points : a closed line in mm. entry : how messages name it.
    """

    kind: PlaceKind
    sides: tuple[str, ...]
    points: tuple[Point, ...]
    entry: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitFile:
    """What is said of a circuit. artwork_at : the artwork's lower left corner; None puts it in the middle."""

    name: str = "circuit"
    roles: Mapping[str, Role] = field(default_factory=dict)
    net: str | None = None
    artwork_at: Point | None = None
    pads_mm: float = PADS_MM
    legend_mm: float = LEGEND_MM
    places: tuple[Place, ...] = ()

    def with_said(self, roles: Mapping[str, Role], net: str | None, artwork_at: Point | None) -> CircuitFile:
        """The same with what is said beside the file, which counts before it."""
        return replace(
            self,
            roles={**self.roles, **roles},
            net=self.net if net is None else net,
            artwork_at=self.artwork_at if artwork_at is None else artwork_at,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Painting:
    """A picture of the board from the top, dark where art keeps out: its name and bytes."""

    name: str
    data: bytes = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenCircuit:
    """A circuit as it comes to the engine's doors: its name, the bytes of its files by name, and what is said of it."""

    name: str
    files: Mapping[str, bytes] = field(repr=False)
    said: CircuitFile = field(default_factory=CircuitFile)
    painting: Painting | None = None


def read_circuit_file(data: bytes, *, file_name: str = "circuit file") -> CircuitFile:
    """Read and check a circuit file, TOML or JSON. Raises CircuitError, naming file, entry and mend."""
    reader = _Reader(file_name)
    table = reader.table(reader.parsed(data), "", KEYS)
    return CircuitFile(
        name=file_name,
        roles=reader.roles(table.get("layers", {})),
        net=reader.net(table.get("net")),
        artwork_at=reader.corner(table.get("artwork")),
        pads_mm=reader.number(table.get("pads_mm", PADS_MM), "pads_mm", least=0.0),
        legend_mm=reader.number(table.get("legend_mm", LEGEND_MM), "legend_mm", least=0.0),
        places=tuple(reader.place(entry, where) for where, entry in reader.entries(table, "places", PLACE_KEYS)),
    )


def circuit_table(data: bytes, *, file_name: str) -> dict[str, Any]:
    """What stands in a circuit file, TOML or JSON, as it is written there. Raises CircuitError."""
    reader = _Reader(file_name)
    return dict(reader.table(reader.parsed(data), "", KEYS))


class _Reader(TableReader):
    kind = "circuit file"
    error = CircuitError
    field = CIRCUIT_FILE

    def roles(self, value: object) -> dict[str, Role]:
        if not isinstance(value, dict):
            self.fail("layers", f"is {shown(value)}, not a table", f"Write {KEYS['layers']}.")
        for name, function in value.items():
            if not isinstance(function, str):
                self.fail(f"layers.{name[:60]}", f"is {shown(function)}", 'Write a function, such as "Copper,L1,Top".')
        return {name: read_role(function, whose=f"{self.file_name}: {name}") for name, function in value.items()}

    def net(self, value: object) -> str | None:
        if value is not None and (not isinstance(value, str) or not value):
            self.fail("net", f"is {shown(value)}", 'Write its name, such as "GND".')
        return value

    def corner(self, value: object) -> Point | None:
        if value is None:
            return None
        table = self.table(value, "artwork", {"x": "of its lower left corner", "y": "of its lower left corner"})
        for key in ("x", "y"):
            if key not in table:
                self.fail(f"artwork.{key}", "is missing", "Give x and y of its lower left corner.")
        return self.number(table["x"], "artwork.x"), self.number(table["y"], "artwork.y")

    def place(self, table: dict[str, Any], where: str) -> Place:
        kind = table.get("kind", "keep-out")
        found = next((known for known in PLACE_KINDS if known == kind), None)
        if found is None:
            self.fail(f"{where}.kind", f"is {shown(kind)}", f"Choose one of: {', '.join(PLACE_KINDS)}.")
        sides = table.get("sides", ["top", "bottom"])
        if not isinstance(sides, list) or not sides or not set(map(str, sides)) <= {"top", "bottom"}:
            self.fail(f"{where}.sides", f"is {shown(sides)}", 'Write ["top"], ["bottom"] or both.')
        drawn = {key: value for key, value in table.items() if key not in ("kind", "sides")}
        return Place(kind=found, sides=tuple(sides), points=self.shape(drawn, where, SHAPE_KEYS), entry=where)


def read_role(text: str, *, whose: str) -> Role:
    """A role from its text. CircuitError, which names whose it is, where the standard knows no such function."""
    function = ",".join(word.strip() for word in text.split(","))
    kind = function.split(",", 1)[0]
    forms = {"Copper": _COPPER, "Soldermask": _SIDED, "Legend": _SIDED, "Profile": _PROFILE}
    forms |= {"Plated": _DRILL, "NonPlated": _DRILL, MIXED: _MIXED}
    form = forms.get(kind)
    if kind in _CARRIED:
        return Role(function=function)
    if form is None or not form.fullmatch(function):
        raise CircuitError(
            f"{whose} is said to be {text!r}, which is no file function of the Gerber standard.",
            mend=f"Such a file is one of: {'; '.join(FORMS)}.",
        )
    return Role(function=function)


def read_roles(texts: Sequence[str]) -> dict[str, Role]:
    """What the user says of files: by name, from FILE=FUNCTION each. Raises CircuitError."""
    roles: dict[str, Role] = {}
    for text in texts:
        name, sign, function = text.rpartition("=")
        name = name.strip()
        if not sign or not name or not function.strip():
            raise CircuitError(
                f"A layer is given as {text!r}.",
                mend="Write FILE=FUNCTION, such as top.gbr=Copper,L1,Top.",
            )
        if name in roles:
            raise CircuitError(f"The layer of {name} is given twice.", mend="Say it once.")
        roles[name] = read_role(function, whose=name)
    return roles


def refuse_board_file(name: str) -> None:
    """Raise CircuitError: there are a circuit and a board file of that name."""
    raise CircuitError(
        f"There are a circuit and the board file {name}.",
        mend="The circuit's own files say where the board ends, and where its holes are: leave the board file out.",
        setting="board_file",
    )


def check_circuit_files(files: Mapping[str, bytes], *, name: str) -> None:
    """CircuitError where there are too many files, or too much of them, or none."""
    if not files:
        raise CircuitError(
            f"{name} holds no files.", mend="Give the folder or archive with the circuit's Gerber files."
        )
    if len(files) > MAX_FILES:
        raise too_many(name)
    if sum(map(len, files.values())) > MAX_BYTES:
        raise too_much(name)


def too_many(name: str) -> CircuitError:
    """The error of a circuit of too many files."""
    return CircuitError(f"{name} holds more than {MAX_FILES} files.", mend="Give the circuit's own files alone.")


def too_much(name: str) -> CircuitError:
    """The error of a circuit of too many bytes."""
    return CircuitError(
        f"{name} holds more than {MAX_BYTES // 1024**2} MB.", mend="Give the circuit's own files alone."
    )
