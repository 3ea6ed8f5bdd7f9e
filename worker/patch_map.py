"""A patch map: where the patches of a coupon are, so that a photograph of it can be read. Read and write its JSON.

Lengths are in mm from the upper left corner of the coupon: x to the right, y down. A map says nothing of colours, and
one made by hand serves as well as one that `maskwright coupon` wrote.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, NoReturn, cast

from worker.bounded_text import TextFault, is_finite, parse_json, shown
from worker.errors import PatchMapError
from worker.finish import FAR_COPPER, FarCopper

SCHEMA_VERSION = 1
MAX_BYTES = 4 * 1024 * 1024
MAX_PATCHES = 1_000
MAX_MM = 2_000.0

Corner = Literal["top_left", "top_right", "bottom_right", "bottom_left"]
PatchKind = Literal["solid"]
Point = tuple[float, float]
Quad = tuple[Point, Point, Point, Point]

CORNERS: tuple[Corner, ...] = ("top_left", "top_right", "bottom_right", "bottom_left")
"""The order in which every list of four corners stands."""
KINDS: tuple[PatchKind, ...] = ("solid",)

KEYS = {
    "schema_version": f"{SCHEMA_VERSION}",
    "units": "mm",
    "note": "anything a reader should know",
    "board": "table: width, height",
    "corners": "table: coupon and chart, each four [x, y] in the order " + ", ".join(CORNERS),
    "odd_corner": "which corner has the odd mark: " + ", ".join(CORNERS),
    "patches": "list of patches",
    "surround": "list of [x, y, width, height]: where the neutral surround is seen",
}
PATCH_KEYS = {
    "finish": "id of the finish",
    "x": "left edge",
    "y": "upper edge",
    "width": "width",
    "height": "height",
    "repeat": "which of the finish's patches this is, from 1",
    "far_copper": ", ".join(FAR_COPPER),
    "kind": ", ".join(KINDS),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectangle:
    """An upright rectangle in mm."""

    x: float
    y: float
    width: float
    height: float

    @property
    def corners(self) -> Quad:
        """Its corners in the order of `CORNERS`."""
        right, bottom = self.x + self.width, self.y + self.height
        return ((self.x, self.y), (right, self.y), (right, bottom), (self.x, bottom))


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A place on the coupon that shows one finish alone."""

    finish: str
    place: Rectangle
    repeat: int = 1
    far_copper: FarCopper = "unknown"
    kind: PatchKind = "solid"


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchMap:
    """Where the patches of a coupon are.

    `coupon_corners` are the corners of the board; `chart_corners` those of a colour chart that is fixed to it, or None
    where the chart lies loose. `surround` is where the neutral surround is seen, which may be off the board.
    """

    width_mm: float
    height_mm: float
    coupon_corners: Quad
    patches: tuple[Patch, ...]
    chart_corners: Quad | None = None
    odd_corner: Corner = "top_left"
    surround: tuple[Rectangle, ...] = ()
    note: str = ""


