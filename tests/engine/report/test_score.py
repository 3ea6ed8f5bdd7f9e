"""The score, recomputed from the mask files alone: by colour-science, a second S-CIELAB and a second projection."""

from __future__ import annotations

import dataclasses
import functools
import tomllib
from typing import Any

import colour
import numpy as np
import numpy.typing as npt
import pytest

from tests.boards import FABS, board, lab_of
from tests.engine import s_cielab as second
from tests.engine.conftest import MemoryTables
from tests.engine.hull_projection import linear_rgb_of, opponent_of, projected
from tests.engine.open_pictures import PHOTOGRAPHS, cut, photograph, png_of
from tests.engine.written_masks import Mask, written_masks
from worker.engine.colorimetry import linear_rgb_to_xyz, srgb_decoded
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.pipeline import Conversion, convert
from worker.engine.report.peak import cell_side
from worker.engine.report.score import Statistics
from worker.engine.vision import pixels_per_degree
from worker.job_settings import read_settings

ARTWORKS = FABS.parent / "artworks"
ORDERS = tomllib.loads((ARTWORKS / "settings.toml").read_text())
Floats = npt.NDArray[np.float64]
STATISTICS = ("mean", "median", "p95", "max")


def converted(
    data: bytes, fab: str, tables: MemoryTables, *, more: dict[str, Any] | None = None, **written: str
) -> Conversion:
    return convert(data, board(fab), read_settings(written), tables=tables, threads=2, **(more or {}))


@functools.cache
def derived_space() -> colour.RGB_Colourspace:
    space = colour.RGB_COLOURSPACES["sRGB"].copy()
    space.use_derived_transformation_matrices(True)
    return space


def art_lab(srgb: npt.NDArray[np.uint8]) -> Floats:
    xyz = colour.RGB_to_XYZ(srgb / 255.0, derived_space(), illuminant=second.D65, apply_cctf_decoding=True)
    return np.asarray(colour.XYZ_to_Lab(xyz, second.D65))


def plain_differences(found: Conversion, masks: dict[str, Mask]) -> tuple[Floats, dict[str, Floats]]:
    """CIEDE2000 of every pixel on the board by colour-science, and of each finish's pixels."""
    lab = dict(zip([finish.id for finish in found.fab.finishes], lab_of(found.fab), strict=True))
    by_finish = {
        finish: np.asarray(colour.delta_E(art_lab(found.picture.srgb[mask]), lab[finish], method="CIE 2000"))
        for finish, mask in masks.items()
        if mask.any()
    }
    return np.concatenate(list(by_finish.values())), by_finish


def check(found: Statistics, values: Floats, *, limit: float, highest: float) -> None:
    wanted = second.statistics_of(values)
    for name in STATISTICS:
        assert getattr(found, name) == pytest.approx(wanted[name], abs=highest if name == "max" else limit), name


def check_plain(found: Conversion) -> None:
    """Within 0.02, the maximum within 0.1; the whole board and every finish."""
    whole, by_finish = plain_differences(found, written_masks(found))
    check(found.score.ciede2000, whole, limit=0.02, highest=0.1)
    assert set(found.score.by_finish) == set(by_finish)
    for finish, values in by_finish.items():
        check(found.score.by_finish[finish][0], values, limit=0.02, highest=0.1)


@pytest.mark.parametrize("edges", ["threshold", "dither"])
@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("fab", ["nocturne-gold", "meadow-tin"])
def test_ciede2000_of_photographs(name: str, fab: str, edges: str, tables: MemoryTables) -> None:
    check_plain(converted(png_of(photograph(name)), fab, tables, width="18mm", pitch="50um", edges=edges))


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(name for name in ORDERS if name not in ("owl.png", "orrery.svg")))
def test_ciede2000_of_samples(name: str, tables: MemoryTables) -> None:
    """Every opaque sample as the demo orders it, at 100 um."""
    written = {key: value for key, value in ORDERS[name].items() if key in ("width", "height", "edges")}
    check_plain(converted((ARTWORKS / name).read_bytes(), ORDERS[name]["fab"], tables, **written, pitch="100um"))


