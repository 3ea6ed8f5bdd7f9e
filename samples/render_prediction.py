"""Make the sample readings of a green mask, and draw what is predicted from them.

    python samples/render_prediction.py [FOLDER]

All of it is invented: the paints, the laminate, the copper, the mask, and an instrument whose noise is drawn from a
seed. The mask is made by the theory that predicts it, so the picture shows what the prediction does with noise, and not
whether a real mask keeps to the theory.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from worker.engine.arrays import Floats
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.references.conditions import lab_of_xyz
from worker.engine.references.prediction.layer import layer_of
from worker.engine.references.prediction.predict import Known, Prediction, Stack, predict_stack
from worker.engine.references.prediction.surface import surface_of
from worker.engine.references.spectrum import tristimulus
from worker.reading import STANDARD_CONDITIONS, Reading, Spectrum
from worker.reading_files import NamedReading, write_csv

GEOMETRY = "d:8 SCI"
NM = np.arange(400.0, 701.0, 10.0)
SURFACE = surface_of(GEOMETRY)


def rise(low: float, high: float, middle_nm: float, width_nm: float) -> Floats:
    """A reflectance that rises smoothly."""
    return np.asarray(low + (high - low) / (1.0 + np.exp(-(NM - middle_nm) / width_nm)))


def band(middle_nm: float, width_nm: float) -> Floats:
    """An absorption band of height 1."""
    return np.asarray(np.exp(-(((NM - middle_nm) / width_nm) ** 2)))


GROUNDS = {
    "black": rise(0.052, 0.056, 550.0, 80.0),
    "white": rise(0.80, 0.86, 430.0, 20.0),
    "laminate": rise(0.22, 0.44, 500.0, 45.0),
    "copper": rise(0.36, 0.66, 578.0, 14.0),
}
ABSORPTION = 0.10 + 1.10 * band(425.0, 55.0) + 0.95 * band(650.0, 70.0)
SCATTERING = 0.10 * (550.0 / NM) ** 1.5
READINGS = 5
NOISE_SHARED, NOISE_APART = 0.0015, 0.0006


def masked(name: str) -> Floats:
    """The mask over a ground, as the instrument reads it; copper has no surface of its own below the mask."""
    ground = GROUNDS[name] if name == "copper" else SURFACE.internal(GROUNDS[name])
    return SURFACE.measured(layer_of(ABSORPTION, SCATTERING).over(ground))


def spectra(values: Floats, chance: np.random.Generator) -> tuple[Spectrum, ...]:
    """Five readings, with the instrument's noise."""
    noise = chance.normal(0.0, NOISE_SHARED, (READINGS, 1)) + chance.normal(0.0, NOISE_APART, (READINGS, len(NM)))
    return tuple(
        Spectrum(start_nm=400.0, step_nm=10.0, values=tuple(np.round(row, 4).tolist())) for row in values + noise
    )


def known_samples() -> dict[str, Known]:
    """Everything that was read: four grounds, and the mask over two of them."""
    chance = np.random.default_rng(20261125)
    samples = {
        name: Known(name=name, spectra=spectra(v, chance), metallic=name == "copper") for name, v in GROUNDS.items()
    }
    for name in ("black", "white"):
        samples[f"green-on-{name}"] = Known(name=f"green-on-{name}", spectra=spectra(masked(name), chance))
    return samples


def csv_file(samples: dict[str, Known]) -> bytes:
    """The readings as the file that the README reads."""
    head = b"# Invented readings of an invented green mask: no such board, paint or instrument exists.\n"
    readings = [
        NamedReading(
            finish=name,
            reading=Reading(
                spectrum=spectrum,
                geometry=GEOMETRY,
                origin="measured",
                instrument="invented sphere",
                date="2026-11-24",
                coupon="paint card and laminate",
                source="invented for the demo",
            ),
        )
        for name, known in samples.items()
        for spectrum in known.spectra
    ]
    return head + write_csv(readings)


# --- the picture

PAPER, INK, FAINT = (255, 255, 255), (30, 30, 30), (110, 110, 110)
PLOT = (70, 60, 690, 470)
TOP = 0.55


def colour_of(values: Floats) -> tuple[int, int, int]:
    """Encoded sRGB of a spectrum under D65."""
    spectrum = Spectrum(start_nm=400.0, step_nm=10.0, values=tuple(values.tolist()))
    lab = lab_of_xyz(tristimulus(spectrum, "D65", "2"), STANDARD_CONDITIONS)
    red, green, blue = (int(value) for value in lab_to_srgb(lab))
    return red, green, blue


