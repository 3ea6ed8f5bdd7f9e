"""Rims of anti-aliasing dissolve, strokes that are meant stay. Pictures drawn with Pillow, four samples a side."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
import scipy.ndimage
from PIL import Image, ImageDraw, ImageFont

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import png_of
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.pipeline import Conversion, convert
from worker.job_settings import read_settings

FAB = board("nocturne-gold")
COLOURS = finish_colours(FAB)
IDS = list(COLOURS.ids)
SIDE, SAMPLES = 240, 4
Srgb = npt.NDArray[np.uint8]


def shape_of(kind: str) -> npt.NDArray[np.float64]:
    """How much of each pixel is covered, 0 to 1."""
    picture = Image.new("L", (SIDE * SAMPLES, SIDE * SAMPLES), 0)
    pen = ImageDraw.Draw(picture)
    big = SAMPLES
    if kind == "discs":
        for x, y, r in ((60, 70, 41.3), (170, 80, 50.7), (120, 190, 30.9)):
            pen.ellipse([(x - r) * big, (y - r) * big, (x + r) * big, (y + r) * big], fill=255)
    elif kind == "bars":
        for i, slope in enumerate((3, 11, 29, 60)):
            left = 14 + 56 * i
            pen.polygon(
                [(left * big, 10 * big), ((left + 24) * big, 10 * big),
                 ((left + 24 + slope / 4) * big, 230 * big), ((left + slope / 4) * big, 230 * big)], fill=255,
            )  # fmt: skip
    else:
        font = ImageFont.load_default(size=92 * big)
        pen.text((14 * big, 6 * big), "Ring", fill=255, font=font)
        pen.text((14 * big, 112 * big), "648", fill=255, font=font)
    covered = np.asarray(picture, dtype=np.float64).reshape(SIDE, SAMPLES, SIDE, SAMPLES)
    return np.asarray(covered.mean(axis=(1, 3)) / 255.0)


def blended(under: Srgb, over: Srgb, covered: npt.NDArray[np.float64], *, linear: bool) -> Srgb:
    """One colour over another, blended in encoded values, as most programs do, or in linear light."""
    gamma = 2.2 if linear else 1.0
    one, two = ((colour / 255.0) ** gamma for colour in (under, over))
    mixed = one + covered[..., None] * (two - one)
    return np.asarray(np.rint(mixed ** (1.0 / gamma) * 255.0), dtype=np.uint8)


def colour_of(finish: str) -> Srgb:
    return COLOURS.srgb[IDS.index(finish)]


def separated(srgb: Srgb, tables: MemoryTables, *, clean_up: str = "on", scale: float = 1.0) -> Conversion:
    settings = read_settings({
        "width": f"{srgb.shape[1] * scale * 0.03:.6f}mm", "pitch": "30um", "clusters": "none", "edges": "threshold",
        "clean_up": clean_up,
    })  # fmt: skip
    return convert(png_of(srgb), FAB, settings, tables=tables, threads=2)


def third_share(labels: npt.NDArray[np.uint8], pair: tuple[str, str], band: npt.NDArray[np.bool_]) -> float:
    """Of the pixels near the border of two finishes, the share that neither of them got."""
    third = ~np.isin(labels, [IDS.index(finish) for finish in pair])
    return float(third[band].mean())


def border_band(covered: npt.NDArray[np.float64], factor: int) -> npt.NDArray[np.bool_]:
    """Within 3 artwork pixels of the border."""
    inside = covered >= 0.5
    edge = scipy.ndimage.binary_dilation(inside, iterations=3) & ~scipy.ndimage.binary_erosion(inside, iterations=3)
    return np.repeat(np.repeat(edge, factor, axis=0), factor, axis=1)


@pytest.mark.parametrize("kind", ["discs", "bars", "text"])
@pytest.mark.parametrize("linear", [False, True])
@pytest.mark.parametrize("pair", [("mask", "legend"), ("legend", "copper"), ("mask", "gold")])
@pytest.mark.parametrize("factor", [1, 3])
def test_rims_dissolve(kind: str, linear: bool, pair: tuple[str, str], factor: int, tables: MemoryTables) -> None:
    """Below 0.1 % of the border's surroundings, from 4 to 12 %; at the artwork's own size and three times as large."""
    covered = shape_of(kind)
    art = blended(colour_of(pair[0]), colour_of(pair[1]), covered, linear=linear)
    band = border_band(covered, factor)
    before = separated(art, tables, clean_up="off", scale=factor).separation.labels
    after = separated(art, tables, scale=factor).separation.labels
    assert third_share(before, pair, band) > 0.04, "there is no rim to dissolve"
    assert third_share(after, pair, band) < 0.001
    # Each pixel goes to the one that covers more of it: the border stays where it was.
    wanted = np.where(np.kron(covered, np.ones((factor, factor))) >= 0.5, IDS.index(pair[1]), IDS.index(pair[0]))
    assert (after != wanted)[band].mean() < 0.06


@pytest.mark.parametrize("width", [2, 4, 8])
def test_a_stroke_of_a_third_colour_survives(width: int, tables: MemoryTables) -> None:
    """An outline of copper between mask and legend: its colour lies off the line between the two."""
    art = np.full((SIDE, SIDE, 3), colour_of("mask"), dtype=np.uint8)
    art[:, SIDE // 2 :] = colour_of("legend")
    stroke = np.zeros((SIDE, SIDE), dtype=bool)
    stroke[:, SIDE // 2 : SIDE // 2 + width] = True
    art[stroke] = colour_of("copper")
    labels = separated(art, tables).separation.labels
    assert (labels[stroke] == IDS.index("copper")).all()


@pytest.mark.parametrize("width", [1, 2, 3])
@pytest.mark.parametrize("finish", ["substrate", "copper", "gold", "legend"])
def test_a_stroke_between_two_parts_of_one_finish_survives(width: int, finish: str, tables: MemoryTables) -> None:
    """A line of any colour on plain mask is no rim, even where its colour lies on the line to another finish."""
    art = np.full((SIDE, SIDE, 3), colour_of("mask"), dtype=np.uint8)
    stroke = np.zeros((SIDE, SIDE), dtype=bool)
    stroke[100 : 100 + width] = True
    stroke[:, 60 : 60 + width] = True
    art[stroke] = colour_of(finish)
    labels = separated(art, tables).separation.labels
    assert (labels[stroke] == IDS.index(finish)).all()


def test_frozen_and_forbidden_places_are_left(tables: MemoryTables) -> None:
    covered = shape_of("discs")
    art = blended(colour_of("mask"), colour_of("legend"), covered, linear=False)
    rough = separated(art, tables, clean_up="off").separation.labels
    band = border_band(covered, 1)
    frozen = np.where(band & (np.arange(SIDE) < 120), rough, 255).astype(np.uint8)
    settings = read_settings({"width": "7.2mm", "pitch": "30um", "clusters": "none", "edges": "threshold"})
    labels = convert(png_of(art), FAB, settings, tables=tables, frozen=frozen).separation.labels
    assert (labels[frozen != 255] == frozen[frozen != 255]).all()
    assert third_share(labels, ("mask", "legend"), band & (np.arange(SIDE) >= 120)) < 0.005


def test_threads_change_nothing(tables: MemoryTables) -> None:
    art = blended(colour_of("mask"), colour_of("legend"), shape_of("text"), linear=True)
    settings = read_settings({"width": "7.2mm", "pitch": "30um", "edges": "threshold"})
    one, many = (convert(png_of(art), FAB, settings, tables=tables, threads=n).separation for n in (1, 4))
    assert one.labels.tobytes() == many.labels.tobytes()
