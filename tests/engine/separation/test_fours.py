"""Dithers of bare metal and bare laminate hold the gap between metal parts: judged by OpenCV and on the made board."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import gaussian_filter

from tests.boards import artwork_of, board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.fabs import changed
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.fabrication.readers import drawn_by_gerbonara
from tests.engine.layer_rules import violations
from worker.engine.colorimetry import srgb_encoded
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.pipeline import convert
from worker.engine.separation.cells import cell_size_px
from worker.engine.separation.diffusion import diffuse, diffuse_once
from worker.engine.separation.diffusion_tables import DiffusionTables, diffusion_tables
from worker.engine.separation.families import Families, find_families
from worker.engine.separation.fours import among_metal, metal_gap
from worker.fab_profile import FabProfile
from worker.job_settings import read_settings

Labels = npt.NDArray[np.uint8]
METALS = {"nocturne-gold": "gold", "meadow-tin": "tin", "alba-black": "gold"}
CELL_UM = 150.0


def _blend(fab: FabProfile, ids: tuple[str, ...], side: int, seed: int = 5) -> npt.NDArray[np.uint8]:
    """Smooth art whose colours lie between these finishes', in linear light, with some noise."""
    rng = np.random.default_rng(seed)
    places = [[finish.id for finish in fab.finishes].index(name) for name in ids]
    fields = np.stack([gaussian_filter(rng.normal(size=(side, side)), side / 12, mode="wrap") for _ in ids])
    weights = np.exp(fields / fields.std() * 1.2)
    weights /= weights.sum(axis=0)
    linear = np.einsum("fyx,fc->yxc", weights, np.clip(finish_colours(fab).linear_rgb[places], 0.0, 1.0))
    return np.clip(srgb_encoded(linear) * 255.0 + rng.normal(0, 3, linear.shape), 0, 255).astype(np.uint8)


def _mixing(fab: FabProfile) -> tuple[Families, DiffusionTables]:
    colours, recipes = finish_colours(fab), tuple(finish.recipe for finish in fab.finishes)
    gap = metal_gap(fab, range(len(recipes)), CELL_UM)
    assert gap is not None
    return find_families(colours, recipes), diffusion_tables(colours, recipes, gap=gap)


def _narrow(labels: Labels, fab: FabProfile) -> npt.NDArray[np.bool_]:
    """Cells of bare laminate that OpenCV's opening by two by two cells free of metal does not reach."""
    ids = [finish.id for finish in fab.finishes]
    free = np.pad((labels != ids.index(METALS[fab.id])).astype(np.uint8), 2, constant_values=1)
    kernel = np.ones((2, 2), np.uint8)
    middle = cv2.erode(free, kernel, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT, borderValue=1)
    opened = cv2.dilate(middle, kernel, anchor=(1, 1), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return (labels == ids.index("substrate")) & (opened[2:-2, 2:-2] == 0)


@pytest.mark.parametrize("name", METALS)
def test_among_metal_is_what_an_opening_does_not_reach(name: str) -> None:
    fab = board(name)
    gap = metal_gap(fab, range(len(fab.finishes)), CELL_UM)
    assert gap is not None
    labels = np.random.default_rng(2).integers(0, len(fab.finishes), (40, 57)).astype(np.uint8)
    found = among_metal(labels, gap)
    assert found.any()
    assert (found == _narrow(labels, fab)).all()


@pytest.mark.parametrize("name", METALS)
def test_few_cells_are_too_narrow_a_gap_and_the_layer_rules_hold(name: str) -> None:
    fab = board(name)
    families, tables = _mixing(fab)
    cells = _blend(fab, (METALS[name], "substrate", "mask"), 220)
    once = diffuse_once(cells, families, tables)
    labels = diffuse(cells, families, tables)
    assert _narrow(once, fab).mean() > 0.01
    assert _narrow(labels, fab).sum() < 0.1 * _narrow(once, fab).sum()
    assert violations({finish.id: labels == i for i, finish in enumerate(fab.finishes)}, fab) == {}
    for threads in (2, 3):
        assert (diffuse(cells, families, tables, threads=threads) == labels).all()


@pytest.mark.parametrize("name", METALS)
def test_everywhere_in_fours_no_cell_is(name: str) -> None:
    fab = board(name)
    families, tables = _mixing(fab)
    cells = _blend(fab, (METALS[name], "substrate", "mask"), 150)
    blocks = np.ones((38, 38), np.bool_)
    assert not _narrow(diffuse_once(cells, families, tables, fours=blocks), fab).any()


def test_what_has_no_metal_stays_cell_by_cell() -> None:
    fab = board("nocturne-gold")
    families, tables = _mixing(fab)
    cells = _blend(fab, ("substrate", "mask"), 120)
    assert (diffuse(cells, families, tables) == diffuse_once(cells, families, tables)).all()


def test_two_cells_are_as_wide_as_the_gap() -> None:
    fab = board("nocturne-gold")
    wide = changed("nocturne-gold", (r"metal_gap_mm = \{ value = 0.25", "metal_gap_mm = { value = 0.50"))
    everyone = range(len(fab.finishes))
    assert cell_size_px(fab, everyone, 10.0) == 15
    assert cell_size_px(wide, everyone, 10.0) == 25
    assert metal_gap(fab, everyone, 250.0) is None


@pytest.mark.slow
@pytest.mark.parametrize("name", METALS)
def test_the_repair_of_such_a_board_leaves_its_mixture(name: str, tables: MemoryTables) -> None:
    """On nocturne-gold it once changed 88 % of it, and S-CIELAB rose from 4.7 to 32. On the files as they are written:
    gerbonara and resvg draw them, OpenCV measures them."""
    fab, pitch_um, side_px = board(name), 20.0, 1000
    srgb = _blend(fab, (METALS[name], "substrate", "mask"), 500)
    margin = np.ones(srgb.shape[:2], np.bool_)
    margin[15:-15, 15:-15] = False  # 0.6 mm: clear of the board's edge, which has limits of its own
    srgb[margin] = finish_colours(fab).srgb[[finish.id for finish in fab.finishes].index("mask")]
    art = artwork_of(srgb)
    written = {"width": "20mm", "pitch": "20um", "edges": "dither", "fabrication": "on"}
    found = convert(art, fab, read_settings(written), tables=tables, threads=2)
    assert found.made is not None
    files = dict(found.files())
    copper, opening, legend = (
        drawn_by_gerbonara(files[f"fabrication/{layer}-top.gbr"], side_px, side_px, pitch_um)
        for layer in ("copper", "solder-mask", "legend")
    )
    assert broken_limits(copper, opening, legend, np.ones(copper.shape, np.bool_), fab, pitch_um) == {}
    seen, asked = found.made.fabrication.seen, found.separation.labels
    assert (seen != asked).mean() < 0.08
    assert found.made.score.s_cielab.mean < found.score.s_cielab.mean + 1.5
