"""Gerber and drill files as a reader that we did not write understands them: gerbonara.

What a package is proved with must not be what it was written with. So nothing here knows how our files are made: any
file is taken that gerbonara takes, from a fab as well. What it complains about is kept, word for word.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.errors import ReturnedFileError

_OF_PYTHON = re.compile(r"NoneType|\bobject\b|operand|not defined|out of range|argument|not subscriptable|to unpack")
_TOOL_ATTRIBUTE = re.compile(r"\s*;\s*#@!\s*(TA\.AperFunction,(Plated|NonPlated)\b|TD(?:\.AperFunction)?\s*$)")
_TOOL = re.compile(r"\s*T(\d+)[^\n]*C")
_SLOT = re.compile(r"^((?:[XY][+-]?[0-9.]+)+)G85((?:[XY][+-]?[0-9.]+)+)[ \t]*$", re.MULTILINE)
_PLACE = re.compile(r'[^\n]{0,200}?:\d+ ".{0,80}?"(?=:)')


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadLayer:
    """A Gerber file, read: its objects in the order in which they are painted, N of them.

    attributes : of the file, by name with its dot: ".FileFunction" to its fields.
    unit : "mm" or "in", as the file has it; lengths here are mm.
    points : float64 (P, 2), corners of all areas with straight edges, x and y upward. starts : int64 (R + 1,).
    dark : bool (N,). boxes : float64 (N, 4), left, low, right, high. areas : int64 (N,), an area's number, or -1 for
    an object of another kind, whose SVG (in mm, in the current colour where it is dark) `drawings` holds.
    lines : float64 (L, 5), of strokes: both ends and the width. regions, flashes : how many objects were one.
    open_regions : how many regions end where they don't begin. remarks : what the reader complained about.
    functions, nets : of each object its .AperFunction and .N attribute, fields joined by commas, "" where it has none;
    empty where they were not asked for.
    """

    name: str
    attributes: dict[str, tuple[str, ...]]
    unit: str
    points: Floats
    starts: npt.NDArray[np.int64]
    dark: npt.NDArray[np.bool_]
    boxes: Floats
    areas: npt.NDArray[np.int64]
    drawings: dict[int, str]
    lines: Floats
    regions: int
    flashes: int
    open_regions: int
    remarks: tuple[str, ...]
    functions: tuple[str, ...] = ()
    nets: tuple[str, ...] = ()

    def attribute(self, name: str) -> str:
        """The fields of a file attribute, joined by commas; "" where the file has none."""
        return ",".join(self.attributes.get(name, ()))


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadHole:
    """A drilled hole, or a slot to the second point, in mm. plated : as its tool's attribute says; None without one."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    slot_to: tuple[float, float] | None
    plated: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadDrill:
    """A drill file, read. function : value of its .FileFunction comment, or ""."""

    name: str
    function: str
    holes: tuple[ReadHole, ...]
    remarks: tuple[str, ...]


def read_gerber(data: bytes, *, name: str, marked: bool = False) -> ReadLayer:
    """Read one Gerber file. ReturnedFileError where the reader gives up.

    `marked` : read too what each object is and which net it belongs to, if the file tells.
    """
    remarks: list[str] = []
    file = _parsed(data, name, remarks, marked)
    try:
        return _layer(file, name, remarks, marked)
    except Exception as error:
        raise _unreadable(name, error) from error


def graphic_objects(data: bytes, *, name: str, marked: bool = False) -> Sequence[Any]:
    """The reader's own objects of a Gerber file, strokes and arcs as they are. ReturnedFileError.

    `marked` : regions, too, carry the attributes that hold for them.
    """
    return _parsed(data, name, [], marked).objects  # type: ignore[no-any-return]


def _parsed(data: bytes, name: str, remarks: list[str], marked: bool) -> Any:
    from gerbonara.rs274x import GerberFile, GerberParser

    class Parser(GerberParser):  # type: ignore[misc]
        """The reader, whose complaints come here and not into Python's warnings."""

        def warn(self, msg: str, kls: type[Warning] = SyntaxWarning) -> None:
            del kls
            remarks.append(f"line {self.lineno}: {msg}".rstrip("."))

        def _parse_region_start(self, match: object) -> None:
            self.before_region = len(self.target.objects)
            super()._parse_region_start(match)

        def _parse_region_end(self, match: object) -> None:
            super()._parse_region_end(match)
            if marked:  # the reader keeps attributes of strokes and flashes alone
                for region in self.target.objects[self.before_region :]:
                    region.attrs = {**self.aperture_attrs, **self.graphics_state.object_attrs}

    file = GerberFile()
    try:
        Parser(file).parse(_text(data, name), name)
    except ReturnedFileError:
        raise
    except Exception as error:  # a file from anywhere can bring another's code to fall in any way
        raise _unreadable(name, error) from error
    return file


