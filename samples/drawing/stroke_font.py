"""Capitals and figures of single strokes, made for these samples. The cap height is 1; y runs down from the top."""

from __future__ import annotations

import math

Point = tuple[float, float]
Stroke = list[Point]


def _arc(x: float, y: float, across: float, down: float, start: float, end: float) -> Stroke:
    """An arc of an ellipse; degrees run clockwise from the right."""
    steps = max(4, round(abs(end - start) / 7.5))
    turns = (math.radians(start + (end - start) * i / steps) for i in range(steps + 1))
    return [(x + across * math.cos(turn), y + down * math.sin(turn)) for turn in turns]


_O = _arc(0.36, 0.5, 0.36, 0.5, 0, 360)
_BOWL_TOP = [(0.0, 0.0), (0.28, 0.0), *_arc(0.28, 0.25, 0.25, 0.25, -90, 90), (0.0, 0.5)]
_STEM = [(0.0, 0.0), (0.0, 1.0)]

GLYPHS: dict[str, tuple[float, list[Stroke]]] = {
    " ": (0.36, []),
    "A": (0.68, [[(0.0, 1.0), (0.34, 0.0), (0.68, 1.0)], [(0.12, 0.66), (0.56, 0.66)]]),
    "B": (0.56, [_STEM, _BOWL_TOP, [(0.0, 0.5), (0.31, 0.5), *_arc(0.31, 0.75, 0.25, 0.25, -90, 90), (0.0, 1.0)]]),
    "C": (0.64, [_arc(0.36, 0.5, 0.36, 0.5, -42, -318)]),
    "D": (0.62, [[(0.0, 0.0), (0.2, 0.0), *_arc(0.2, 0.5, 0.42, 0.5, -90, 90), (0.0, 1.0), (0.0, 0.0)]]),
    "E": (0.5, [[(0.5, 0.0), (0.0, 0.0), (0.0, 1.0), (0.5, 1.0)], [(0.0, 0.5), (0.42, 0.5)]]),
    "F": (0.48, [[(0.48, 0.0), (0.0, 0.0), (0.0, 1.0)], [(0.0, 0.5), (0.4, 0.5)]]),
    "G": (0.68, [[*_arc(0.36, 0.5, 0.36, 0.5, -42, -360), (0.68, 0.56), (0.42, 0.56)]]),
    "H": (0.58, [_STEM, [(0.58, 0.0), (0.58, 1.0)], [(0.0, 0.5), (0.58, 0.5)]]),
    "I": (0.0, [_STEM]),
    "J": (0.4, [[(0.4, 0.0), (0.4, 0.78), *_arc(0.2, 0.78, 0.2, 0.22, 0, 160)]]),
    "K": (0.56, [_STEM, [(0.54, 0.0), (0.0, 0.6)], [(0.17, 0.42), (0.56, 1.0)]]),
    "L": (0.46, [[(0.0, 0.0), (0.0, 1.0), (0.46, 1.0)]]),
    "M": (0.72, [[(0.0, 1.0), (0.0, 0.0), (0.36, 0.62), (0.72, 0.0), (0.72, 1.0)]]),
    "N": (0.6, [[(0.0, 1.0), (0.0, 0.0), (0.6, 1.0), (0.6, 0.0)]]),
    "O": (0.72, [_O]),
    "P": (0.54, [_STEM, _BOWL_TOP]),
    "Q": (0.72, [_O, [(0.46, 0.72), (0.72, 1.04)]]),
    "R": (0.56, [_STEM, _BOWL_TOP, [(0.26, 0.5), (0.56, 1.0)]]),
    "S": (0.52, [[*_arc(0.26, 0.25, 0.24, 0.25, -30, -270), *_arc(0.26, 0.75, 0.26, 0.25, -90, 150)]]),
    "T": (0.6, [[(0.0, 0.0), (0.6, 0.0)], [(0.3, 0.0), (0.3, 1.0)]]),
    "U": (0.58, [[(0.0, 0.0), (0.0, 0.7), *_arc(0.29, 0.7, 0.29, 0.3, 180, 0), (0.58, 0.0)]]),
    "V": (0.66, [[(0.0, 0.0), (0.33, 1.0), (0.66, 0.0)]]),
    "W": (0.96, [[(0.0, 0.0), (0.24, 1.0), (0.48, 0.2), (0.72, 1.0), (0.96, 0.0)]]),
    "X": (0.6, [[(0.0, 0.0), (0.6, 1.0)], [(0.6, 0.0), (0.0, 1.0)]]),
    "Y": (0.62, [[(0.0, 0.0), (0.31, 0.5), (0.62, 0.0)], [(0.31, 0.5), (0.31, 1.0)]]),
    "Z": (0.56, [[(0.0, 0.0), (0.56, 0.0), (0.0, 1.0), (0.56, 1.0)]]),
    "0": (0.56, [_arc(0.28, 0.5, 0.28, 0.5, 0, 360)]),
    "1": (0.26, [[(0.0, 0.2), (0.26, 0.0), (0.26, 1.0)]]),
    "2": (0.52, [[*_arc(0.26, 0.26, 0.25, 0.26, -165, 30), (0.0, 1.0), (0.52, 1.0)]]),
    "3": (0.5, [[*_arc(0.24, 0.25, 0.23, 0.25, -150, 90)], [*_arc(0.24, 0.75, 0.26, 0.25, -90, 150)]]),
    "4": (0.58, [[(0.44, 1.0), (0.44, 0.0), (0.0, 0.7), (0.58, 0.7)]]),
    "5": (0.52, [[(0.48, 0.0), (0.08, 0.0), (0.04, 0.46), *_arc(0.24, 0.69, 0.28, 0.31, -120, 145)]]),
    "6": (0.54, [[(0.42, 0.0), *_arc(0.27, 0.7, 0.27, 0.3, -155, -515)]]),
    "7": (0.52, [[(0.0, 0.0), (0.52, 0.0), (0.18, 1.0)]]),
    "8": (0.52, [_arc(0.26, 0.25, 0.22, 0.25, 0, 360), _arc(0.26, 0.75, 0.26, 0.25, 0, 360)]),
    "9": (0.54, [[(0.12, 1.0), *_arc(0.27, 0.3, 0.27, 0.3, 25, 385)]]),
    ".": (0.0, [[(0.0, 0.98), (0.0, 1.0)]]),
    ":": (0.0, [[(0.0, 0.3), (0.0, 0.32)], [(0.0, 0.86), (0.0, 0.88)]]),
    "-": (0.34, [[(0.0, 0.52), (0.34, 0.52)]]),
    "+": (0.44, [[(0.0, 0.55), (0.44, 0.55)], [(0.22, 0.33), (0.22, 0.77)]]),
}
"""Advance width and strokes of each letter."""


