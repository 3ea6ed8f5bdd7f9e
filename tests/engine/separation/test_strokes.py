"""Lines and letters stay whole in hard regions and in a dither, by connected components."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from skimage.morphology import skeletonize

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.stress_art import PITCH_UM, Stroke, stress_art
from tests.engine.fabrication.stroke_check import is_one_part
from tests.engine.layer_rules import thin_pixels, violations
from tests.engine.open_pictures import photograph, png_of
from tests.engine.separation.line_art import LIMIT_MM, lines, text
from worker.engine.colorimetry import srgb_decoded
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.pipeline import Conversion, convert
from worker.engine.separation.cells import FREE
from worker.engine.separation.stroke_cells import line_finishes
from worker.engine.separation.strokes import find_strokes
from worker.job_settings import read_settings


def separated(data: bytes, fab: str, width: str, edges: str, tables: MemoryTables) -> Conversion:
    settings = read_settings({"width": width, "pitch": "10um", "edges": edges, "clusters": "12"})
    return convert(data, board(fab), settings, tables=tables, threads=2)


def shown_finish(labels: npt.NDArray[np.uint8], stroke: Stroke) -> int:
    """The finish that most of a line's middle is in: by its colour it may be another than it was drawn for."""
    x, y = (np.rint(stroke.path * 1000.0 / PITCH_UM - 0.5).astype(int).clip(0, len(labels) - 1)).T
    return int(np.bincount(labels[y, x]).argmax())


@pytest.mark.parametrize(("fab", "seed"), [("nocturne-gold", 5), ("meadow-tin", 6), ("alba-black", 6)])
def test_hard_regions_keep_every_line_from_60_percent_of_the_limit_on(
    fab: str, seed: int, tables: MemoryTables
) -> None:
    """On over-dense art with all finishes; the layers' repair starts from this. A line whose colour is nearest to its
    ground's finish is not seen at all: that is a matter of colour, and no dashes.
    """
    art = stress_art(seed, board(fab), fields=2)
    found = separated(art.png, fab, f"{art.width_mm}mm", "threshold", tables)
    labels = found.separation.labels
    counted = whole = 0
    for stroke in art.strokes:
        drawn = stroke.width_mm >= 0.6 * LIMIT_MM and is_one_part(art.truth, stroke, stroke.finish, LIMIT_MM)
        finish = shown_finish(labels, stroke)
        if drawn and finish != stroke.ground:
            counted += 1
            whole += is_one_part(labels, stroke, finish, LIMIT_MM)
    assert counted >= 17
    assert whole == counted


