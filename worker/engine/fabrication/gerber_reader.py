"""Gerber and drill files as a reader that we did not write understands them: gerbonara.

What a package is proved with must not be what it was written with. So nothing here knows how our files are made: any
file is taken that gerbonara takes, from a fab as well. What it complains about is kept, word for word.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.errors import ReturnedFileError

_OF_PYTHON = re.compile(r"NoneType|\bobject\b|operand|not defined|out of range|argument|not subscriptable|to unpack")
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

    def attribute(self, name: str) -> str:
        """The fields of a file attribute, joined by commas; "" where the file has none."""
        return ",".join(self.attributes.get(name, ()))


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadHole:
    """A drilled hole, or a slot to the second point, in mm."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    slot_to: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadDrill:
    """A drill file, read. function : value of its .FileFunction comment, or ""."""

    name: str
    function: str
    holes: tuple[ReadHole, ...]
    remarks: tuple[str, ...]


def read_gerber(data: bytes, *, name: str) -> ReadLayer:
    """Read one Gerber file. ReturnedFileError where the reader gives up."""
    from gerbonara.rs274x import GerberFile, GerberParser

    remarks: list[str] = []

    class Parser(GerberParser):  # type: ignore[misc]
        """The reader, whose complaints come here and not into Python's warnings."""

        def warn(self, msg: str, kls: type[Warning] = SyntaxWarning) -> None:
            del kls
            remarks.append(f"line {self.lineno}: {msg}".rstrip("."))

    file = GerberFile()
    try:
        Parser(file).parse(_text(data, name), name)
        return _layer(file, name, remarks)
    except Exception as error:  # a file from anywhere can bring another's code to fall in any way
        raise _unreadable(name, error) from error


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


def _layer(file: object, name: str, remarks: Sequence[str]) -> ReadLayer:
    collected = _Collected()
    for thing in file.objects:  # type: ignore[attr-defined]
        collected.take(thing)
    unit = getattr(file, "unit", None)
    return ReadLayer(
        name=name,
        attributes={key: tuple(value) for key, value in file.file_attrs.items()},  # type: ignore[attr-defined]
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
    )


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
        parser.do_parse(text, filename=name)
        holes = tuple(_holes(parser.objects))
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


def _holes(objects: Iterable[object]) -> Iterable[ReadHole]:
    from gerbonara.graphic_objects import Flash, Line
    from gerbonara.utils import MM

    for thing in objects:
        drilled = thing.converted(MM)  # type: ignore[attr-defined]
        diameter = float(drilled.tool.equivalent_width(MM))
        if isinstance(drilled, Flash):
            yield ReadHole(x_mm=drilled.x, y_mm=drilled.y, diameter_mm=diameter, slot_to=None)
        elif isinstance(drilled, Line):
            end = (drilled.x2, drilled.y2)
            yield ReadHole(x_mm=drilled.x1, y_mm=drilled.y1, diameter_mm=diameter, slot_to=end)
        else:
            raise ReturnedFileError(
                "A drill file routes an arc.", mend="Only holes and straight slots are compared: look at it by eye."
            )