def text_width(text: str, spacing: float) -> float:
    """Width of a line of text, with `spacing` between letters, at cap height 1."""
    return sum(GLYPHS[letter][0] for letter in text) + spacing * max(0, len(text) - 1)


def lay_line(text: str, spacing: float) -> list[Stroke]:
    """Strokes of a line of text, starting at x = 0."""
    strokes: list[Stroke] = []
    x = 0.0
    for letter in text:
        width, glyph = GLYPHS[letter]
        strokes += [[(x + px, py) for px, py in stroke] for stroke in glyph]
        x += width + spacing
    return strokes


def lay_circle(text: str, spacing: float, radius: float, middle: float, *, inward: bool = False) -> list[Stroke]:
    """Strokes of text along a circle about the origin; letters stand on `radius`, at cap height 1.

    `middle` is the angle of the text's middle in degrees, clockwise from the top. `inward` turns the letters' tops to
    the centre, for text along the bottom.
    """
    width = text_width(text, spacing)
    bent = []
    for stroke in lay_line(text, spacing):
        points = []
        for x, y in stroke:
            height = 1.0 - y
            away = radius - height if inward else radius + height
            along = (x - width / 2) / radius * (-1.0 if inward else 1.0)
            turn = math.radians(middle) + along
            points.append((away * math.sin(turn), -away * math.cos(turn)))
        bent.append(points)
    return bent