def test_ciede2000_by_cluster(tables: MemoryTables) -> None:
    found = converted(png_of(photograph("coffee")), "nocturne-gold", tables, width="24mm", pitch="50um", clusters="7")
    whole = np.array(found.score.pixels)
    assert whole.sum() == found.separation.labels.size
    masks = written_masks(found)
    assert [int(mask.sum()) for mask in masks.values()] == whole.sum(axis=0).tolist()
    shares = whole.sum(axis=1)[: len(found.clusters)] / whole.sum()
    np.testing.assert_allclose(shares, [cluster.share for cluster in found.clusters], atol=1e-12)
    mean = sum(found.score.by_cluster[c.id].mean * c.share for c in found.clusters)
    assert mean == pytest.approx(found.score.ciede2000.mean, abs=1e-4)
    assert max(found.score.by_cluster[c.id].max for c in found.clusters) == pytest.approx(found.score.ciede2000.max)


def board_xyz(found: Conversion, masks: dict[str, Mask]) -> Floats:
    """XYZ of the board as the masks draw it."""
    xyz = np.zeros((*found.picture.srgb.shape[:2], 3))
    for finish, lab in zip(masks, lab_of(found.fab), strict=True):
        xyz[masks[finish]] = colour.Lab_to_XYZ(lab, second.D65)
    return xyz