def _text(data: bytes, name: str) -> str:
    try:
        return data.decode("ascii")
    except UnicodeDecodeError:
        try:
            return data.decode("utf-8")
        except UnicodeDecodeError as error:
            raise _unreadable(name, error) from error


def _unreadable(name: str, error: Exception) -> ReturnedFileError:
    said = (str(error).strip().splitlines() or ["no reason given"])[0].rstrip(".")
    if _OF_PYTHON.search(said):  # words for the reader's makers; the place before them is for everybody
        place = _PLACE.match(said)
        said = f"{place[0] if place else 'what stands there'} makes no sense to the reader"
    return ReturnedFileError(
        f"{name} can't be read: {said}.", mend="It must be a Gerber or an Excellon (XNC) file: write it anew."
    )


def _layer(file: Any, name: str, remarks: Sequence[str], marked: bool) -> ReadLayer:
    collected = _Collected()
    functions: list[str] = []
    nets: list[str] = []
    for thing in file.objects:
        collected.take(thing)
        if marked:
            primitives = len(collected.areas) - len(nets)
            functions += [_marked(thing, ".AperFunction")] * primitives
            nets += [_marked(thing, ".N")] * primitives
    unit = getattr(file, "unit", None)
    return ReadLayer(
        name=name,
        attributes={key: tuple(value) for key, value in file.file_attrs.items()},
        unit="" if unit is None else {"mm": "mm"}.get(str(unit.shorthand), "in"),
        points=np.array(collected.points, np.float64).reshape(-1, 2),
        starts=np.array(collected.starts, np.int64),
        dark=np.array(collected.dark, np.bool_),
        boxes=np.array(collected.boxes, np.float64).reshape(-1, 4),
        areas=np.array(collected.areas, np.int64),
        drawings=collected.drawings,
        lines=np.array(collected.lines, np.float64).reshape(-1, 5),
        regions=collected.regions,
        flashes=collected.flashes,
        open_regions=collected.open_regions,
        remarks=tuple(remarks),
        functions=tuple(functions),
        nets=tuple(nets),
    )


def _marked(thing: object, name: str) -> str:
    """An attribute of an object, or of the aperture that it is drawn with; "" where it has none."""
    own = getattr(thing, "attrs", None) or {}
    if name not in own:
        own = dict(getattr(getattr(thing, "aperture", None), "attrs", None) or ())
    return ",".join(own.get(name, ()))


class _Collected:
    """The reader's objects, sorted into arrays."""

    def __init__(self) -> None:
        self.points: list[tuple[float, float]] = []
        self.starts = [0]
        self.dark: list[bool] = []
        self.boxes: list[tuple[float, float, float, float]] = []
        self.areas: list[int] = []
        self.drawings: dict[int, str] = {}
        self.lines: list[tuple[float, ...]] = []
        self.regions = self.flashes = self.open_regions = 0

    def take(self, thing: object) -> None:
        from gerbonara.graphic_objects import Flash, Region
        from gerbonara.utils import MM

        if isinstance(thing, Region):
            self.regions += 1
            self.open_regions += thing.outline[0] != thing.outline[-1]
            if thing.unit == MM and not any(thing.arc_centers):
                self._area(thing.outline, thing.polarity_dark)
                return
        self.flashes += isinstance(thing, Flash)
        for primitive in thing.to_primitives(MM):  # type: ignore[attr-defined]
            self._primitive(primitive)

    def _area(self, outline: Sequence[tuple[float, float]], dark: bool) -> None:
        xs, ys = zip(*outline, strict=True)
        self.points.extend(outline)
        self.areas.append(len(self.starts) - 1)
        self.starts.append(len(self.points))
        self.dark.append(dark)
        self.boxes.append((min(xs), min(ys), max(xs), max(ys)))

    def _primitive(self, primitive: object) -> None:
        from gerbonara.graphic_primitives import Line, Rectangle

        dark: bool = primitive.polarity_dark  # type: ignore[attr-defined]
        if isinstance(primitive, Rectangle) and primitive.rotation == 0:
            self._area(primitive.to_arc_poly().outline, dark)
            return
        if isinstance(primitive, Line):
            self.lines.append((primitive.x1, primitive.y1, primitive.x2, primitive.y2, primitive.width))
        (left, low), (right, high) = primitive.bounding_box()  # type: ignore[attr-defined]
        self.drawings[len(self.areas)] = str(primitive.to_svg("currentColor", "#000"))  # type: ignore[attr-defined]
        self.areas.append(-1)
        self.dark.append(dark)
        self.boxes.append((left, low, right, high))


