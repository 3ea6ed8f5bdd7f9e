"""Draw what an import and an override do to a profile: python samples/render_readings.py [FOLDER]

The readings are those of samples/readings/alba-black.csv, which are invented.
"""

from __future__ import annotations

import io
import sys
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from worker.engine.colorimetry import lab_to_srgb
from worker.engine.difference import ciede2000
from worker.engine.pipeline import convert
from worker.engine.references.reference import FinishReference, finish_reference
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import read_settings
from worker.profile_edits import add_readings, set_override
from worker.reading import Override
from worker.reading_files import read_readings

SAMPLES = Path(__file__).parent
PLOT, LEFT, TOP, GAP, SIDE = (430, 300), 58, 66, 18, 84
INK, FAINT, GRID, PAPER = (30, 30, 30), (105, 105, 105), (222, 222, 222), (255, 255, 255)


def profiles() -> tuple[FabProfile, FabProfile]:
    """The demo profile as it stands, and with the sample readings imported."""
    toml = (SAMPLES / "fabs" / "alba-black.toml").read_bytes()
    named = read_readings((SAMPLES / "readings" / "alba-black.csv").read_bytes())
    imported = add_readings(toml, [(each.finish, each.reading) for each in named])
    return read_fab_profile(toml), read_fab_profile(imported)


def place(nm: float, factor: float) -> tuple[float, float]:
    """Where a reflectance stands in the plot."""
    return LEFT + (nm - 400.0) / 300.0 * PLOT[0], TOP + (1.0 - factor) * PLOT[1]


def draw_axes(draw: ImageDraw.ImageDraw) -> None:
    """Wavelengths below, reflectance factors at the side."""
    font = ImageFont.load_default(14)
    for nm in range(400, 701, 50):
        draw.line((*place(nm, 0.0), *place(nm, 1.0)), fill=GRID)
        draw.text((place(nm, 0.0)[0], TOP + PLOT[1] + 8), f"{nm}", fill=FAINT, font=font, anchor="mt")
    for tenth in range(0, 11, 2):
        draw.line((*place(400, tenth / 10), *place(700, tenth / 10)), fill=GRID)
        draw.text((LEFT - 10, place(400, tenth / 10)[1]), f"{tenth / 10:.1f}", fill=FAINT, font=font, anchor="rm")
    draw.text(
        (LEFT + PLOT[0], TOP + PLOT[1] + 30), "wavelength in nm; reflectance factor", fill=FAINT, font=font, anchor="rt"
    )


def colour_of(reference: FinishReference) -> tuple[int, ...]:
    """The reference as sRGB."""
    return tuple(int(value) for value in lab_to_srgb(reference.lab))


def draw_imported() -> Image.Image:
    """The spectra of the file, and every finish's reference before and after."""
    old, new = profiles()
    picture = Image.new("RGB", (1010, TOP + 4 * (SIDE + GAP)), PAPER)
    draw = ImageDraw.Draw(picture)
    title, font, small = ImageFont.load_default(22), ImageFont.load_default(15), ImageFont.load_default(14)
    draw.text((LEFT, 24), "Twelve spectra of a file", fill=INK, font=title)
    draw.text((LEFT + PLOT[0] + 60, 24), "and what became of the references", fill=INK, font=title)
    draw_axes(draw)
    for row, finish in enumerate(new.finishes):
        before, after = finish_reference(old.finishes[row]), finish_reference(finish)
        for reading in finish.readings:
            if reading.spectrum is not None:
                points = [place(400 + 10 * i, value) for i, value in enumerate(reading.spectrum.values)]
                draw.line(points, fill=tuple(value * 4 // 5 for value in colour_of(after)), width=2)
        x, y = LEFT + PLOT[0] + 60, TOP + row * (SIDE + GAP)
        for step, reference in enumerate((before, after)):
            box = (x + step * SIDE, y, x + (step + 1) * SIDE - 1, y + SIDE - 1)
            draw.rectangle(box, fill=colour_of(reference))
        draw.rectangle((x, y, x + 2 * SIDE - 1, y + SIDE - 1), outline=GRID)
        text = x + 2 * SIDE + 14
        moved = float(ciede2000(before.lab, after.lab))
        draw.text((text, y + 4), finish.name, fill=INK, font=font)
        draw.text((text, y + 30), f"{before.grade} ± {before.uncertainty:.1f}", fill=FAINT, font=small)
        draw.text(
            (text, y + 50), f"{after.grade} ± {after.uncertainty:.1f}; moved by {moved:.1f}", fill=FAINT, font=small
        )
    return picture


def draw_tuned() -> Image.Image:
    """One artwork with the gold as imported, and with a darker one set by hand."""
    _, imported = profiles()
    dark = Override(lab=(48.0, 8.0, 30.0), illuminant="D65", observer="2", note="brown in the evening light")
    tuned = read_fab_profile(set_override(imported.toml, "gold", dark))
    boards = [board(fab) for fab in (imported, tuned)]
    width, height = boards[0].size
    picture = Image.new("RGB", (2 * width + 3 * GAP, height + TOP + 2 * GAP), PAPER)
    draw = ImageDraw.Draw(picture)
    for step, (shown, text) in enumerate(
        zip(boards, ("the gold as it was measured", "the gold set by hand"), strict=True)
    ):
        x = GAP + step * (width + GAP)
        draw.text((x, 24), text, fill=INK, font=ImageFont.load_default(22))
        picture.paste(shown, (x, TOP))
    return picture


def board(fab: FabProfile) -> Image.Image:
    """The preview of an artwork on a fab's board."""
    with (SAMPLES / "artworks" / "quillmere-badge.png").open("rb") as artwork:
        settings = read_settings({"width": "40mm", "pitch": "100um", "edges": "threshold"})
        files = dict(convert(artwork, fab, settings, threads=1).files())
    return Image.open(io.BytesIO(files["preview.png"])).convert("RGB")


def main(folder: Path) -> None:
    """Write the pictures."""
    draw_imported().save(folder / "imported.png", optimize=True)
    draw_tuned().save(folder / "tuned.png", optimize=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES / "pictures")
