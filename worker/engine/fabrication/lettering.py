"""Text on a board: strokes that the fab can print, in lines that fit."""

from __future__ import annotations

from dataclasses import dataclass

from worker.engine.fabrication.shapes import Block, Lettering
from worker.engine.fabrication.stroke_font import GLYPHS, lay_line, text_width
from worker.fab_profile import FabProfile

LEAST_HEIGHT_MM = 1.0
"""Least height of capitals that low-cost fabs print (published fab pages, range 0.7 to 1.0 mm)."""
_STROKES_PER_HEIGHT = 6.5
"""A capital E of three strokes and two gaps, each as wide as a stroke, needs five; less runs together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """How text is written: the finish's index, the stroke's width and the capitals' height in mm."""

    finish: int
    stroke: float
    height: float

    @property
    def spacing(self) -> float:
        """Space between letters in heights: a stroke and a gap as wide."""
        return 2.2 * self.stroke / self.height

    def width(self, text: str) -> float:
        """Width of a line of text in mm, strokes included."""
        return text_width(printable(text), self.spacing) * self.height + self.stroke

    def line(self, text: str) -> Block:
        """One line of text as a block, as high as its capitals and strokes."""
        half = self.stroke / 2
        strokes = tuple(
            [(x * self.height + half, y * self.height + half) for x, y in stroke]
            for stroke in lay_line(printable(text), self.spacing)
        )
        return Block(
            width=self.width(text),
            height=self.height + self.stroke,
            shapes=(Lettering(strokes=strokes, width=self.stroke, finish=self.finish),) if strokes else (),
        )

    def lines(self, text: str, width: float) -> Block:
        """Text broken into lines of at most `width` mm, between words where it can be."""
        rows = [self.line(row) for row in self._broken(text, width)]
        step = self.height + 4 * self.stroke
        placed = [row.at(0.0, step * i) for i, row in enumerate(rows)]
        return Block(
            width=max(row.width for row in rows),
            height=step * (len(rows) - 1) + rows[-1].height,
            shapes=tuple(shape for row in placed for shape in row.shapes),
        )

    def _broken(self, text: str, width: float) -> list[str]:
        rows = [""]
        for word in text.split():
            longer = f"{rows[-1]} {word}".strip()
            if self.width(longer) <= width:
                rows[-1] = longer
                continue
            rows.append("")
            for letter in word:
                if self.width(rows[-1] + letter) > width:
                    rows.append("")
                rows[-1] += letter
        return [row for row in rows if row]


def pen_for(fab: FabProfile, finish: int) -> Pen:
    """A pen that keeps a finish's smallest feature, and the height that the fab wants of letters."""
    stroke, wanted = fab.finishes[finish].smallest_feature_mm, fab.limits["legend", "text_height_mm"].value_mm
    return Pen(finish=finish, stroke=stroke, height=max(LEAST_HEIGHT_MM, wanted, _STROKES_PER_HEIGHT * stroke))


def printable(text: str) -> str:
    """Text in the letters that the font has; another letter becomes a hyphen."""
    return "".join(letter if letter in GLYPHS else "-" for letter in text.upper())