def shifted(read: ReadLayer, x_mm: float, y_mm: float) -> ReadLayer:
    """The layer, moved."""
    if x_mm == 0.0 and y_mm == 0.0:
        return read
    wrap = f'<g transform="translate({x_mm!r} {y_mm!r})">'
    return replace(
        read,
        points=read.points + np.array([x_mm, y_mm]),
        boxes=read.boxes + np.array([x_mm, y_mm, x_mm, y_mm]),
        lines=read.lines + np.array([x_mm, y_mm, x_mm, y_mm, 0.0]),
        drawings={i: f"{wrap}{drawing}</g>" for i, drawing in read.drawings.items()},
    )


def read_drill(data: bytes, *, name: str) -> ReadDrill:
    """Read one drill file. ReturnedFileError where the reader gives up."""
    from gerbonara.excellon import ExcellonParser

    remarks: list[str] = []

    class Parser(ExcellonParser):  # type: ignore[misc]
        """The reader, whose complaints come here and not into Python's warnings."""

        def warn(self, msg: str) -> None:
            remarks.append(f"line {self.lineno}: {msg}".rstrip("."))

    parser = Parser()
    text = _text(data, name)
    try:
        # the reader knows slots as routed lines, and not as G85
        parser.do_parse(_SLOT.sub(r"G00\1\nM15\nG01\2\nM16\nG05", text), filename=name)
        said = _plated_tools(text)
        plated = {id(tool): said.get(number) for number, tool in parser.tools.items()}
        holes = tuple(_holes(parser.objects, plated))
    except ReturnedFileError:
        raise
    except Exception as error:
        raise _unreadable(name, error) from error
    return ReadDrill(name=name, function=_drill_function(text), holes=holes, remarks=tuple(remarks))


def _drill_function(text: str) -> str:
    """The comment that says what a drill file is for: "; #@! TF.FileFunction,..."."""
    for line in text.splitlines():
        before, mark, value = line.partition("TF.FileFunction,")
        if mark and before.lstrip().startswith(";"):
            return value.strip()
    return ""


def _plated_tools(text: str) -> dict[int, bool]:
    """Which tools say that they are plated, or not: "; #@! TA.AperFunction,Plated,PTH,..." before they are defined."""
    out: dict[int, bool] = {}
    now: bool | None = None
    for line in text.splitlines():
        if found := _TOOL_ATTRIBUTE.match(line):
            now = None if found[2] is None else found[2] == "Plated"
        elif (tool := _TOOL.match(line)) and now is not None:
            out[int(tool[1])] = now
    return out


def _holes(objects: Iterable[object], plated: Mapping[int, bool | None]) -> Iterable[ReadHole]:
    from gerbonara.graphic_objects import Flash, Line
    from gerbonara.utils import MM

    for thing in objects:
        drilled = thing.converted(MM)  # type: ignore[attr-defined]
        diameter = float(drilled.tool.equivalent_width(MM))
        says = plated.get(id(thing.tool))  # type: ignore[attr-defined]
        if isinstance(drilled, Flash):
            yield ReadHole(x_mm=drilled.x, y_mm=drilled.y, diameter_mm=diameter, slot_to=None, plated=says)
        elif isinstance(drilled, Line):
            end = (drilled.x2, drilled.y2)
            yield ReadHole(x_mm=drilled.x1, y_mm=drilled.y1, diameter_mm=diameter, slot_to=end, plated=says)
        else:
            raise ReturnedFileError(
                "A drill file routes an arc.", mend="Only holes and straight slots are compared: look at it by eye."
            )