class _Reader:
    """Reads one parsed map; every complaint names the file, the place and the mend."""

    def __init__(self, file_name: str) -> None:
        self.file_name = file_name

    def fail(self, where: str, what: str, mend: str) -> NoReturn:
        raise PatchMapError(f"{self.file_name}: {where} {what}.", mend=mend)

    def table(self, value: object, where: str, known: Mapping[str, str], needed: tuple[str, ...]) -> dict[str, Any]:
        if not isinstance(value, dict):
            self.fail(where, f"is {shown(value)}, not an object", f"Give it as an object with: {', '.join(known)}.")
        table = cast(dict[str, Any], value)
        for name in table:
            if name not in known:
                self.fail(where, f"has an unknown key {shown(name)}", f"Known here: {', '.join(known)}.")
        for name in needed:
            if name not in table:
                self.fail(where, f"has no {name}", f"Add {name}: {known[name]}.")
        return table

    def entries(self, value: object, where: str, least: int, most: int) -> list[object]:
        if not isinstance(value, list) or not least <= len(value) <= most:
            got = f"has {len(value)} entries" if isinstance(value, list) else f"is {shown(value)}, not a list"
            self.fail(where, got, f"Give {least} entries." if least == most else f"List {least} to {most} entries.")
        return cast(list[object], value)

    def number(self, value: object, where: str, low: float, high: float) -> float:
        if not isinstance(value, int | float) or not is_finite(value):
            self.fail(where, f"is {shown(value)}, not a number", "Give a length in mm.")
        if not low <= value <= high:
            self.fail(where, f"is {shown(value)} mm", f"Give {low:g} to {high:g} mm.")
        return float(value)

    def choice(self, value: object, where: str, known: tuple[str, ...]) -> str:
        if value not in known:
            self.fail(where, f"is {shown(value)}", f"Choose one of: {', '.join(known)}.")
        return str(value)

    def quad(self, value: object, where: str) -> Quad:
        points = []
        for i, entry in enumerate(self.entries(value, where, 4, 4)):
            x, y = self.entries(entry, f"{where}[{i}]", 2, 2)
            points.append(
                (self.number(x, f"{where}[{i}] x", -MAX_MM, MAX_MM), self.number(y, f"{where}[{i}] y", -MAX_MM, MAX_MM))
            )
        quad = (points[0], points[1], points[2], points[3])
        if not clockwise(quad):
            self.fail(where, "do not go round an area clockwise", f"List the corners as {', '.join(CORNERS)}.")
        return quad

    def rectangle(self, where: str, x: object, y: object, width: object, height: object) -> Rectangle:
        return Rectangle(
            x=self.number(x, f"{where} x", -MAX_MM, MAX_MM),
            y=self.number(y, f"{where} y", -MAX_MM, MAX_MM),
            width=self.number(width, f"{where} width", 0.1, MAX_MM),
            height=self.number(height, f"{where} height", 0.1, MAX_MM),
        )

    def patch(self, value: object, where: str, board: Rectangle) -> Patch:
        table = self.table(value, where, PATCH_KEYS, ("finish", "x", "y", "width", "height"))
        if not isinstance(table["finish"], str) or not table["finish"]:
            self.fail(f"{where} finish", f"is {shown(table['finish'])}", "Give the id of a finish of the profile.")
        place = self.rectangle(where, table["x"], table["y"], table["width"], table["height"])
        if not _within(place, board):
            self.fail(where, f"({table['finish']}) reaches over the board's edge", "Keep every patch on the board.")
        repeat = table.get("repeat", 1)
        if isinstance(repeat, bool) or not isinstance(repeat, int) or not 1 <= repeat <= MAX_PATCHES:
            self.fail(f"{where} repeat", f"is {shown(repeat)}", "Count the patches of a finish from 1.")
        return Patch(
            finish=table["finish"],
            place=place,
            repeat=repeat,
            far_copper=cast(
                FarCopper, self.choice(table.get("far_copper", "unknown"), f"{where} far_copper", FAR_COPPER)
            ),
            kind=cast(PatchKind, self.choice(table.get("kind", "solid"), f"{where} kind", KINDS)),
        )


