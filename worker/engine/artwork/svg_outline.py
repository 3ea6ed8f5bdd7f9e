"""A closed path of an SVG artwork, found by its id, as rings on the board: for its outline.

Only what moves the path counts: its transform, those of the groups round it, and the root's viewBox (SVG 1.1, sections
7.6, 7.8 and 9; W3C Recommendation 2011). Fill and stroke don't.
"""

from __future__ import annotations

import math
import re
from typing import NoReturn
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.engine.artwork.svg import svg_frame, svg_length
from worker.engine.artwork.svg_gate import GatedSvg, gate_svg
from worker.errors import BoardError
from worker.outlines import CHORD_MM, read_path_data

_SVG = "{http://www.w3.org/2000/svg}"
_SHAPES = ("path", "rect", "circle", "ellipse", "polygon", "polyline")
_THROUGH = ("svg", "g", "a", "switch", "defs")
_FUNCTION = re.compile(r"[\s,]*([A-Za-z]+)\s*\(([^()]*)\)")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_PLAIN = "Ungroup it, and save it as a plain path."

Matrix = npt.NDArray[np.float64]
"""float64 (3, 3), of columns (x, y, 1)."""


def svg_outline(data: bytes, wanted: str, *, name: str, width_mm: float, height_mm: float) -> list[Floats]:
    """The subpaths of one element of an SVG.

    Parameters
    ----------
    wanted : str
        The element's id: a path, rect, circle, ellipse, polygon or polyline.
    width_mm, height_mm : float
        The size that the whole picture has on the board.

    Returns
    -------
    list of float64 (n, 2), mm from the picture's lower left corner, y upward; closed, with no repeated last point,
    within CHORD_MM of the curves.

    Raises
    ------
    ArtworkError, BoardError
        There is no such element, it isn't closed, or it stands where it can't be followed; names the mend.
    """
    return _Finder(gate_svg(data, name=name), wanted, name).rings(width_mm, height_mm)


