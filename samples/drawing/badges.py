"""The flat pieces of the series: badge, token, chart, card, owl, rosette and a very small picture."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from PIL import Image

from drawing.canvas import Canvas, circle_points, crescent_points
from drawing.stroke_font import Point

NIGHT, DEEP, GOLD, COPPER, CHALK = "#16181C", "#0D0E11", "#CFA869", "#A9714F", "#ECE9E0"
INK, PAPER, BRASS = "#1C1B1A", "#F4F1EA", "#C8A25E"
PINE, FERN, TIN, MIST, STRAW = "#1E4429", "#3B7638", "#BABCBE", "#F0F3EC", "#C6B27E"


def _dome(canvas: Canvas, x: float, base: float, size: float, wall: str, shell: str, gap: str, trim: str) -> None:
    """An observatory: drum, dome with an open slit, telescope looking out."""
    canvas.polygon(
        [(x - size, base), (x - size, base - 0.62 * size), (x + size, base - 0.62 * size), (x + size, base)], wall
    )
    shoulder = base - 0.62 * size
    dome = circle_points(x, shoulder, 1.06 * size, -90.0, 90.0)
    canvas.polygon(dome, shell)
    slit = [(0.05, -1.12), (0.42, -1.04), (0.42, -0.12), (0.05, -0.12)]
    canvas.polygon([(x + px * size, shoulder + py * size) for px, py in slit], gap)
    canvas.line([(x + 0.2 * size, shoulder - 0.35 * size), (x + 0.62 * size, shoulder - 1.25 * size)], 0.2 * size, trim)
    canvas.line([(x - 1.14 * size, shoulder), (x + 1.14 * size, shoulder)], 0.12 * size, trim)
    canvas.polygon(
        [
            (x - 0.2 * size, base),
            *circle_points(x, base - 0.28 * size, 0.2 * size, -90.0, 90.0),
            (x + 0.2 * size, base),
        ],
        gap,
    )


def draw_badge() -> Image.Image:
    """The observatory's badge, 50 x 50 mm: flat art in four colours, with text on a circle."""
    canvas = Canvas(width_mm=50, height_mm=50, px_per_mm=20, ground=NIGHT)
    canvas.disc(0, 0, 24.2, GOLD)
    canvas.disc(0, 0, 23.3, NIGHT)
    inside = 16.9
    canvas.disc(0, 0, inside, DEEP)
    for i, radius in enumerate((10.4, 9.4, 8.4)):
        canvas.arc(-4.2, -5.0, radius, 0.3, -30 + 6 * i, 44 + 6 * i, COPPER)
    canvas.polygon(crescent_points(-4.2, -5.0, 7.0, 6.2, 3.3, 62.0), GOLD)
    for x, y, size in ((3.6, -9.6, 2.0), (9.4, -4.2, 1.4), (-0.6, -4.2, 1.5), (-11.4, 1.4, 1.1), (7.4, -12.4, 0.9)):
        canvas.star(x, y, size, CHALK, waist=0.24)
    for x, y in ((-8.8, -12.4), (12.6, -1.2), (-12.6, -6.2), (5.8, -6.2), (-9.0, 4.2), (2.4, -1.6), (-13.6, -2.0)):
        canvas.disc(x, y, 0.28, CHALK)
    _ridge(canvas, inside, [(-17, 7.2), (-11, 3.6), (-6.5, 6.0), (-1, 4.6), (5, 7.2), (11, 3.4), (17, 6.4)], COPPER)
    _dome(canvas, 4.2, 9.6, 5.0, CHALK, CHALK, DEEP, GOLD)
    _ridge(canvas, inside, [(-17, 7.6), (-10, 9.4), (-3, 8.4), (4, 9.4), (10, 8.8), (17, 10.4)], GOLD)
    _ridge(canvas, inside, [(-17, 11.2), (-8, 11.8), (0, 10.6), (8, 12.2), (17, 11.6)], NIGHT)
    for x, y in ((-7.4, 9.4), (-5.2, 9.8), (-9.8, 10.0)):
        canvas.polygon([(x - 1.0, y + 2.6), (x, y - 2.6), (x + 1.0, y + 2.6)], NIGHT)
    canvas.ring(0, 0, 17.1, 0.6, COPPER)
    canvas.text_on_circle("QUILLMERE OBSERVATORY", 18.9, 0.0, 2.7, 0.5, CHALK)
    canvas.text_on_circle("SINCE 1911", 21.5, 180.0, 2.4, 0.45, GOLD, inward=True)
    for turn in (-114.0, 114.0):
        x, y = circle_points(0, 0, 20.2, turn, turn)[0]
        canvas.star(x, y, 1.3, COPPER, waist=0.28)
    return canvas.finished().convert("RGB")