def read_patch_map(data: bytes, *, file_name: str = "patch map") -> PatchMap:
    """Read and validate a patch map.

    Parameters
    ----------
    data : bytes
        The file, UTF-8 JSON, at most 4 MiB.
    file_name : str
        How errors name the file.

    Raises
    ------
    PatchMapError
        Names the file, the place and the mend.
    """
    reader = _Reader(file_name)
    if len(data) > MAX_BYTES:
        reader.fail("it", f"has {len(data)} bytes", f"Keep a patch map under {MAX_BYTES} bytes.")
    try:
        parsed = parse_json(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        reader.fail("it", f"is no JSON (byte {error.start} is not UTF-8)", "Give the patch_map.json of the coupon.")
    except TextFault as fault:
        reader.fail("it", f"is no JSON that is read here ({fault.what})", "Give the patch_map.json of the coupon.")
    table = reader.table(parsed, "it", KEYS, ("schema_version", "board", "corners", "patches"))
    if table["schema_version"] != SCHEMA_VERSION or isinstance(table["schema_version"], bool):
        reader.fail("schema_version", f"is {shown(table['schema_version'])}", f"This version reads {SCHEMA_VERSION}.")
    reader.choice(table.get("units", "mm"), "units", ("mm",))
    size = reader.table(table["board"], "board", {"width": "in mm", "height": "in mm"}, ("width", "height"))
    board = reader.rectangle("board", 0, 0, size["width"], size["height"])
    note = table.get("note", "")
    if not isinstance(note, str):
        reader.fail("note", f"is {shown(note)}", "Write it as text.")
    corners = reader.table(table["corners"], "corners", {"coupon": KEYS["corners"], "chart": "or null"}, ("coupon",))
    chart = corners.get("chart")
    return PatchMap(
        width_mm=board.width,
        height_mm=board.height,
        coupon_corners=reader.quad(corners["coupon"], "corners.coupon"),
        chart_corners=None if chart is None else reader.quad(chart, "corners.chart"),
        odd_corner=cast(Corner, reader.choice(table.get("odd_corner", "top_left"), "odd_corner", CORNERS)),
        patches=_patches(reader, table["patches"], board),
        surround=tuple(
            reader.rectangle(f"surround[{i}]", *reader.entries(entry, f"surround[{i}]", 4, 4))
            for i, entry in enumerate(reader.entries(table.get("surround", []), "surround", 0, MAX_PATCHES))
        ),
        note=note,
    )


def _patches(reader: _Reader, value: object, board: Rectangle) -> tuple[Patch, ...]:
    entries = reader.entries(value, "patches", 1, MAX_PATCHES)
    patches = tuple(reader.patch(entry, f"patches[{i}]", board) for i, entry in enumerate(entries))
    # Sorted by their left edge, a patch can only meet those that begin before it ends.
    order = sorted(range(len(patches)), key=lambda i: patches[i].place.x)
    for rank, i in enumerate(order):
        for j in order[rank + 1 :]:
            if patches[j].place.x >= patches[i].place.x + patches[i].place.width - 1e-6:
                break
            if _overlap(patches[i].place, patches[j].place):
                first, second = sorted((i, j))
                reader.fail(f"patches[{second}]", f"overlaps patches[{first}]", "Keep the patches apart.")
    return patches


def write_patch_map(patch_map: PatchMap) -> bytes:
    """A patch map as JSON, one patch a line."""
    chart = patch_map.chart_corners
    head = {
        "schema_version": SCHEMA_VERSION,
        "units": "mm",
        "note": patch_map.note,
        "board": {"width": patch_map.width_mm, "height": patch_map.height_mm},
        "corners": {"coupon": patch_map.coupon_corners, "chart": chart},
        "odd_corner": patch_map.odd_corner,
    }
    lines = [f"  {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}" for key, value in head.items()]
    lines.append(_list("patches", [_patch_item(patch) for patch in patch_map.patches]))
    lines.append(_list("surround", [[s.x, s.y, s.width, s.height] for s in patch_map.surround]))
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode()


def _patch_item(patch: Patch) -> dict[str, object]:
    place = patch.place
    return {
        "finish": patch.finish,
        "x": place.x,
        "y": place.y,
        "width": place.width,
        "height": place.height,
        "repeat": patch.repeat,
        "far_copper": patch.far_copper,
        "kind": patch.kind,
    }


def _list(name: str, entries: list[Any]) -> str:
    rows = ",\n    ".join(json.dumps(entry) for entry in entries)
    return f'  "{name}": [\n    {rows}\n  ]' if rows else f'  "{name}": []'


def _within(inner: Rectangle, outer: Rectangle) -> bool:
    slack = 1e-6
    return (
        inner.x >= outer.x - slack
        and inner.y >= outer.y - slack
        and inner.x + inner.width <= outer.x + outer.width + slack
        and inner.y + inner.height <= outer.y + outer.height + slack
    )


def _overlap(a: Rectangle, b: Rectangle) -> bool:
    slack = 1e-6
    across = min(a.x + a.width, b.x + b.width) - max(a.x, b.x)
    down = min(a.y + a.height, b.y + b.height) - max(a.y, b.y)
    return across > slack and down > slack


def clockwise(quad: Quad) -> bool:
    """Whether four corners go round a convex area clockwise, as seen with y down."""
    for i in range(4):
        (ax, ay), (bx, by), (cx, cy) = quad[i], quad[(i + 1) % 4], quad[(i + 2) % 4]
        if (bx - ax) * (cy - by) - (by - ay) * (cx - bx) <= 0:
            return False
    return True