def points(values: Floats) -> list[tuple[float, float]]:
    """A spectrum on the plot."""
    left, top, right, bottom = PLOT
    x = left + (NM - 400.0) / 300.0 * (right - left)
    y = bottom - values / TOP * (bottom - top)
    return list(zip(x.tolist(), y.tolist(), strict=True))


def dashed(draw: ImageDraw.ImageDraw, values: Floats) -> None:
    """A spectrum as a thick dashed line."""
    line = np.array(points(values))
    along = np.linspace(0, len(line) - 1, 121)
    dense = np.column_stack([np.interp(along, np.arange(len(line)), line[:, k]) for k in (0, 1)])
    for first in range(0, 120, 4):
        draw.line([tuple(p) for p in dense[first : first + 3]], fill=INK, width=4)


def axes(draw: ImageDraw.ImageDraw) -> None:
    """Frame, ticks and names."""
    left, top, right, bottom = PLOT
    font = ImageFont.load_default(15)
    draw.rectangle(PLOT, outline=FAINT)
    for nm in range(400, 701, 50):
        x = left + (nm - 400) / 300 * (right - left)
        draw.text((x, bottom + 8), str(nm), fill=FAINT, font=font, anchor="mt")
    for tenth in range(6):
        y = bottom - tenth / 10 / TOP * (bottom - top)
        draw.line((left, y, right, y), fill=(228, 228, 228))
        draw.text((left - 8, y), f"{tenth / 10:.1f}", fill=FAINT, font=font, anchor="rm")
    draw.text(((left + right) / 2, bottom + 30), "wavelength in nm", fill=FAINT, font=font, anchor="mt")
    draw.text((left, top - 26), "reflectance factor, d:8 SCI", fill=FAINT, font=font)


def legend(draw: ImageDraw.ImageDraw, rows: list[tuple[str, str, tuple[int, int, int]]]) -> None:
    """Swatches with two lines of text each."""
    for i, (first, second, colour) in enumerate(rows):
        x, y = 730, 60 + 69 * i
        draw.rectangle((x, y, x + 76, y + 54), fill=colour, outline=FAINT)
        draw.text((x + 90, y + 6), first, fill=INK, font=ImageFont.load_default(17))
        draw.text((x + 90, y + 30), second, fill=FAINT, font=ImageFont.load_default(14))


def drawn(samples: dict[str, Known], found: dict[str, Prediction]) -> Image.Image:
    """The picture."""
    image = Image.new("RGB", (1090, 530), PAPER)
    draw = ImageDraw.Draw(image)
    draw.text(
        (PLOT[0], 8),
        "A green mask over black and white tells how it looks over the rest",
        INK,
        ImageFont.load_default(20),
    )
    axes(draw)
    rows = []
    for name in ("green-on-black", "green-on-white"):
        mean = np.mean([spectrum.values for spectrum in samples[name].spectra], axis=0)
        draw.line(points(mean), fill=colour_of(mean), width=4)
        rows.append((name, "read, five times", colour_of(mean)))
    for ground, prediction in found.items():
        values = np.array(prediction.spectrum.values)
        dashed(draw, values)
        x, y = points(values)[13]
        above = ground == "laminate"
        draw.text(
            (x, y - 8 if above else y + 22), f"over {ground}", INK, ImageFont.load_default(15), "mb" if above else "mt"
        )
        rows.append((f"over {ground}", f"predicted, ±{prediction.uncertainty:.1f}", colour_of(values)))
        rows.append(("the truth", "hidden from the prediction", colour_of(masked(ground))))
    legend(draw, rows)
    return image


def main(folder: Path) -> None:
    """Write the readings and the picture."""
    samples = known_samples()
    stacks = [Stack(masked=samples[f"green-on-{name}"], ground=samples[name]) for name in ("black", "white")]
    found = {
        name: predict_stack(stacks, samples[name], geometry=GEOMETRY, chance=np.random.default_rng(1))
        for name in ("laminate", "copper")
    }
    (folder / "readings" / "green-mask-stacks.csv").write_bytes(csv_file(samples))
    drawn(samples, found).quantize(64, dither=Image.Dither.NONE).save(
        folder / "pictures" / "prediction.png", optimize=True
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