def _ridge(canvas: Canvas, radius: float, profile: list[Point], colour: str) -> None:
    """A hill line across a disc about the origin, filled down to its rim."""
    tops = [_smooth(profile, -radius + 2 * radius * i / 160) for i in range(161)]
    tops = [(x, y) for x, y in tops if math.hypot(x, y) <= radius]
    first = math.degrees(math.atan2(tops[0][0], -tops[0][1]))
    last = math.degrees(math.atan2(tops[-1][0], -tops[-1][1]))
    canvas.polygon(tops + circle_points(0, 0, radius, last, first + 360.0), colour)


def _smooth(profile: list[Point], x: float) -> Point:
    for (x0, y0), (x1, y1) in pairwise(profile):
        if x <= x1:
            along = max(0.0, (x - x0) / (x1 - x0))
            return x, y0 + (y1 - y0) * along * along * (3 - 2 * along)
    return x, profile[-1][1]


def draw_token() -> Image.Image:
    """A round piece of 20 mm for the night watch; its smallest lines are 0.3 mm."""
    canvas = Canvas(width_mm=20, height_mm=20, px_per_mm=40, ground=NIGHT)
    canvas.ring(0, 0, 9.2, 0.5, GOLD)
    canvas.text_on_circle("NIGHT WATCH", 6.7, 0.0, 1.35, 0.3, CHALK, spacing=0.44)
    canvas.text_on_circle("QUILLMERE", 8.05, 180.0, 1.35, 0.3, COPPER, spacing=0.44, inward=True)
    canvas.polygon(crescent_points(-0.3, 0.0, 4.4, 3.9, 1.9, 58.0), GOLD)
    canvas.star(1.75, -1.3, 1.7, CHALK, waist=0.22)
    canvas.disc(2.4, 1.9, 0.28, CHALK)
    canvas.disc(0.1, 0.7, 0.24, CHALK)
    for turn in (-90.0, 90.0):
        x, y = circle_points(0, 0, 7.4, turn, turn)[0]
        canvas.star(x, y, 0.75, COPPER, waist=0.3)
    return canvas.finished().convert("RGB")


Star = tuple[float, float, float]
Joint = tuple[int, int]

_PATH: list[Joint] = [(0, 1), (1, 2), (2, 3), (3, 4)]
_FORK: list[Joint] = [(0, 1), (1, 2), (2, 3), (2, 4)]
_FIGURES: list[tuple[list[Star], list[Joint]]] = [
    (
        [(1.2, 38, 0.8), (1.9, 30, 0.55), (2.7, 36, 0.7), (3.3, 46, 1.0), (2.4, 52, 0.6), (1.5, 50, 0.5)],
        [(0, 1), (1, 2), (2, 3), (3, 4), (4, 5), (5, 0)],
    ),
    ([(5.4, 28, 0.9), (6.1, 38, 0.6), (6.6, 50, 0.75), (7.6, 56, 0.6), (5.5, 52, 0.6)], _FORK),
    ([(10.2, 34, 1.1), (9.2, 24, 0.7), (10.2, 34, 1.1), (11.1, 28, 0.6), (10.6, 50, 0.8)], [(0, 1), (0, 3), (0, 4)]),
    ([(13.0, 54, 0.7), (13.8, 44, 0.6), (14.6, 52, 0.9), (15.3, 42, 0.55), (16.0, 50, 0.7)], _PATH),
    ([(17.8, 26, 1.0), (18.6, 40, 0.7), (17.4, 46, 0.6), (18.2, 56, 0.8)], [(0, 1), (0, 2), (1, 3), (2, 3)]),
    ([(20.6, 34, 0.6), (21.5, 28, 0.8), (22.4, 38, 1.0), (21.7, 50, 0.6), (22.9, 54, 0.5)], _FORK),
]
"""Invented constellations: stars as (hour, degrees from the pole, size in mm), and which ones are joined."""