def whole_letters(labels: npt.NDArray[np.uint8], finish: int, where: npt.NDArray[np.uint8]) -> tuple[int, int]:
    """How many letters there are, and of how many one part of the finish follows the middle lines within half a limit.

    Middle lines by scikit-image's skeletons, parts by OpenCV.
    """
    count, letters = cv2.connectedComponents((where > 127).astype(np.uint8), connectivity=8)
    kept, reach = 0, round(LIMIT_MM * 100 / 2)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    for letter in range(1, count):
        own = (letters == letter).astype(np.uint8)
        x, y, across, down = cv2.boundingRect(own)
        box = np.s_[max(0, y - 2 * reach) : y + down + 2 * reach, max(0, x - 2 * reach) : x + across + 2 * reach]
        near = cv2.dilate(own[box], kernel) > 0
        _, parts = cv2.connectedComponents(((labels[box] == finish) & near).astype(np.uint8), connectivity=4)
        middle = skeletonize(own[box] > 0)
        for part in range(1, parts.max() + 1):
            away = cv2.distanceTransform((parts != part).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
            if (away[middle] <= reach).mean() >= 0.97:
                kept += 1
                break
    return count - 1, kept


@pytest.mark.parametrize("fab", ["nocturne-gold", "alba-black"])
def test_hard_regions_keep_letters(fab: str, tables: MemoryTables) -> None:
    """Pillow's own font, stems a third over the limit, on a shaded ground."""
    art, where = text(5, board(fab), 0.2)
    found = separated(png_of(art), fab, "10mm", "threshold", tables)
    lightest = int(finish_colours(board(fab)).lab[:, 0].argmax())
    count, kept = whole_letters(found.separation.labels, lightest, where)
    assert count >= 20
    assert kept == count


@pytest.mark.parametrize(("fab", "dark"), [("nocturne-gold", False), ("meadow-tin", True), ("alba-black", True)])
def test_a_dither_keeps_lines(fab: str, dark: bool, tables: MemoryTables) -> None:
    """Lines of one to two limits over a ground that is mixed; what is drawn can still be made.

    Of 40 on 20 mm, light on dark and dark on light, from three seeds, on each of three boards at least 239 of 240.
    """
    art, strokes = lines(7, board(fab), dark=dark)
    found = separated(png_of(art), fab, "10mm", "dither", tables)
    assert len(strokes) >= 8
    assert all(is_one_part(found.separation.labels, stroke, stroke.finish, LIMIT_MM) for stroke in strokes)
    assert violations(found.masks, found.fab) == {}
    cell = found.separation.cell_px
    assert {finish: thin_pixels(mask, cell) for finish, mask in found.masks.items()} == dict.fromkeys(found.masks, 0)


def test_thinner_lines_are_widened(tables: MemoryTables) -> None:
    """From 60 percent of the limit on. On larger art, of three boards, light on dark and dark on light, 237 of 240."""
    art, strokes = lines(5, board("meadow-tin"), limits=(0.6, 1.0))
    found = separated(png_of(art), "meadow-tin", "10mm", "dither", tables)
    assert len(strokes) >= 8
    assert all(is_one_part(found.separation.labels, stroke, stroke.finish, LIMIT_MM) for stroke in strokes)


@pytest.mark.parametrize("fab", ["nocturne-gold", "meadow-tin"])
def test_a_dither_keeps_letters(fab: str, tables: MemoryTables) -> None:
    """Stems at the limit. What lies between them is no line of its own, though it may be as narrow."""
    art, where = text(5, board(fab), 0.15)
    found = separated(png_of(art), fab, "10mm", "dither", tables)
    lightest = int(finish_colours(board(fab)).lab[:, 0].argmax())
    count, kept = whole_letters(found.separation.labels, lightest, where)
    assert count >= 20
    assert kept == count
    assert violations(found.masks, found.fab) == {}


@pytest.mark.parametrize("name", ["astronaut", "coffee", "chelsea"])
def test_photographs_have_next_to_no_lines(name: str) -> None:
    srgb = np.ascontiguousarray(photograph(name))
    fab = board("nocturne-gold")
    found = find_strokes(srgb, 3)
    if found is None:
        return
    finish = line_finishes(found, finish_colours(fab), [finish.recipe for finish in fab.finishes])
    drawn = np.append(np.uint8(FREE), finish)[found.line] != FREE
    assert drawn.mean() < 0.015


def test_what_is_decided_comes_before_lines(tables: MemoryTables) -> None:
    fab = board("alba-black")
    art, _ = lines(7, fab)
    frozen = np.full((1000, 1000), 255, dtype=np.uint8)
    frozen[300:600, 150:750] = 0
    settings = read_settings({"width": "10mm", "pitch": "10um", "edges": "dither", "clusters": "4"})
    found = convert(png_of(art), fab, settings, tables=tables, frozen=frozen, threads=2)
    assert (found.separation.labels[300:600, 150:750] == 0).all()
    assert violations(found.masks, fab) == {}


def test_lines_leave_the_light_around_them_as_it_is(tables: MemoryTables, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over each quarter of the art, the mean light is that of a dither that draws no lines: what solid lines have too
    much or too little of, their surroundings make up for. Were it lost, quarters would be up to 0.017 lighter.
    """
    fab = board("alba-black")
    art, _ = lines(7, fab)
    drawn = separated(png_of(art), "alba-black", "10mm", "dither", tables)
    monkeypatch.setattr("worker.engine.separation.dither.find_strokes", lambda *_, **__: None)
    mixed = separated(png_of(art), "alba-black", "10mm", "dither", tables)
    assert not np.array_equal(drawn.preview, mixed.preview)
    one, other = (srgb_decoded(found.preview[..., 1] / 255.0).reshape(2, 500, 2, 500) for found in (drawn, mixed))
    np.testing.assert_allclose(one.mean(axis=(1, 3)), other.mean(axis=(1, 3)), atol=0.004)


def test_lines_are_the_same_on_any_number_of_threads() -> None:
    art, _ = lines(7, board("nocturne-gold"))
    one, four = (find_strokes(np.ascontiguousarray(art), 4, threads=threads) for threads in (1, 4))
    assert one is not None and four is not None
    np.testing.assert_array_equal(one.line, four.line)
    np.testing.assert_array_equal(one.lab, four.lab)
