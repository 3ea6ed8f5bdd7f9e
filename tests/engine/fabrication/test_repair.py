"""Repaired layers: nothing is left by a second check (`layer_check.py`), strokes hold, and the look pays little."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import label

from tests.boards import FABS, board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.fabs import lab
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.fabrication.stress_art import stress_art
from tests.engine.fabrication.stroke_check import as_separated, is_one_part, kept_strokes, seen_error
from tests.engine.sweeps import sweep_size
from worker.engine.arrays import OUTSIDE
from worker.engine.colorimetry import SRGB_TO_LINEAR, lab_to_xyz, xyz_to_linear_rgb
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.planes import (
    BOARD,
    COPPER,
    FREE_COPPER,
    LEGEND,
    NO_FINISH,
    OPENING,
    LayerPlanes,
    planes_of,
    seen_labels,
)
from worker.engine.fabrication.repair import Repaired, repair
from worker.engine.pipeline import Conversion, convert
from worker.fab_profile import FabProfile
from worker.job_settings import read_settings

Labels = npt.NDArray[np.uint8]
NAMES = ("nocturne-gold", "meadow-tin", "alba-black")
PITCH_UM = 10.0


def _planes(labels: Labels, fab: FabProfile, pitch_um: float = PITCH_UM) -> LayerPlanes:
    stack = planes_of(np.where(labels == OUTSIDE, 0, labels).astype(np.uint8), fab, pitch_um=pitch_um).stack.copy()
    stack[labels == OUTSIDE] = 0
    return LayerPlanes(stack=stack, pitch_um=pitch_um)


def _repair(labels: Labels, fab: FabProfile, pitch_um: float = PITCH_UM, threads: int = 2) -> Repaired:
    return repair(_planes(labels, fab, pitch_um), fab, lab(fab), threads=threads)


def _broken(planes: LayerPlanes, fab: FabProfile) -> dict[str, int]:
    copper, opening, legend, inside = ((planes.stack & bit) != 0 for bit in (COPPER, OPENING, LEGEND, BOARD))
    return broken_limits(copper, opening, legend, inside, fab, planes.pitch_um)


def _ids(fab: FabProfile) -> dict[str, int]:
    return {finish.id: i for i, finish in enumerate(fab.finishes)}


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_any_labels_end_as_layers_that_break_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    fab = board(NAMES[seed % 3])
    height, width, grain = (int(rng.integers(low, high)) for low, high in ((1, 90), (1, 90), (1, 9)))
    coarse = rng.integers(0, len(fab.finishes), (height // grain + 1, width // grain + 1))
    labels = np.kron(coarse, np.ones((grain, grain)))[:height, :width].astype(np.uint8)
    if seed % 4 == 0:
        y, x = np.mgrid[:height, :width]
        labels[np.hypot(y - height / 2, x - width / 2) > min(height, width) / 2] = OUTSIDE
    repaired = _repair(labels, fab, float(rng.choice([10, 20, 40, 50])))
    assert measure_limits(repaired.planes, fab).total == 0
    assert _broken(repaired.planes, fab) == {}
    seen = seen_labels(repaired.planes, fab)
    assert (seen != NO_FINISH).all()
    assert ((seen == OUTSIDE) == (labels == OUTSIDE)).all()


def test_threads_change_nothing() -> None:
    fab = board("nocturne-gold")
    labels = np.kron(np.random.default_rng(5).integers(0, 5, (40, 60)), np.ones((9, 9))).astype(np.uint8)
    one, two = (_repair(labels, fab, threads=threads).planes.stack for threads in (1, 2))
    assert (one == two).all()


def test_layers_that_break_nothing_stay_as_they_are() -> None:
    fab = board("nocturne-gold")
    ids = _ids(fab)
    labels = np.full((300, 300), ids["mask"], np.uint8)
    labels[60:110, 60:240] = ids["gold"]
    labels[140:170, 60:240] = ids["legend"]
    labels[200:215, 60:240] = ids["copper"]
    planes = _planes(labels, fab)
    repaired = repair(planes, fab, lab(fab))
    assert not repaired.changed.any()
    fixed = (planes.stack & FREE_COPPER) == 0
    assert (repaired.planes.stack[fixed] == planes.stack[fixed]).all()


@pytest.mark.parametrize("finish", ["gold", "copper", "legend", "substrate"])
def test_a_stroke_of_two_thirds_of_the_limit_grows_to_it(finish: str) -> None:
    fab = board("nocturne-gold")
    ids = _ids(fab)
    labels = np.full((200, 300), ids["mask"], np.uint8)
    labels[100:110, 60:240] = ids[finish]
    seen = seen_labels(_repair(labels, fab).planes, fab)
    heights = (seen[:, 80:220] == ids[finish]).sum(axis=0)
    assert (heights >= 15).all()
    assert (heights <= 17).all()


def test_a_hairline_goes() -> None:
    fab = board("nocturne-gold")
    ids = _ids(fab)
    labels = np.full((200, 300), ids["mask"], np.uint8)
    labels[100:104, 60:240] = ids["gold"]
    assert (seen_labels(_repair(labels, fab).planes, fab) == ids["mask"]).all()


def test_a_thin_stroke_beside_a_wide_one_grows_to_the_free_side() -> None:
    fab = board("nocturne-gold")
    ids = _ids(fab)
    labels = np.full((220, 300), ids["mask"], np.uint8)
    labels[60:84, 60:240] = ids["gold"]
    labels[100:110, 60:240] = ids["gold"]  # 16 px from the wide one: no more than 1 px of room on that side
    seen = seen_labels(_repair(labels, fab).planes, fab)
    column = seen[:, 150] == ids["gold"]
    starts = np.flatnonzero(np.diff(column.astype(int)) == 1) + 1
    ends = np.flatnonzero(np.diff(column.astype(int)) == -1) + 1
    assert len(starts) == 2
    assert starts[1] - ends[0] >= 15
    assert ends[1] - starts[1] >= 15


def test_legend_on_metal_gets_a_ring_or_another_finish() -> None:
    fab = board("nocturne-gold")
    ids = _ids(fab)
    labels = np.full((300, 300), ids["gold"], np.uint8)
    labels[:40], labels[-40:], labels[:, :40], labels[:, -40:] = (ids["mask"],) * 4
    labels[100:200, 100:200] = ids["legend"]
    repaired = _repair(labels, fab)
    seen = seen_labels(repaired.planes, fab)
    assert _broken(repaired.planes, fab) == {}
    assert (seen[118:182, 118:182] == ids["legend"]).all()
    assert seen[92, 150] != ids["legend"]


def test_copper_keeps_off_the_edge() -> None:
    fab = board("nocturne-gold")
    labels = np.full((200, 200), _ids(fab)["gold"], np.uint8)
    repaired = _repair(labels, fab)
    assert _broken(repaired.planes, fab) == {}
    seen = seen_labels(repaired.planes, fab)
    assert (seen[40:160, 40:160] == _ids(fab)["gold"]).all()
    assert (seen[:30] != _ids(fab)["gold"]).all()


@pytest.mark.parametrize(("pitch_um", "shift_mm"), [(10.0, 0.1), (10.0, 0.2), (15.0, 0.14), (20.0, 0.14), (20.0, 0.2)])
def test_a_crescent_beside_bare_metal_stays_in_one_piece(pitch_um: float, shift_mm: float) -> None:
    """The rim of a disc that another one covers but for a crescent, thinner than the limit towards its ends."""
    fab = board("alba-black")
    size = round(10_000 / pitch_um)
    y, x = (np.mgrid[:size, :size] - size / 2) * pitch_um / 1000.0
    labels = np.full((size, size), _ids(fab)["mask"], np.uint8)
    labels[np.hypot(x, y) <= 4.0] = _ids(fab)["legend"]
    labels[np.hypot(x - shift_mm, y) <= 4.0] = _ids(fab)["gold"]
    repaired = _repair(labels, fab, pitch_um)
    assert _broken(repaired.planes, fab) == {}
    legend = seen_labels(repaired.planes, fab) == _ids(fab)["legend"]
    assert label(legend, structure=np.ones((3, 3)))[1] == 1
    assert np.ptp(y[legend]) > 3.0


def _photo_like(size: int) -> bytes:
    import io

    from PIL import Image

    y, x = np.mgrid[:size, :size] / size
    noise = np.random.default_rng(3).normal(0.0, 6.0, (size, size, 3))
    ramp = np.stack([70 + 150 * x, 60 + 110 * x * y + 30 * y, 40 + 60 * y], axis=-1)
    out = io.BytesIO()
    Image.fromarray(np.clip(ramp + noise, 0, 255).astype(np.uint8)).save(out, "PNG")
    return out.getvalue()


def _converted(png: bytes, fab: FabProfile, width: str, edges: str, tables: MemoryTables) -> Conversion:
    settings = read_settings({"width": width, "pitch": "10um", "edges": edges})
    return convert(png, fab, settings, tables=tables, threads=2)


def test_a_dither_loses_no_more_than_what_its_cells_break(tables: MemoryTables) -> None:
    """Cells hold all limits but the wider gap between bare metal parts and the distance from the edge."""
    fab = board("meadow-tin")
    labels = _converted(_photo_like(300), fab, "6mm", "dither", tables).separation.labels.copy()
    before = _broken(_planes(labels, fab), fab)
    near_edge = {"copper near edge", "opening near edge", "legend near edge"}
    assert set(before) <= near_edge | {"metal gap", "copper line", "copper gap"}
    repaired = _repair(labels, fab)
    assert _broken(repaired.planes, fab) == {}
    inner = np.s_[60:-60, 60:-60]
    assert repaired.changed[inner].mean() < 0.08


def _bars(
    name: str, seed: int, fields: int, tables: MemoryTables
) -> tuple[dict[str, int], float, tuple[int, int, int], dict[str, int]]:
    fab = board(name)
    art = stress_art(seed, fab, fields=fields)
    conversion = _converted(art.png, fab, f"{art.width_mm}mm", "threshold", tables)
    labels = conversion.separation.labels
    repaired = repair(_planes(labels, fab), fab, lab(fab), srgb=conversion.picture.srgb, threads=2)
    after = seen_labels(repaired.planes, fab)
    assert (after != NO_FINISH).all()
    assert measure_limits(repaired.planes, fab).total == 0
    shown = xyz_to_linear_rgb(lab_to_xyz(lab(fab))).astype(np.float32)
    wanted = SRGB_TO_LINEAR[conversion.picture.srgb]
    sigma_px = 140.0 / PITCH_UM
    ratio = seen_error(wanted, shown[after], sigma_px) / seen_error(wanted, shown[labels], sigma_px)
    kept = kept_strokes(labels, after, as_separated(art.strokes, art.truth, labels), fab)
    return _broken(repaired.planes, fab), ratio, kept, _broken(_planes(labels, fab), fab)


STRESS = [("nocturne-gold", 1), ("nocturne-gold", 2), ("nocturne-gold", 3), ("alba-black", 1), ("alba-black", 2)]
ERROR_MISSED = {"alba-black": "1.518 and 1.513 times; the rings between legend and openings alone cost 1.45"}
"""Where the bar of the error is not reached, and by what: no other bar is lower there."""


@pytest.mark.slow
@pytest.mark.parametrize(("name", "seed"), STRESS[: sweep_size(1, len(STRESS))])
def test_stress_art_breaks_nothing_costs_little_and_keeps_its_strokes(
    name: str, seed: int, tables: MemoryTables
) -> None:
    fields = sweep_size(4, 8)
    broken, ratio, (counted, own, other), before = _bars(name, seed, fields, tables)
    assert before
    assert broken == {}
    assert counted > 7 * fields**2
    assert own + other >= 0.95 * counted
    if name in ERROR_MISSED:
        assert ratio > 1.3, "the bar is reached: no longer missed"
        assert ratio < 1.55
        pytest.xfail(f"a bar that the repair does not reach: {ERROR_MISSED[name]}")
    assert ratio <= 1.3


def test_a_little_stress_art_breaks_nothing(tables: MemoryTables) -> None:
    broken, ratio, (counted, own, other), before = _bars("nocturne-gold", 4, 2, tables)
    assert before
    assert broken == {}
    assert ratio <= 1.4  # of 10 x 10 mm alone, which holds few strokes
    assert own + other >= 0.85 * counted > 0


def test_the_stroke_check_sees_a_dash() -> None:
    fab = board("nocturne-gold")
    stroke = stress_art(1, fab, fields=1).strokes[0]
    labels = np.full((500, 500), stroke.finish, np.uint8)
    assert is_one_part(labels, stroke, stroke.finish, 0.15)
    middle = np.rint(stroke.path[len(stroke.path) // 2] * 100 - 0.5).astype(int)
    if len(stroke.path) == 2:
        middle = np.rint(stroke.path.mean(axis=0) * 100 - 0.5).astype(int)
    labels[middle[1] - 25 : middle[1] + 25, middle[0] - 25 : middle[0] + 25] = stroke.ground
    assert not is_one_part(labels, stroke, stroke.finish, 0.15)


def test_fine_lines_on_a_coarse_grid_leave_the_board_as_it_is(tables: MemoryTables) -> None:
    """Lines of half the limit on 50 micrometres: what mends them must not grow over the board; blots once did (83 %).

    The sample's lines cover 9 % of the board (pixels darker than half, counted on the artwork).
    """
    settings = read_settings({"width": "30mm", "pitch": "50um", "edges": "threshold", "fabrication": "on"})
    artwork = (FABS.parent / "artworks" / "star-chart.png").read_bytes()
    side = convert(artwork, board("meadow-tin"), settings, tables=tables, threads=2).made.fabrication.art
    assert side.left.total == 0
    assert side.repaired_px < 0.08 * 600 * 600


def test_rims_on_a_coarse_grid_leave_the_board_as_it_is(tables: MemoryTables) -> None:
    """Every rim of a rosette kept, thousands of parts below the limit: what mends them must not grow over the board;
    blots once did (74 %). A fifth of it is what rims and specks take at 50 micrometres (measured here, no source)."""
    written = {"width": "30mm", "pitch": "50um", "clean_up": "off", "clusters": "none", "edges": "threshold"}
    artwork = (FABS.parent / "artworks" / "rosette.tif").read_bytes()
    found = convert(artwork, board("nocturne-gold"), read_settings({**written, "fabrication": "on"}), tables=tables)
    side = found.made.fabrication.art
    assert side.left.total == 0
    assert side.repaired_px < 0.2 * found.separation.labels.size