@pytest.mark.parametrize("edges", ["threshold", "dither"])
@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize(("pitch", "width"), [("100um", "18mm"), ("20um", "9mm")])
def test_s_cielab(name: str, edges: str, pitch: str, width: str, tables: MemoryTables) -> None:
    """Within 0.1 of the second implementation at 100 and 20 um, the highest pixel included."""
    highest = 0.1
    found = converted(png_of(cut(name, 224, 300)), "nocturne-gold", tables, width=width, pitch=pitch, edges=edges)
    ppd = pixels_per_degree(300.0, found.picture.pitch_um)
    assert found.score.pixels_per_degree == pytest.approx(ppd)
    masks = written_masks(found)
    differences = second.s_cielab(second.xyz_of_srgb(found.picture.srgb), board_xyz(found, masks), ppd)
    check(found.score.s_cielab, differences, limit=0.1, highest=highest)
    for finish, mask in masks.items():
        if mask.mean() > 0.02:
            own = differences[mask]
            assert found.score.by_finish[finish][1].mean == pytest.approx(own.mean(), abs=0.3)
            assert found.score.by_finish[finish][1].median == pytest.approx(np.median(own), abs=0.5)
    # The error map is the same picture, a block at a time.
    step = found.score.error_map_step_px
    rows, columns = (side // step for side in differences.shape)
    blocks = differences[: rows * step, : columns * step].reshape(rows, step, columns, step).mean(axis=(1, 3))
    assert np.abs(found.score.error_map[:rows, :columns] - blocks).mean() < 0.3


def test_from_far_away(tables: MemoryTables) -> None:
    """The same of a small board, whose blocks are 12 pixels wide from there and are looked into by cells of 2."""
    written = {"width": "9mm", "edges": "dither", "viewing_distance": "3400mm"}
    found = converted(png_of(cut(PHOTOGRAPHS[0], 224, 300)), "nocturne-gold", tables, **written)
    assert (found.score.error_map_step_px, cell_side(12)) == (12, 2)
    ppd = pixels_per_degree(3400.0, found.picture.pitch_um)
    differences = second.s_cielab(second.xyz_of_srgb(found.picture.srgb), board_xyz(found, written_masks(found)), ppd)
    check(found.score.s_cielab, differences, limit=0.1, highest=0.1)


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("fab", ["nocturne-gold", "alba-black"])
def test_the_continuous_reference(name: str, fab: str, tables: MemoryTables) -> None:
    """Each pixel projected by scipy's non-negative least squares: mean, median and 95th percentile within 0.1."""
    data = png_of(cut(name, 60, 80, top=60, left=150))
    found = converted(data, fab, tables, width="8mm", pitch="100um", edges="dither")
    srgb = found.picture.srgb
    colours, inverse = np.unique(srgb.reshape(-1, 3), axis=0, return_inverse=True)
    finishes = found.colours.linear_rgb
    targets = linear_rgb_of(projected(opponent_of(srgb_decoded(colours / 255.0)), opponent_of(finishes)))
    mixed = linear_rgb_to_xyz(targets[inverse.ravel()]).reshape(*srgb.shape)
    differences = second.s_cielab(second.xyz_of_srgb(srgb), mixed, pixels_per_degree(300.0, 100.0))
    check(found.score.continuous_reference, differences, limit=0.1, highest=0.5)


def test_a_perfect_board_scores_nothing(tables: MemoryTables) -> None:
    """Art in the finishes' own colours, as far as 8 bits can hold them."""
    colours = finish_colours(board("nocturne-gold"))
    art = np.repeat(np.repeat(colours.srgb[np.arange(20) % 5][:, None], 40, axis=1), 8, axis=0)
    score = converted(png_of(art), "nocturne-gold", tables, width="4mm", pitch="100um").score
    assert score.ciede2000.max < 1.0
    assert score.s_cielab.max < 1.0
    # The hull's corners are cut where its table has nodes only every 4 codes.
    assert score.continuous_reference.mean < 0.5
    assert score.continuous_reference.max < 2.0


def test_what_is_outside_the_board_does_not_count(tables: MemoryTables) -> None:
    """The left half alone scores as the left half does; the right half is no board."""
    data = png_of(photograph("astronaut"))
    half = np.zeros((240, 240), dtype=bool)
    half[:, :120] = True
    written = {"width": "24mm", "pitch": "100um", "edges": "threshold", "clusters": "none", "clean_up": "off"}
    found = converted(data, "nocturne-gold", tables, more={"board": half}, **written)
    whole = converted(data, "nocturne-gold", tables, **written)
    masks = written_masks(found)
    assert not np.any(list(masks.values()), axis=0)[:, 120:].any()
    plain, _ = plain_differences(found, masks)
    assert plain.size == 240 * 120
    check(found.score.ciede2000, plain, limit=0.02, highest=0.1)
    # Far from the middle the eye sees much the same with and without the other half; its widest kernel spans all.
    far = found.score.error_map[:, :60] - whole.score.error_map[:, :60]
    assert np.abs(far).mean() < 1.0


def test_contrast_is_scored_against_both(tables: MemoryTables) -> None:
    data = png_of(cut("chelsea", 300, 400))
    written = {"width": "16mm", "pitch": "100um", "edges": "threshold"}
    found = converted(data, "nocturne-gold", tables, **written, assignment="contrast:1")
    masks = written_masks(found)
    ppd = pixels_per_degree(300.0, 100.0)
    original = second.s_cielab(second.xyz_of_srgb(found.picture.srgb), board_xyz(found, masks), ppd)
    check(found.score.s_cielab, original, limit=0.1, highest=0.1)
    assert found.score.s_cielab_stretched is not None
    # The board follows the stretched art, so it is nearer to that than to the original.
    assert found.score.s_cielab_stretched.mean < found.score.s_cielab.mean - 1.0
    assert converted(data, "nocturne-gold", tables, **written).score.s_cielab_stretched is None


@pytest.mark.parametrize("threads", [2, 4])
def test_threads_change_nothing(threads: int, tables: MemoryTables) -> None:
    data = png_of(photograph("rocket"))
    settings = read_settings({"width": "20mm", "pitch": "30um", "edges": "threshold"})
    one, many = (convert(data, board(), settings, tables=tables, threads=n).score for n in (1, threads))
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(many, field.name)
        assert (a.tobytes() == b.tobytes()) if isinstance(a, np.ndarray) else a == b, field.name