class _Finder:
    def __init__(self, gated: GatedSvg, wanted: str, name: str) -> None:
        self.gated = gated
        self.wanted = wanted
        self.name = name

    def fail(self, what: str, mend: str) -> NoReturn:
        raise BoardError(f"{self.name}: board path:#{self.wanted}: {what}.", mend=mend)

    def rings(self, width_mm: float, height_mm: float) -> list[Floats]:
        root = ElementTree.fromstring(self.gated.root)
        chain = self.chain(root)
        matrix = self.root_matrix(width_mm, height_mm)
        for element in chain:
            matrix = matrix @ self.transform(element)
        element = chain[-1]
        stretch = float(np.linalg.norm(matrix[:2, :2], 2))
        if not stretch > 1e-9:
            self.fail("its transform leaves nothing of it", _PLAIN)
        subpaths = read_path_data(
            self.path_data(element), where=f"{self.name}: #{self.wanted}", chord=CHORD_MM / stretch
        )
        rings = []
        for i, subpath in enumerate(subpaths):
            if not subpath.closed and element.tag != f"{_SVG}polygon":
                self.fail(
                    f"its part {i + 1} of {len(subpaths)} is open", "Close the path in your drawing program and save."
                )
            if len(subpath.points) >= 3:
                points = np.array(subpath.points)
                rings.append(points @ matrix[:2, :2].T + matrix[:2, 2])
        if not rings:
            self.fail("it has no area", "Choose the id of a closed path.")
        return rings

    def chain(self, root: ElementTree.Element) -> list[ElementTree.Element]:
        """The element with the groups round it, outermost first, without the root."""
        found = _path_to(root, self.wanted)
        if found is None or found == [root]:
            ids = [each.get("id", "") for each in root.iter() if each.tag in {_SVG + kind for kind in _SHAPES}]
            known = ", ".join("#" + each for each in ids if each)[:300] or "none: give it an id in the drawing"
            self.fail("the SVG has no shape of this id", f"Its shapes with an id: {known}.")
        for element in found:
            local = element.tag.removeprefix(_SVG)
            style = element.get("style", "")
            allowed = _SHAPES if element is found[-1] else _THROUGH if element is not root else ("svg",)
            if local not in allowed or (local == "svg" and element is not root):
                self.fail(f"it is, or stands in, a <{local}>", f"{_PLAIN} It may be one of: {', '.join(_SHAPES)}.")
            if "transform" in style or (element.get("class") and "transform" in self.gated.root):
                self.fail("it is moved by a style", "Apply its transforms in your drawing program.")
        return found[1:]

    def root_matrix(self, width_mm: float, height_mm: float) -> Matrix:
        """From the root's user units to mm, y upward."""
        left, top, width, height = svg_frame(self.gated, self.name)
        box = self.gated.attributes.get("viewBox")
        matrix = _matrix(1.0, 0.0, 0.0, 1.0, left, top)
        if box is not None:
            x, y, w, h = (float(part) for part in box.replace(",", " ").split())
            align, _, way = self.gated.attributes.get("preserveAspectRatio", "xMidYMid meet").strip().partition(" ")
            sx, sy = width / w, height / h
            if align != "none":
                sx = sy = max(sx, sy) if way.strip() == "slice" else min(sx, sy)
            share_x, share_y = (_ALIGN.get(align[i : i + 4].lower()[1:], 0.5) for i in (0, 4))
            if align == "none":
                share_x = share_y = 0.0
            matrix = _matrix(
                sx, 0.0, 0.0, sy, left + share_x * (width - sx * w) - sx * x, top + share_y * (height - sy * h) - sy * y
            )
        across, up = width_mm / width, height_mm / height
        return _matrix(across, 0.0, 0.0, -up, -left * across, height_mm + top * up) @ matrix

    def transform(self, element: ElementTree.Element) -> Matrix:
        text, matrix, at = element.get("transform", ""), np.eye(3), 0
        while text[at:].strip(" ,\t\r\n"):
            found = _FUNCTION.match(text, at)
            step = None if found is None else _step(found[1], [float(one) for one in _NUMBER.findall(found[2])])
            if found is None or step is None:
                self.fail(f"the transform {text[:60]!r} can't be read", _PLAIN)
            matrix, at = matrix @ step, found.end()
        return matrix

    def path_data(self, element: ElementTree.Element) -> str:
        kind = element.tag.removeprefix(_SVG)
        if kind == "path":
            return element.get("d", "")
        if kind in ("polygon", "polyline"):
            return f"M {element.get('points', '')} {'Z' if kind == 'polygon' else ''}"
        if kind == "rect":
            return self.rectangle(element)
        x, y = self.length(element, "cx"), self.length(element, "cy")
        rx, ry = (self.length(element, key) for key in (("r", "r") if kind == "circle" else ("rx", "ry")))
        return f"M {x + rx!r} {y!r} A {rx!r} {ry!r} 0 0 1 {x - rx!r} {y!r} A {rx!r} {ry!r} 0 0 1 {x + rx!r} {y!r} Z"

    def rectangle(self, element: ElementTree.Element) -> str:
        x, y, w, h = (self.length(element, key) for key in ("x", "y", "width", "height"))
        given = [self.length(element, key) if element.get(key, "auto") != "auto" else None for key in ("rx", "ry")]
        rx = min(w / 2.0, next((each for each in given if each is not None), 0.0))
        ry = min(h / 2.0, next((each for each in reversed(given) if each is not None), 0.0))
        arc = f"A {rx!r} {ry!r} 0 0 1"
        return (
            f"M {x + rx!r} {y!r} H {x + w - rx!r} {arc} {x + w!r} {y + ry!r} V {y + h - ry!r} {arc} "
            f"{x + w - rx!r} {y + h!r} H {x + rx!r} {arc} {x!r} {y + h - ry!r} V {y + ry!r} {arc} {x + rx!r} {y!r} Z"
        )

    def length(self, element: ElementTree.Element, key: str) -> float:
        text = element.get(key, "0")
        value = svg_length(text, key, self.name)
        if value is None or not math.isfinite(value):
            self.fail(f"its {key} is {text[:40]!r}", "Give it in px or mm.")
        return value


_ALIGN = {"min": 0.0, "mid": 0.5, "max": 1.0}


def _path_to(element: ElementTree.Element, wanted: str) -> list[ElementTree.Element] | None:
    if element.get("id") == wanted:
        return [element]
    for inner in element:
        found = _path_to(inner, wanted)
        if found is not None:
            return [element, *found]
    return None


def _matrix(a: float, b: float, c: float, d: float, e: float, f: float) -> Matrix:
    return np.array([[a, c, e], [b, d, f], [0.0, 0.0, 1.0]])


def _step(name: str, numbers: list[float]) -> Matrix | None:
    """One function of a transform list; None where it is none."""
    match name, len(numbers):
        case "matrix", 6:
            return _matrix(*numbers)
        case "translate", 1 | 2:
            return _matrix(1.0, 0.0, 0.0, 1.0, numbers[0], numbers[1] if len(numbers) == 2 else 0.0)
        case "scale", 1 | 2:
            return _matrix(numbers[0], 0.0, 0.0, numbers[-1], 0.0, 0.0)
        case "rotate", 1 | 3:
            turn = math.radians(numbers[0])
            x, y = (numbers[1], numbers[2]) if len(numbers) == 3 else (0.0, 0.0)
            cos, sin = math.cos(turn), math.sin(turn)
            return _matrix(cos, sin, -sin, cos, x - cos * x + sin * y, y - sin * x - cos * y)
        case "skewX", 1:
            return _matrix(1.0, 0.0, math.tan(math.radians(numbers[0])), 1.0, 0.0, 0.0)
        case "skewY", 1:
            return _matrix(1.0, math.tan(math.radians(numbers[0])), 0.0, 1.0, 0.0, 0.0)
    return None
