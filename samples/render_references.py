"""Draw how five readings become one reference: python samples/render_references.py [FILE]

The spectra are invented: a copper with five readings, the fourth of which was taken on a fingerprint.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from worker.engine.colorimetry import lab_to_srgb
from worker.engine.references.reference import finish_reference
from worker.finish import Finish, LayerRecipe
from worker.reading import Reading, Spectrum, read_viewing_conditions

LIGHTS = ("D65/2", "D50/2", "A/2", "F11/2")
SIDE, GAP, TOP, TEXT = 150, 18, 66, 52
INK, FAINT, PAPER = (30, 30, 30), (105, 105, 105), (255, 255, 255)


def copper(brightness: float, edge_nm: float) -> Reading:
    """A reading of a metal that reflects red, from `edge_nm` on."""
    nm = 400.0 + 10.0 * np.arange(31)
    values = brightness * (0.5 + 0.0004 * (nm - 400.0) + 0.32 / (1.0 + np.exp(-(nm - edge_nm) / 12.0)))
    spectrum = Spectrum(start_nm=400.0, step_nm=10.0, values=tuple(np.round(values, 4).tolist()))
    return Reading(spectrum=spectrum, geometry="d:8 SCI", origin="measured", source="invented")


READINGS = (copper(0.70, 585.0), copper(0.712, 585.5), copper(0.705, 584.0), copper(0.45, 610.0), copper(0.698, 586.0))
FINISH = Finish(
    id="copper",
    name="bare copper",
    recipe=LayerRecipe(copper="solid", mask_opening=True, legend=False),
    texture="metallic",
    readings=READINGS,
    smallest_feature_mm=0.15,
)


def swatch(draw: ImageDraw.ImageDraw, place: int, row: int, lab: np.ndarray, lines: tuple[str, ...]) -> None:
    """One colour with lines of text below it."""
    x, y = GAP + place * (SIDE + GAP), TOP + row * (SIDE + TEXT + TOP)
    draw.rectangle((x, y, x + SIDE - 1, y + SIDE - 1), fill=tuple(int(value) for value in lab_to_srgb(lab)))
    for i, line in enumerate(lines):
        draw.text((x, y + SIDE + 6 + 20 * i), line, fill=INK if i == 0 else FAINT, font=ImageFont.load_default(15))


def lab_text(lab: np.ndarray) -> str:
    """CIELAB to one digit."""
    return " ".join(f"{value:.1f}" for value in lab)


def drawn() -> Image.Image:
    """The picture."""
    alone = [finish_reference(replace(FINISH, readings=(reading,))) for reading in READINGS]
    reference = finish_reference(FINISH)
    picture = Image.new("RGB", (GAP + 6 * (SIDE + GAP), 2 * (TOP + SIDE + TEXT) + GAP), PAPER)
    draw = ImageDraw.Draw(picture)
    title = ImageFont.load_default(22)
    aside = {one.index for one in reference.set_aside}
    draw.text((GAP, 24), "Five spectra of one finish, and the reference that they give", fill=INK, font=title)
    for i, one in enumerate(alone):
        swatch(draw, i, 0, one.lab, (f"reading {i}" + (": set aside" if i in aside else ""), lab_text(one.lab)))
        if i in aside:
            x, y = GAP + i * (SIDE + GAP), TOP
            draw.line((x, y, x + SIDE - 1, y + SIDE - 1), fill=PAPER, width=3)
            draw.line((x, y + SIDE - 1, x + SIDE - 1, y), fill=PAPER, width=3)
    swatch(draw, 5, 0, reference.lab, ("the reference", f"{lab_text(reference.lab)} ± {reference.uncertainty:.1f}"))
    below = TOP + SIDE + TEXT + 24
    draw.text((GAP, below), "The same reference under other viewing conditions", fill=INK, font=title)
    for i, light in enumerate(LIGHTS):
        under = finish_reference(FINISH, read_viewing_conditions(light))
        # As the eye sees it once it is used to that light: the corresponding colour under D65.
        swatch(draw, i, 1, under.lab, (light, lab_text(under.viewing_lab)))
    return picture


def main(file: Path) -> None:
    """Write the picture."""
    drawn().save(file, optimize=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "pictures" / "references.png")
