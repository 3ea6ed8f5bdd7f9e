"""Pictures of broken limits and of the worst shift, against numpy, scipy and the layers themselves."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageDraw
from scipy import ndimage

from tests.boards import FABS, board, lab_of
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.readers import drawn_by_gerbonara
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.fabrication.shifts import Shift
from worker.engine.made_board import made_files
from worker.engine.pipeline import Conversion, convert
from worker.engine.report.fabrication_block import fabrication_block
from worker.engine.report.fault_pictures import FAULT, broken_limits_png, worst_shift_png
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import read_settings

Picture = npt.NDArray[np.uint8]


def opened(png: bytes) -> Picture:
    with Image.open(io.BytesIO(png)) as picture:
        return np.asarray(picture.convert("RGB"))


def side(pitch_um: float, height: int = 300, width: int = 400) -> LayerPlanes:
    """Copper, an opening that ends on it, and a bar of legend."""
    stack = np.full((height, width), BOARD, np.uint8)
    stack[20 : height // 2, 20 : width // 2] |= COPPER
    stack[height // 4 : height // 2, width // 4 : width // 2] |= OPENING
    stack[3 * height // 4 : 3 * height // 4 + 40, 50:-50] |= LEGEND
    return LayerPlanes(stack=stack, pitch_um=pitch_um)


def test_the_worst_shift_shows_layers_where_they_have_landed() -> None:
    fab, planes = board("nocturne-gold"), side(20.0)
    shift = Shift(solder_mask_px=(3, -4), legend_px=(-5, 2))
    ids = [finish.id for finish in fab.finishes]
    copper = planes.stack & COPPER != 0
    opening = np.roll(planes.stack & OPENING != 0, (-4, 3), axis=(0, 1))
    legend = np.roll(planes.stack & LEGEND != 0, (2, -5), axis=(0, 1))
    wanted = np.full(planes.stack.shape, ids.index("mask"))
    wanted[copper] = ids.index("copper")
    wanted[opening] = ids.index("substrate")
    wanted[opening & copper] = ids.index("gold")
    wanted[legend] = ids.index("legend")
    shown = opened(worst_shift_png(planes, fab, lab_of(fab), shift))
    colours = {tuple(colour): index for index, colour in enumerate(shown[wanted == index][0] for index in range(5))}
    assert len(colours) == 5
    assert (np.array([[colours[tuple(pixel)] for pixel in row] for row in shown]) == wanted).all()


def test_of_a_large_board_both_pictures_are_small() -> None:
    fab, planes = board("nocturne-gold"), side(20.0, 4200, 1000)
    shown = opened(worst_shift_png(planes, fab, lab_of(fab), Shift(solder_mask_px=(4, 0), legend_px=(0, 0))))
    assert shown.shape[0] == 1400
    stack = planes.stack.copy()
    stack[2000, 300] |= LEGEND  # one pixel of 0.02 mm
    planes = LayerPlanes(stack=stack, pitch_um=20.0)
    found = measure_limits(planes, fab)
    red = (opened(broken_limits_png(planes, fab, lab_of(fab), found)) == FAULT).all(axis=-1)
    assert red.shape[0] == 1400 and red[2000 // 3, 300 // 3]


def test_what_breaks_a_limit_is_red_and_framed() -> None:
    fab, stack = board("nocturne-gold"), side(20.0).stack.copy()
    stack[100:140, 300:304] |= LEGEND  # 0.08 mm wide, of 0.15
    planes = LayerPlanes(stack=stack, pitch_um=20.0)
    found = measure_limits(planes, fab)
    assert found.counts["legend", "line"] == found.total == 1
    shown = opened(broken_limits_png(planes, fab, lab_of(fab), found))
    red, black = ((shown == colour).all(axis=-1) for colour in (FAULT, (0, 0, 0)))
    assert red[100:140, 300:304].mean() > 0.8  # but for what the frame covers
    assert red.sum() == red[100:140, 300:304].sum()
    rows, columns = np.nonzero(black)
    assert (rows.min() + rows.max()) / 2 == pytest.approx(120, abs=25)
    assert (columns.min() + columns.max()) / 2 == pytest.approx(302, abs=15)


def with_solid(most_mm2: float) -> FabProfile:
    """A fab that prints no larger piece of legend."""
    text = (FABS / "nocturne-gold.toml").read_text()
    assert "# solid_area_mm2" in text
    return read_fab_profile(text.replace("# solid_area_mm2", f"solid_area_mm2 = {most_mm2}\n#").encode())


@pytest.fixture(scope="module")
def made(tables: MemoryTables) -> Conversion:
    """A board whose white rectangle is more legend than the fab prints, and its disc is not."""
    picture = Image.new("RGB", (400, 300), (25, 25, 25))
    draw = ImageDraw.Draw(picture)
    draw.ellipse((40, 60, 120, 140), fill=(240, 240, 240))
    draw.rectangle((160, 60, 360, 240), fill=(240, 240, 240))
    out = io.BytesIO()
    picture.save(out, "PNG")
    settings = read_settings({"width": "20mm", "pitch": "50um", "fabrication": "on"})
    return convert(out.getvalue(), with_solid(50.0), settings, name="white.png", tables=tables)


def test_a_package_says_what_is_left_and_shows_it(made: Conversion) -> None:
    assert made.made is not None
    files, blocks = made_files(made.made, threads=1)
    block = blocks["top"]
    assert block["violations"]["left"] == {"legend solid": 1}
    assert block["violations"]["picture"] == "fabrication/limits-broken-top.png"
    assert block["expected"]["worst_picture"] == "fabrication/worst-shift-top.png"
    assert any("legend solid 1" in warning for warning in block["warnings"])
    assert {"fabrication/limits-broken-top.png", "fabrication/worst-shift-top.png"} <= {
        file["path"] for file in block["files"]
    }
    with zipfile.ZipFile(io.BytesIO(files["white-fabrication.zip"])) as archive:
        assert archive.read("limits-broken-top.png") == files["limits-broken-top.png"]
        assert "worst-shift-top.png" not in archive.namelist()
    sheet = " ".join(files["READ ME FIRST.txt"].decode().split())
    assert "1 place breaks a limit that we have from you, on the top: see limits-broken-top.png" in sheet
    # By gerbonara and scipy: the larger piece of legend is red, the smaller one is not.
    red = (opened(files["limits-broken-top.png"]) == FAULT).all(axis=-1)
    legend = drawn_by_gerbonara(files["legend-top.gbr"], *red.shape, 50.0)
    pieces, count = ndimage.label(legend)
    large = pieces == np.argmax(np.bincount(pieces.ravel())[1:]) + 1
    assert count == 2 and 50.0 < large.sum() * 0.05**2 < 100.0
    assert red[large].mean() > 0.95 and not red[~ndimage.binary_dilation(large, iterations=2)].any()


def test_where_nothing_is_left_there_is_no_picture(made: Conversion) -> None:
    assert made.made is not None
    board_made = made.made.fabrication
    one = board_made.sides["top"]
    nothing = replace(one.made.left, violations=(), counts={}, corner_touches={})
    clean = replace(board_made, sides={"top": replace(one, made=replace(one.made, left=nothing))})
    block = fabrication_block(clean, made.made.score, {}, side="top")
    assert block["violations"]["picture"] is None and block["violations"]["left"] == {}
