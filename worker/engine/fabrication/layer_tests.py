"""Blocks that test one limit of a layer: lines and gaps, dots, hatches, and vernier combs for the shift of two layers.

Much in them is narrower than the limit on purpose: the coupon shows what the fab makes of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from worker.engine.fabrication.layer_pairs import LayerPair
from worker.engine.fabrication.shapes import Block, Box, Disc, Feature, Shape, Slant, shifted
from worker.patch_map import Rectangle

LINE_STEPS = (0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0)
"""Widths of lines and gaps, in limits."""
DOT_STEPS = tuple(0.5 * 6.0 ** (i / 9) for i in range(10))
"""Diameters of dots, in limits: ten even ratios from half to three times."""
HATCH_STEPS = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0)

MAIN_PITCH_MM = 1.0
VERNIER_PITCH_MM = 0.975
"""A vernier of 1.000 to 0.975 mm reads a shift in steps of 0.025 mm."""
STEP_MM = MAIN_PITCH_MM - VERNIER_PITCH_MM
BAR_MM = 0.4
BAR_LENGTH_MM = 1.4
INDEX_LENGTH_MM = 1.9
_LINE_LENGTH_MM = 2.0
_PART_GAP_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitTest:
    """One limit of a layer: which finish is drawn in which field, and how narrow it may be by the profile.

    `apart_mm` is how far two parts must stay apart so that their gap is not tested too.
    """

    layer: str
    limit: str
    limit_mm: float
    apart_mm: float
    finish: int
    field: int
    ids: tuple[str, ...]

    def feature(self, kind: str, place: Rectangle, nominal_mm: float, direction: str) -> Feature:
        """A feature of this test."""
        return Feature(
            kind=kind,
            place=place,
            finish=self.ids[self.finish],
            field=self.ids[self.field],
            layer=self.layer,
            limit=self.limit,
            limit_mm=self.limit_mm,
            direction=direction,
            nominal_mm=nominal_mm,
        )


def line_set(test: LimitTest) -> Block:
    """Lines of `LINE_STEPS` widths, measured along x, along y and across 45 degrees."""
    along_x = _upright_lines(test)
    along_y, slanted = along_x.turned(), _slanted_lines(test)
    left = along_y.width + _PART_GAP_MM
    parts = [along_y, along_x.at(left, 0.0), slanted.at(left, along_x.height + _PART_GAP_MM)]
    return Block(
        width=left + max(along_x.width, slanted.width),
        height=max(along_y.height, along_x.height + _PART_GAP_MM + slanted.height),
        shapes=tuple(shape for part in parts for shape in part.shapes),
        features=tuple(feature for part in parts for feature in part.features),
    )


def _offsets(test: LimitTest) -> tuple[list[tuple[float, float]], float]:
    """(start, width) of each line along the direction that is measured, and how long they are together."""
    at, lines = test.apart_mm, []
    for step in LINE_STEPS:
        width = step * test.limit_mm
        lines.append((at, width))
        at += width + test.apart_mm
    return lines, at


def _upright_lines(test: LimitTest) -> Block:
    lines, total = _offsets(test)
    height = _LINE_LENGTH_MM + 2 * test.apart_mm
    shapes: list[Shape] = [Box(place=Rectangle(x=0, y=0, width=total, height=height), finish=test.field)]
    features = []
    for start, width in lines:
        place = Rectangle(x=start, y=test.apart_mm, width=width, height=_LINE_LENGTH_MM)
        shapes.append(Box(place=place, finish=test.finish))
        features.append(test.feature("line", place, width, "x"))
    return Block(width=total, height=height, shapes=tuple(shapes), features=tuple(features))


def _slanted_lines(test: LimitTest) -> Block:
    lines, total = _offsets(test)
    side = (total + _LINE_LENGTH_MM + 2 * test.apart_mm) / math.sqrt(2.0)
    shapes: list[Shape] = [Box(place=Rectangle(x=0, y=0, width=side, height=side), finish=test.field)]
    features = []
    for start, width in lines:
        middle = side / 2 + (start + width / 2 - total / 2) / math.sqrt(2.0)
        shapes.append(Slant(x=middle, y=middle, width=width, length=_LINE_LENGTH_MM, finish=test.finish))
        reach = (width + _LINE_LENGTH_MM) / math.sqrt(8.0)
        place = Rectangle(x=middle - reach, y=middle - reach, width=2 * reach, height=2 * reach)
        features.append(test.feature("line", place, width, "45"))
    return Block(width=side, height=side, shapes=tuple(shapes), features=tuple(features))


def dot_ramp(test: LimitTest) -> Block:
    """Ten fields of dots, each field with one diameter of `DOT_STEPS`."""
    apart = test.apart_mm
    side = max(2.0, 6.0 * test.limit_mm + 3.0 * apart)
    strip = Rectangle(x=0, y=0, width=side * len(DOT_STEPS), height=side)
    shapes: list[Shape] = [Box(place=strip, finish=test.field)]
    features = []
    for i, step in enumerate(DOT_STEPS):
        diameter = step * test.limit_mm
        many = math.floor((side - apart) / (diameter + apart) + 1e-9)
        edge = (side - many * diameter - (many - 1) * apart) / 2 + diameter / 2
        for row in range(many):
            for column in range(many):
                x, y = (i * side + edge + column * (diameter + apart), edge + row * (diameter + apart))
                shapes.append(Disc(x=x, y=y, diameter=diameter, finish=test.finish))
        place = Rectangle(x=i * side, y=0, width=side, height=side)
        features.append(replace(test.feature("dots", place, diameter, ""), note=f"{many} x {many} dots"))
    return Block(width=strip.width, height=side, shapes=tuple(shapes), features=tuple(features))


def hatch_ramp(test: LimitTest) -> Block:
    """Fields half covered by stripes, lines and gaps equally wide."""
    side = 12.0 * test.limit_mm
    shapes: list[Shape] = [
        Box(place=Rectangle(x=0, y=0, width=side * len(HATCH_STEPS), height=side), finish=test.field)
    ]
    features = []
    for i, step in enumerate(HATCH_STEPS):
        width = step * test.limit_mm
        stripes = [2 * k * width for k in range(round(side / (2 * width)))]
        shapes += [
            Box(place=Rectangle(x=i * side + x, y=0, width=width, height=side), finish=test.finish) for x in stripes
        ]
        place = Rectangle(x=i * side, y=0, width=side, height=side)
        features.append(replace(test.feature("hatch", place, width, "x"), note=f"{len(stripes)} stripes"))
    return Block(width=side * len(HATCH_STEPS), height=side, shapes=tuple(shapes), features=tuple(features))


@dataclass(frozen=True, slots=True, kw_only=True)
class CombTest:
    """Two layers whose shift a comb reads: the pair that shows each, and the largest shift by the profile.

    `clear_mm` is how far the tips of the combs must stay apart.
    """

    name: str
    main: LayerPair
    vernier: LayerPair
    limit: str
    largest_mm: float
    clear_mm: float
    ids: tuple[str, ...]

    @property
    def bars_each_side(self) -> int:
        """So many that a shift of a quarter over the profile's can be read."""
        return max(6, math.ceil(1.25 * self.largest_mm / STEP_MM))