def draw_star_chart() -> Image.Image:
    """A chart of invented stars, 70 x 70 mm: line art in black on white with one golden ellipse."""
    canvas = Canvas(width_mm=70, height_mm=70, px_per_mm=16, ground=PAPER)
    reach = 29.0
    canvas.ring(0, 0, 33.6, 0.4, INK)
    canvas.ring(0, 0, reach + 0.6, 0.25, INK)
    for radius in (7.25, 14.5, 21.75):
        canvas.ring(0, 0, radius, 0.2, INK)
    for hour in range(24):
        inner, outer = circle_points(0, 0, 3.0 if hour % 6 == 0 else 7.25, 15.0 * hour, 15.0 * hour)[0], (0.0, 0.0)
        outer = circle_points(0, 0, reach + 0.6, 15.0 * hour, 15.0 * hour)[0]
        canvas.line([inner, outer], 0.2, INK)
        canvas.text_on_circle(f"{hour}", reach + 1.7, 15.0 * hour, 1.8, 0.32, INK)
        for part in range(1, 6):
            turn = 15.0 * hour + 2.5 * part
            ends = [circle_points(0, 0, reach + 0.6 - length, turn, turn)[0] for length in (0.0, 0.9)]
            canvas.line(ends, 0.2, INK)
    turns = [math.radians(3 * i) for i in range(121)]
    canvas.line([(5.0 + 21.0 * math.cos(t), -3.0 + 20.0 * math.sin(t)) for t in turns], 0.5, BRASS)
    for stars, joints in _FIGURES:
        places = [
            circle_points(0, 0, reach * distance / 60.0, 15.0 * hour, 15.0 * hour)[0] for hour, distance, _ in stars
        ]
        for first, second in joints:
            canvas.line([places[first], places[second]], 0.35, INK)
        for (x, y), (_, _, size) in zip(places, stars, strict=True):
            canvas.disc(x, y, size + 0.4, PAPER)
            canvas.disc(x, y, size, BRASS if size >= 0.9 else INK)
    random = np.random.default_rng(1911)
    for _ in range(110):
        distance, turn = reach * math.sqrt(random.uniform(0.01, 0.96)), random.uniform(0, 360)
        x, y = circle_points(0, 0, distance, turn, turn)[0]
        canvas.disc(x, y, float(random.choice([0.16, 0.2, 0.28])), INK)
    canvas.star(0, 0, 2.0, BRASS, points=8, waist=0.4)
    return canvas.finished().convert("RGB")


