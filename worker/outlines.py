"""Outlines as points: SVG path data, circles and slots as polylines within a stated chord error. Light: no numpy.

Path data follows SVG 1.1 (W3C Recommendation 2011), section 8.3: all commands, absolute and relative, and arcs by the
formulas of its appendix F.6.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NoReturn

from worker.errors import BoardError

Point = tuple[float, float]

CHORD_MM = 0.0005
"""A polyline leaves the curve that it stands for by at most so much."""

MAX_POINTS = 200_000
_COUNTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}
_NUMBER = re.compile(r"[\s,]*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)")
_FLAG = re.compile(r"[\s,]*([01])")
_COMMAND = re.compile(r"[\s,]*([A-Za-z])")
_MOST = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Subpath:
    """One run of the pen. `points` without a repeated last point where it is closed."""

    points: tuple[Point, ...]
    closed: bool


def read_path_data(text: str, *, where: str, chord: float = CHORD_MM) -> list[Subpath]:
    """The subpaths of SVG path data as polylines.

    Parameters
    ----------
    where : str
        How errors name the entry.
    chord : float
        How far a polyline may leave its curve, in the path's own units.

    Raises
    ------
    BoardError
        The text is no path data, or has too many points; names the character.
    """
    return _Pen(text, where, chord).run()


def circle_points(x: float, y: float, diameter: float) -> tuple[Point, ...]:
    """A circle, counter-clockwise where y runs upward, its points on it, four of them its extremes."""
    quarter = math.pi / 2.0
    arcs = [list(_arc_points((x, y), diameter / 2.0, i * quarter, quarter))[:-1] for i in range(4)]
    return tuple(point for arc in arcs for point in arc)


def slot_points(start: Point, end: Point, width: float) -> tuple[Point, ...]:
    """A slot with round ends, `width` wide, whose middle runs from `start` to `end`."""
    along = math.atan2(end[1] - start[1], end[0] - start[0])
    quarter = math.pi / 2.0
    return (
        *_arc_points(end, width / 2.0, along - quarter, math.pi),
        *_arc_points(start, width / 2.0, along + quarter, math.pi),
    )


def rounded_rectangle_points(width: float, height: float, radius: float) -> tuple[Point, ...]:
    """A rectangle from (0, 0) to (width, height) with round corners."""
    if radius == 0.0:
        return (0.0, 0.0), (width, 0.0), (width, height), (0.0, height)
    centres = ((width - radius, radius), (width - radius, height - radius), (radius, height - radius), (radius, radius))
    quarter = math.pi / 2.0
    return tuple(
        point for i, centre in enumerate(centres) for point in _arc_points(centre, radius, (i - 1) * quarter, quarter)
    )


def arc_steps(radius: float, angle: float, chord: float = CHORD_MM) -> int:
    """How many chords stand for an arc: a chord over the angle t leaves it by radius (1 - cos(t / 2))."""
    if radius <= chord:
        return max(3, math.ceil(abs(angle)))
    return max(1, math.ceil(abs(angle) / (2.0 * math.acos(1.0 - chord / radius))))


def _arc_points(centre: Point, radius: float, start: float, angle: float) -> Iterator[Point]:
    steps = arc_steps(radius, angle)
    for i in range(steps + 1):
        turn = start + angle * i / steps
        yield centre[0] + radius * math.cos(turn), centre[1] + radius * math.sin(turn)


class _Pen:
    """Draws one path."""

    def __init__(self, text: str, where: str, chord: float) -> None:
        self.text = text.rstrip()
        self.where = where
        self.chord = chord
        self.at = 0
        self.here: Point = (0.0, 0.0)
        self.handle: Point | None = None
        self.smooth = ""
        self.points: list[Point] = []
        self.subpaths: list[Subpath] = []
        self.drawn = 0

    def run(self) -> list[Subpath]:
        draw: dict[str, Callable[[str, list[float]], None]] = {
            "M": self.move, "L": self.line, "H": self.line, "V": self.line, "C": self.cubic, "S": self.cubic,
            "Q": self.quadratic, "T": self.quadratic, "A": self.arc,
        }  # fmt: skip
        letter = ""
        while self.at < len(self.text):
            found = _COMMAND.match(self.text, self.at)
            if found:
                letter, self.at = found[1], found.end()
            elif letter in "Zz":
                self.fail("no command")
            else:
                letter = {"M": "L", "m": "l"}.get(letter, letter)
            kind = letter.upper()
            if kind not in _COUNTS or (not self.subpaths and not self.points and kind != "M"):
                self.fail(f"the command {letter!r}" if kind not in _COUNTS else f"{letter!r} before any M")
            numbers = self.numbers(kind)
            if kind == "Z":
                self.close()
            else:
                draw[kind](letter, numbers)
            if kind not in "CSQT":
                self.handle = None
            self.smooth = kind
        self.finish(closed=False)
        return self.subpaths

    def fail(self, what: str) -> NoReturn:
        shown = self.text[max(0, self.at - 12) : self.at + 12]
        raise BoardError(
            f"{self.where}: the path data has {what} at character {self.at + 1}, near {shown!r}.",
            mend="Write SVG path data, such as M 0 0 H 60 V 40 H 0 Z.",
        )

    def numbers(self, kind: str) -> list[float]:
        values: list[float] = []
        for i in range(_COUNTS[kind]):
            flag = kind == "A" and i in (3, 4)
            found = (_FLAG if flag else _NUMBER).match(self.text, self.at)
            if found is None:
                self.fail(f"no {'flag' if flag else 'number'} ({i + 1} of {_COUNTS[kind]} for {kind})")
            value = float(found[1])
            if not abs(value) <= _MOST:
                self.fail(f"the number {found[1]}")
            values.append(value)
            self.at = found.end()
        return values

    def point(self, letter: str, x: float, y: float) -> Point:
        return (x, y) if letter.isupper() else (self.here[0] + x, self.here[1] + y)

    def check(self, point: Point) -> Point:
        """Relative steps may add up to what no number of the text says."""
        if not max(abs(point[0]), abs(point[1])) <= _MOST:
            self.fail(f"a point at {point[0]:g}, {point[1]:g}")
        return point

    def go(self, point: Point) -> None:
        if not self.points:
            self.points.append(self.here)
        self.drawn += 1
        if self.drawn > MAX_POINTS:
            self.fail(f"more than {MAX_POINTS:,} points")
        self.points.append(self.check(point))
        self.here = point

    def move(self, letter: str, numbers: list[float]) -> None:
        self.finish(closed=False)
        self.here = self.check(self.point(letter, numbers[0], numbers[1]))
        self.points = [self.here]

    def line(self, letter: str, numbers: list[float]) -> None:
        x, y = self.here
        if letter in "Hh":
            x = numbers[0] if letter == "H" else x + numbers[0]
        elif letter in "Vv":
            y = numbers[0] if letter == "V" else y + numbers[0]
        else:
            x, y = self.point(letter, numbers[0], numbers[1])
        self.go((x, y))

    def reflected(self, kinds: str) -> Point:
        """The first control point of a smooth curve."""
        if self.handle is None or self.smooth not in kinds:
            return self.here
        return 2.0 * self.here[0] - self.handle[0], 2.0 * self.here[1] - self.handle[1]

    def cubic(self, letter: str, numbers: list[float]) -> None:
        pairs = [self.point(letter, *numbers[i : i + 2]) for i in range(0, len(numbers), 2)]
        controls = [self.here, *([self.reflected("CS")] if letter in "Ss" else []), *pairs]
        self.curve(controls)
        self.handle = controls[2]

    def quadratic(self, letter: str, numbers: list[float]) -> None:
        pairs = [self.point(letter, *numbers[i : i + 2]) for i in range(0, len(numbers), 2)]
        controls = [self.here, *([self.reflected("QT")] if letter in "Tt" else []), *pairs]
        self.curve(controls)
        self.handle = controls[1]

    def curve(self, controls: list[Point]) -> None:
        """A Bézier curve of degree n in k equal steps leaves it by n (n - 1) / 8 max |second difference| / k^2."""
        degree = len(controls) - 1
        bend = max(
            math.hypot(a[0] - 2.0 * b[0] + c[0], a[1] - 2.0 * b[1] + c[1])
            for a, b, c in zip(controls, controls[1:], controls[2:], strict=False)
        )
        steps = max(1, math.ceil(math.sqrt(degree * (degree - 1) / 8.0 * bend / self.chord)))
        weights = [math.comb(degree, i) for i in range(degree + 1)]
        if steps > MAX_POINTS:
            self.fail(f"more than {MAX_POINTS:,} points")
        for k in range(1, steps):
            t = k / steps
            share = [weights[i] * t**i * (1.0 - t) ** (degree - i) for i in range(degree + 1)]
            self.go(
                (
                    sum(w * p[0] for w, p in zip(share, controls, strict=True)),
                    sum(w * p[1] for w, p in zip(share, controls, strict=True)),
                )
            )
        self.go(controls[-1])

    def arc(self, letter: str, numbers: list[float]) -> None:
        """SVG 1.1, F.6.5 and F.6.6: from end points to centre."""
        rx, ry, tilt = abs(numbers[0]), abs(numbers[1]), math.radians(numbers[2])
        start, end = self.here, self.point(letter, numbers[5], numbers[6])
        if start == end:
            return
        if rx == 0.0 or ry == 0.0:
            self.go(end)
            return
        cos, sin = math.cos(tilt), math.sin(tilt)
        dx, dy = (start[0] - end[0]) / 2.0, (start[1] - end[1]) / 2.0
        x, y = cos * dx + sin * dy, cos * dy - sin * dx
        grow = math.sqrt(max(1.0, (x / rx) ** 2 + (y / ry) ** 2))
        rx, ry = rx * grow, ry * grow
        below = (rx * y) ** 2 + (ry * x) ** 2
        root = math.sqrt(max(0.0, (rx * ry) ** 2 - below) / below)
        root = -root if numbers[3] == numbers[4] else root
        cx, cy = root * rx * y / ry, -root * ry * x / rx
        first = math.atan2((y - cy) / ry, (x - cx) / rx)
        sweep = math.atan2((-y - cy) / ry, (-x - cx) / rx) - first
        if numbers[4] and sweep < 0.0:
            sweep += 2.0 * math.pi
        elif not numbers[4] and sweep > 0.0:
            sweep -= 2.0 * math.pi
        middle = cos * cx - sin * cy + (start[0] + end[0]) / 2.0, sin * cx + cos * cy + (start[1] + end[1]) / 2.0
        steps = arc_steps(max(rx, ry), sweep, self.chord)
        for k in range(1, steps):
            turn = first + sweep * k / steps
            u, v = rx * math.cos(turn), ry * math.sin(turn)
            self.go((middle[0] + cos * u - sin * v, middle[1] + sin * u + cos * v))
        self.go(end)

    def close(self) -> None:
        if not self.points:
            return
        start = self.points[0]
        self.finish(closed=True)
        self.here = start

    def finish(self, *, closed: bool) -> None:
        """End the subpath. One that comes back to its start is closed as well."""
        points, self.points = self.points, []
        if len(points) < 2:
            return
        near = math.dist(points[0], points[-1]) <= 2.0 * self.chord
        if near:
            points.pop()
        kept = [point for i, point in enumerate(points) if i == 0 or point != points[i - 1]]
        self.subpaths.append(Subpath(points=tuple(kept), closed=closed or near))
