"""Lettering of the samples: the strokes of the engine's own font, along a line and along a circle."""

from __future__ import annotations

import math

from worker.engine.fabrication.stroke_font import Point, Stroke, lay_line, text_width

__all__ = ["Point", "Stroke", "lay_circle", "lay_line", "text_width"]


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