def draw_open_night_card() -> Image.Image:
    """An invitation, 54 x 86 mm: text from 1.6 to 7 mm in the samples' own stroke letters."""
    canvas = Canvas(width_mm=54, height_mm=86, px_per_mm=16, ground=PINE)
    edge = [(-24.5, -40.5), (24.5, -40.5), (24.5, 40.5), (-24.5, 40.5), (-24.5, -40.5)]
    canvas.line(edge, 0.5, TIN)
    for x, y in edge[:4]:
        canvas.disc(x, y, 2.2, PINE)
        canvas.star(x, y, 2.0, TIN, waist=0.3)
    canvas.text("OPEN", 0, -35.5, 7.0, 1.2, MIST, spacing=0.34)
    canvas.text("NIGHT", 0, -26.0, 7.0, 1.2, MIST, spacing=0.34)
    for i, radius in enumerate((12.5, 11.0, 9.5, 8.0)):
        canvas.arc(0, 7.0, radius, 0.35, -84 + 3 * i, 84 - 3 * i, FERN)
    canvas.star(-12.5, -9.0, 1.7, TIN, waist=0.25)
    canvas.star(13.5, -11.0, 1.2, MIST, waist=0.25)
    canvas.star(10.8, -3.0, 0.9, TIN, waist=0.25)
    _dome(canvas, 0, 9.0, 6.4, MIST, TIN, PINE, FERN)
    canvas.line([(-19, 9.4), (19, 9.4)], 0.8, TIN)
    canvas.text("27 NOVEMBER", 0, 13.0, 3.2, 0.55, MIST)
    canvas.text("19:30 - 23:00", 0, 18.2, 2.6, 0.45, TIN)
    canvas.text("QUILLMERE OBSERVATORY", 0, 24.6, 2.0, 0.36, MIST)
    canvas.text("BRING A COAT AND A QUESTION", 0, 29.2, 1.6, 0.3, MIST)
    canvas.text("DOMES OPEN IF THE SKY IS CLEAR", 0, 32.6, 1.6, 0.3, TIN)
    return canvas.finished().convert("RGB")


def draw_owl() -> Image.Image:
    """The observatory's owl on a transparent ground, 40 x 52 mm."""
    canvas = Canvas(width_mm=40, height_mm=52, px_per_mm=16, ground=None)
    body = [(15.5 * math.sin(t) * (1 - 0.14 * math.cos(t)), 4.5 - 19.5 * math.cos(t)) for t in _turns()]
    canvas.polygon(body, PINE)
    canvas.polygon([(-13.2, -9.5), (-14.6, -23.0), (-2.0, -11.0)], PINE)
    canvas.polygon([(13.2, -9.5), (14.6, -23.0), (2.0, -11.0)], PINE)
    canvas.polygon([(9.4 * math.sin(t), 10.6 - 11.8 * math.cos(t)) for t in _turns()], STRAW)
    for row in range(5):
        for i in range(-2 + row % 2, 3):
            x, y = 3.4 * i - (1.7 if row % 2 else 0.0), 4.4 + 3.3 * row
            if math.hypot(x / 8.4, (y - 10.6) / 10.6) < 0.86:
                canvas.arc(x, y, 1.35, 0.5, 90, 270, FERN)
    for side in (-1, 1):
        wing = [(side * (10.2 + 5.2 * math.sin(t)), 6.8 - 12.2 * math.cos(t)) for t in _turns(180)]
        canvas.polygon([*wing, (side * 7.6, 19.5), (side * 10.6, -4.4)], FERN)
        for i in range(3):
            canvas.arc(side * 9.4, 3.2 + 4.2 * i, 3.4, 0.45, 100 if side > 0 else 180, 180 if side > 0 else 260, PINE)
        canvas.disc(side * 6.6, -7.2, 7.0, TIN)
        canvas.disc(side * 6.6, -7.2, 6.1, MIST)
        canvas.disc(side * 6.1, -7.0, 3.9, PINE)
        canvas.disc(side * 6.1, -7.0, 3.9 * 0.62, "#101A13")
        canvas.disc(side * 6.1 + 1.3, -8.5, 1.2, MIST)
        for toe in (-1.9, 0.0, 1.9):
            canvas.line([(side * 5.2 + toe, 22.8), (side * 5.2 + toe, 24.6)], 1.5, STRAW)
    canvas.polygon([(-1.9, -5.0), (1.9, -5.0), (0.0, -0.4)], STRAW)
    canvas.line([(-19, 24.7), (19, 24.7)], 1.3, TIN)
    for x, y, size in ((-16.2, -16.0, 1.8), (17.2, -13.6, 1.3), (16.6, 20.2, 1.3), (-17.4, 16.2, 1.5)):
        canvas.star(x, y, size, TIN, waist=0.26)
    return canvas.finished()