def comb(test: CombTest) -> Block:
    """A main scale of 1.000 mm above a vernier of 0.975 mm, whose middle bars, the longer ones, are in line.

    The bars that are in line on the finished board tell the shift along x: so many bars to the right of the middle,
    so many times 0.025 mm the lower layer's bars lie to the right.
    """
    n = test.bars_each_side
    width, middle = MAIN_PITCH_MM * (2 * n + 1), MAIN_PITCH_MM * (n + 0.5)
    tips = INDEX_LENGTH_MM + 0.2
    height = 2 * tips + test.clear_mm
    lower_top = tips + test.clear_mm
    shapes: list[Shape] = [
        Box(place=Rectangle(x=0, y=0, width=width, height=tips), finish=test.main.without),
        Box(place=Rectangle(x=0, y=tips, width=width, height=height - tips), finish=test.vernier.without),
    ]
    features = []
    for scale, pair, pitch in (
        ("main", test.main, MAIN_PITCH_MM),
        ("vernier", test.vernier, VERNIER_PITCH_MM),
    ):
        for i in range(-n, n + 1):
            length = BAR_LENGTH_MM if i else INDEX_LENGTH_MM
            top = tips - length if scale == "main" else lower_top
            place = Rectangle(x=middle + i * pitch - BAR_MM / 2, y=top, width=BAR_MM, height=length)
            shapes.append(Box(place=place, finish=pair.having))
        y = 0.0 if scale == "main" else tips
        features.append(
            Feature(
                kind="comb",
                place=Rectangle(x=0, y=y, width=width, height=tips if scale == "main" else height - tips),
                finish=test.ids[pair.having],
                field=test.ids[pair.without],
                layer=test.name,
                limit=test.limit,
                limit_mm=test.largest_mm,
                direction="x",
                nominal_mm=pitch,
                note=f"{scale} scale of {2 * n + 1} bars, {pitch:.3f} mm from bar to bar, the middle bar longer",
            )
        )
    return Block(width=width, height=height, shapes=tuple(shapes), features=tuple(features))


def neighbours(ids: tuple[str, ...], width: float, *, side: float = 2.0, gap: float = 0.8) -> Block:
    """Every pair of finishes side by side, to see the rim between them."""
    pairs = [(i, j) for i in range(len(ids)) for j in range(i + 1, len(ids))]
    across = max(1, math.floor((width + gap) / (2 * side + gap)))
    shapes: list[Shape] = []
    features = []
    for k, (i, j) in enumerate(pairs):
        x, y = (2 * side + gap) * (k % across), (side + gap) * (k // across)
        left = Rectangle(x=x, y=y, width=side, height=side)
        shapes += [Box(place=left, finish=i), Box(place=shifted(left, side, 0.0), finish=j)]
        features.append(
            Feature(
                kind="neighbours",
                place=Rectangle(x=x, y=y, width=2 * side, height=side),
                finish=ids[i],
                field=ids[j],
                note="side by side: look at the rim between them",
            )
        )
    columns, rows = min(across, len(pairs)), math.ceil(len(pairs) / across)
    return Block(
        width=columns * (2 * side + gap) - gap,
        height=rows * (side + gap) - gap,
        shapes=tuple(shapes),
        features=tuple(features),
    )
