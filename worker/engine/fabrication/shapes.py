"""Shapes in mm, blocks of them, and the canvas that lays them on the grid. Millimetres become pixels here alone.

x runs to the right and y down from the board's upper left corner. An upright edge goes to the nearest pixel edge, and a
width is a whole number of pixels, so that equal widths are equal on the board. A disc has the pixels nearest to its
centre, and of a slanted bar a pixel belongs to it where its centre does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from worker.engine.arrays import Floats, Labels
from worker.engine.fabrication.stroke_font import Stroke
from worker.patch_map import Rectangle

_SUBPIXEL_BITS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """An upright rectangle of one finish (its index in the profile)."""

    place: Rectangle
    finish: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """A disc about (x, y)."""

    x: float
    y: float
    diameter: float
    finish: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Slant:
    """A bar about (x, y) that rises to the right at 45 degrees: its width is measured across it."""

    x: float
    y: float
    width: float
    length: float
    finish: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Lettering:
    """Strokes with round ends, all of one width."""

    strokes: tuple[Stroke, ...]
    width: float
    finish: int


Shape = Box | Disc | Slant | Lettering


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One thing on the coupon that can be looked at or measured.

    `nominal_mm` is the width that is tested, 0 where nothing is measured; `layer`, `limit` and `limit_mm` name the
    limit of the profile that it tests. `finish` stands in `field`. `place` is its bounding box in mm.
    """

    kind: str
    place: Rectangle
    finish: str = ""
    field: str = ""
    layer: str = ""
    limit: str = ""
    limit_mm: float = 0.0
    direction: str = ""
    nominal_mm: float = 0.0
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Shapes and features that keep together, from (0, 0) to (`width`, `height`). Later shapes cover earlier ones."""

    width: float
    height: float
    shapes: tuple[Shape, ...] = ()
    features: tuple[Feature, ...] = ()

    def at(self, x: float, y: float) -> Block:
        """The same block, moved."""
        return replace(
            self,
            shapes=tuple(moved(shape, x, y) for shape in self.shapes),
            features=tuple(replace(feature, place=shifted(feature.place, x, y)) for feature in self.features),
        )

    def turned(self) -> Block:
        """The block mirrored at its main diagonal: what ran along x runs along y. It may hold boxes only."""
        boxes = [shape for shape in self.shapes if isinstance(shape, Box)]
        assert len(boxes) == len(self.shapes)
        return replace(
            self,
            width=self.height,
            height=self.width,
            shapes=tuple(replace(box, place=_turned(box.place)) for box in boxes),
            features=tuple(
                replace(
                    feature, place=_turned(feature.place), direction={"x": "y", "y": "x"}.get(feature.direction, "")
                )
                for feature in self.features
            ),
        )


def shifted(place: Rectangle, x: float, y: float) -> Rectangle:
    """A rectangle, moved."""
    return replace(place, x=place.x + x, y=place.y + y)


def _turned(place: Rectangle) -> Rectangle:
    return Rectangle(x=place.y, y=place.x, width=place.height, height=place.width)


def moved(shape: Shape, x: float, y: float) -> Shape:
    """A shape, moved."""
    if isinstance(shape, Box):
        return replace(shape, place=shifted(shape.place, x, y))
    if isinstance(shape, Lettering):
        return replace(shape, strokes=tuple([(px + x, py + y) for px, py in stroke] for stroke in shape.strokes))
    return replace(shape, x=shape.x + x, y=shape.y + y)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A grid of square pixels."""

    pitch_mm: float

    def pixels(self, length_mm: float) -> int:
        """The whole number of pixels nearest to a length; a half goes up, whatever its last binary digits say."""
        return math.floor(length_mm / self.pitch_mm + 0.5 + 1e-6)

    def length(self, length_mm: float) -> float:
        """What a length becomes on the grid: at least one pixel."""
        return max(1, self.pixels(length_mm)) * self.pitch_mm

    def bounds(self, place: Rectangle) -> tuple[int, int, int, int]:
        """First and last-plus-one column, first and last-plus-one row of an upright rectangle."""
        left, top = self.pixels(place.x), self.pixels(place.y)
        return left, left + max(1, self.pixels(place.width)), top, top + max(1, self.pixels(place.height))

    def laid(self, place: Rectangle) -> Rectangle:
        """Where a rectangle comes to lie, in mm."""
        left, right, top, bottom = self.bounds(place)
        p = self.pitch_mm
        return Rectangle(
            x=round(left * p, 6),
            y=round(top * p, 6),
            width=round((right - left) * p, 6),
            height=round((bottom - top) * p, 6),
        )