def _turns(end: float = 360.0) -> list[float]:
    return [math.radians(end * i / 120) for i in range(121)]


def draw_rosette() -> Image.Image:
    """A rosette of engraved curves, 50 x 50 mm: fine detail at the limit of many fabs (lines and gaps of 0.2 mm)."""
    canvas = Canvas(width_mm=50, height_mm=50, px_per_mm=24, ground="#FFFFFF")
    for lobes, middle, swing, count in ((9, 18.5, 3.6, 6), (12, 11.2, 2.6, 4), (6, 5.3, 1.9, 4)):
        for step in range(count):
            phase = 2 * math.pi * step / count
            turns = [math.radians(i / 4) for i in range(1441)]
            curve = [(middle + swing * math.cos(lobes * t + phase), t) for t in turns]
            canvas.line([(r * math.sin(t), -r * math.cos(t)) for r, t in curve], 0.2, "#000000")
    for radius, width in ((23.6, 0.6), (22.7, 0.2), (14.4, 0.25), (8.0, 0.25), (2.7, 0.25)):
        canvas.ring(0, 0, radius, width, "#000000")
    for i in range(120):
        ends = [circle_points(0, 0, radius, 3.0 * i, 3.0 * i)[0] for radius in (22.7, 23.6)]
        canvas.line(ends, 0.3, "#000000")
    canvas.star(0, 0, 2.2, "#000000", points=8, waist=0.45)
    # 1 bit: at this fineness a smoothed rim would only be guessed at again later.
    return canvas.finished().convert("L").point([0] * 128 + [255] * 128).convert("1", dither=Image.Dither.NONE)


_ROVER = """
................................
................................
..*..........................*..
................................
.......gggg..............*......
......ggg........*..............
......gg...............GGGG.....
......gg..............GGGGGG....
......ggg............GGgGGGGG...
.......gggg..........GGGGGgGG...
.....................GGGGGGGG...
...*..........B......GGgGGGGG...
.............BBB......GGGGGG....
.............B.B.......GGGG.....
........BBBBB.B.................
.......BKKKKKB..................
.......BKWKKKBB...........*.....
.......BKKKKKB.B................
........BBBBB...B...............
..........B.....................
......BBBBBBBBBBBB..............
.....BGGGGGGGGGGGGB.............
.....BGKGKGKGKGKGKB.............
.....BGGGGGGGGGGGGB.............
......BBBBBBBBBBBB..............
......KK...KK...KK..............
.....KWWK.KWWK.KWWK.............
.....KWWK.KWWK.KWWK.............
gggggGKKGgGKKGgGKKGgggggGGggggGG
GGgGGGGGGGGGgGGGGGGGGgGGGGGGGGGG
GGGGGgGGGGGGGGGGgGGGGGGGGGgGGGGG
GGGGGGGGGGgGGGGGGGGGGGGGGGGGGGGG
"""


def draw_small_rover() -> Image.Image:
    """A picture of 32 x 32 pixels, to be enlarged with its hard edges kept."""
    colours = {
        ".": "#F4F1EA",
        "*": "#C8A25E",
        "W": "#FFFFFF",
        "G": "#C8A25E",
        "g": "#A27E3F",
        "B": "#1C1B1A",
        "K": "#3A3733",
    }
    rows = _ROVER.split()
    palette = list(colours)
    picture = Image.new("P", (len(rows[0]), len(rows)))
    picture.putpalette([int(colours[letter][i : i + 2], 16) for letter in palette for i in (1, 3, 5)])
    picture.putdata([palette.index(letter) for row in rows for letter in row])
    return picture
