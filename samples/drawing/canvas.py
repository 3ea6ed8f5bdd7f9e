"""A drawing board in millimetres: origin in the middle, y down, edges smoothed by drawing four times as large."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

from PIL import Image, ImageDraw

from drawing.stroke_font import Point, Stroke, lay_circle, lay_line, text_width

OVERSAMPLING = 4


class Canvas:
    """`colour` arguments are '#RRGGBB'; the canvas is transparent where `ground` is None."""

    def __init__(self, *, width_mm: float, height_mm: float, px_per_mm: float, ground: str | None) -> None:
        self.width_px, self.height_px = round(width_mm * px_per_mm), round(height_mm * px_per_mm)
        self.width_mm, self.height_mm = width_mm, height_mm
        self.scale = px_per_mm * OVERSAMPLING
        size = (self.width_px * OVERSAMPLING, self.height_px * OVERSAMPLING)
        self.picture = Image.new("RGBA", size, ground or "#00000000")
        self.draw = ImageDraw.Draw(self.picture)

    def finished(self) -> Image.Image:
        """The smoothed picture, RGBA."""
        return self.picture.resize((self.width_px, self.height_px), Image.Resampling.BOX)

    def _place(self, point: Point) -> Point:
        return (point[0] + self.width_mm / 2) * self.scale, (point[1] + self.height_mm / 2) * self.scale

    def polygon(self, points: Iterable[Point], colour: str) -> None:
        self.draw.polygon([self._place(point) for point in points], fill=colour)

    def disc(self, x: float, y: float, radius: float, colour: str) -> None:
        self.ellipse(x, y, radius, radius, colour)

    def ellipse(self, x: float, y: float, across: float, down: float, colour: str) -> None:
        (left, top), (right, bottom) = self._place((x - across, y - down)), self._place((x + across, y + down))
        self.draw.ellipse((left, top, right, bottom), fill=colour)

    def line(self, points: Sequence[Point], width: float, colour: str) -> None:
        """A line with round joints and ends."""
        placed = [self._place(point) for point in points]
        reach = width * self.scale / 2
        for (x0, y0), (x1, y1) in pairwise(placed):
            length = math.hypot(x1 - x0, y1 - y0)
            if length > 0:
                across, down = (y1 - y0) / length * reach, (x0 - x1) / length * reach
                corners = [(x0 + across, y0 + down), (x1 + across, y1 + down)]
                self.draw.polygon([*corners, (x1 - across, y1 - down), (x0 - across, y0 - down)], fill=colour)
        for x, y in placed:
            self.draw.ellipse((x - reach, y - reach, x + reach, y + reach), fill=colour)

    def ring(self, x: float, y: float, radius: float, width: float, colour: str) -> None:
        self.arc(x, y, radius, width, 0.0, 360.0, colour)

    def arc(self, x: float, y: float, radius: float, width: float, start: float, end: float, colour: str) -> None:
        """An arc of a circle; degrees run clockwise from the top."""
        self.line(circle_points(x, y, radius, start, end), width, colour)

    def star(self, x: float, y: float, radius: float, colour: str, *, points: int = 4, waist: float = 0.3) -> None:
        self.polygon(star_points(x, y, radius, points, waist), colour)

    def strokes(self, strokes: Iterable[Stroke], x: float, y: float, cap: float, width: float, colour: str) -> None:
        for stroke in strokes:
            self.line([(x + px * cap, y + py * cap) for px, py in stroke], width, colour)

    def text(
        self, text: str, x: float, y: float, cap: float, width: float, colour: str, *, spacing: float = 0.3
    ) -> None:
        """A line of text centred on x, its tops at y."""
        left = x - text_width(text, spacing) * cap / 2
        self.strokes(lay_line(text, spacing), left, y, cap, width, colour)

    def text_on_circle(
        self,
        text: str,
        radius: float,
        middle: float,
        cap: float,
        width: float,
        colour: str,
        *,
        spacing: float = 0.34,
        inward: bool = False,
    ) -> None:
        """Text about the origin; see `stroke_font.lay_circle`."""
        self.strokes(lay_circle(text, spacing, radius / cap, middle, inward=inward), 0.0, 0.0, cap, width, colour)


def circle_points(x: float, y: float, radius: float, start: float = 0.0, end: float = 360.0) -> list[Point]:
    """Points along a circle; degrees run clockwise from the top."""
    steps = max(8, round(abs(end - start) / 1.5))
    turns = (math.radians(start + (end - start) * i / steps) for i in range(steps + 1))
    return [(x + radius * math.sin(turn), y - radius * math.cos(turn)) for turn in turns]


def star_points(x: float, y: float, radius: float, points: int, waist: float) -> list[Point]:
    """Corners of a star; `waist` is the inner radius over the outer."""
    corners = []
    for i in range(2 * points):
        turn, reach = math.pi * i / points, radius * (1.0 if i % 2 == 0 else waist)
        corners.append((x + reach * math.sin(turn), y - reach * math.cos(turn)))
    return corners


def crescent_points(x: float, y: float, radius: float, bite: float, offset: float, tilt: float) -> list[Point]:
    """A crescent moon: a disc without a second one, of radius `bite`, `offset` away towards `tilt` degrees."""
    along = (offset**2 + radius**2 - bite**2) / (2 * offset)
    horn = math.degrees(math.acos(along / radius))
    inner = math.degrees(math.acos((offset - along) / bite))
    outside = circle_points(x, y, radius, tilt + horn, tilt + 360.0 - horn)
    centre_x = x + offset * math.sin(math.radians(tilt))
    centre_y = y - offset * math.cos(math.radians(tilt))
    inside = circle_points(centre_x, centre_y, bite, tilt + 180.0 + inner, tilt + 180.0 - inner)
    return outside + inside