class Canvas:
    """A board on which shapes are laid, one finish for every pixel."""

    def __init__(self, grid: Grid, width_mm: float, height_mm: float, background: int) -> None:
        self.grid = grid
        shape = (grid.pixels(height_mm), grid.pixels(width_mm))
        self.labels: Labels = np.full(shape, background, dtype=np.uint8)

    def draw(self, shape: Shape) -> None:
        """Lay one shape over what is there; what reaches over the board's edge is cut off."""
        if isinstance(shape, Box):
            left, right, top, bottom = self.grid.bounds(shape.place)
            self.labels[max(0, top) : max(0, bottom), max(0, left) : max(0, right)] = shape.finish
        elif isinstance(shape, Disc):
            self._disc(shape)
        elif isinstance(shape, Slant):
            self._slant(shape)
        else:
            self._lettering(shape)

    def _disc(self, disc: Disc) -> None:
        """The pixels nearest to the centre, as many as the disc's area holds: even a disc of three pixels is right."""
        p = self.grid.pitch_mm
        part, across, down = self._window(disc.x, disc.y, disc.diameter / 2 + p)
        distance = np.round((across**2 + down**2) / p**2, 6)
        count = max(1, round(math.pi / 4 * (disc.diameter / p) ** 2))
        nearest = np.argsort(distance, axis=None, kind="stable")[:count]
        part[np.unravel_index(nearest, part.shape)] = disc.finish

    def _slant(self, bar: Slant) -> None:
        part, across, down = self._window(bar.x, bar.y, (bar.width + bar.length) / math.sqrt(8.0))
        over, along = (across + down) / math.sqrt(2.0), (across - down) / math.sqrt(2.0)
        # One side is in and the other out, so that a centre on both edges of two bars belongs to one of them.
        inside = (over >= -bar.width / 2) & (over < bar.width / 2) & (np.abs(along) < bar.length / 2)
        part[inside] = bar.finish

    def _window(self, x: float, y: float, reach: float) -> tuple[Labels, Floats, Floats]:
        """The labels within `reach` mm of a point, and how far to the right and down of it their centres lie."""
        p = self.grid.pitch_mm
        height, width = self.labels.shape
        left, right = max(0, math.floor((x - reach) / p)), min(width, math.ceil((x + reach) / p))
        top, bottom = max(0, math.floor((y - reach) / p)), min(height, math.ceil((y + reach) / p))
        across = (np.arange(left, right) + 0.5) * p - x
        down = (np.arange(top, bottom) + 0.5) * p - y
        return self.labels[top:bottom, left:right], across[None, :], down[:, None]

    def _lettering(self, lettering: Lettering) -> None:
        """Strokes no narrower than asked: OpenCV's thickness is whole pixels, so it is rounded up."""
        p = self.grid.pitch_mm
        thickness = max(1, math.ceil(lettering.width / p - 1e-9))
        scale = 1 << _SUBPIXEL_BITS
        lines = [np.rint((np.array(stroke) / p - 0.5) * scale).astype(np.int32) for stroke in lettering.strokes]
        cv2.polylines(self.labels, lines, False, lettering.finish, thickness, cv2.LINE_8, _SUBPIXEL_BITS)
