"""Distances from edges, measured by SciPy's distance transform on the layers and the board's mask."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from tests.boards import FABS, board, picture_of
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.fabrication.readers import drawn_by_gerbonara
from worker.board_file import read_board_file
from worker.engine.arrays import OUTSIDE
from worker.engine.fabrication.board import BoardShape, Score, mirrored
from worker.engine.fabrication.board_shape import shape_board
from worker.engine.fabrication.edge_keep_out import drawn_within_edges, edge_keep_out, near_scores
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING, LayerPlanes, planes_of
from worker.engine.pipeline import convert
from worker.errors import BoardError
from worker.fab_profile import FabProfile, Limit
from worker.job_settings import read_settings

FAB = board()
IDS = [finish.id for finish in FAB.finishes]
PITCH = 0.025
PLATED, BARE = (6.0, 6.0), (14.0, 6.0)


@pytest.fixture(scope="module")
def shape() -> BoardShape:
    file = {
        "holes": [
            {"x": PLATED[0], "y": PLATED[1], "diameter": 1.0, "plated": True},
            {"x": BARE[0], "y": BARE[1], "diameter": 1.0, "plated": False},
        ],
        "cut_outs": [{"circle": [10, 14, 3]}],
    }
    picture = picture_of(np.zeros((800, 800, 3), dtype=np.uint8), pitch_um=PITCH * 1000)
    given = read_settings({"board": "rectangle:4mm"})
    return shape_board(picture, given, FAB, board_file=read_board_file(json.dumps(file).encode()))[1]


def made(shape: BoardShape, finish: str, fab: FabProfile = FAB, threads: int = 1) -> tuple[LayerPlanes, LayerPlanes]:
    """The planes of a board all in one finish, before and after."""
    labels = np.where(shape.board, IDS.index(finish), OUTSIDE).astype(np.uint8)
    before = planes_of(labels, fab, pitch_um=PITCH * 1000)
    return before, edge_keep_out(shape, before, fab, threads=threads)


def reach(shape: BoardShape, *, of_plated: bool) -> np.ndarray:
    """mm from each pixel's centre to the nearest place that is no board; the plated hole counts on request."""
    away = ~shape.board
    if not of_plated:
        y, x = np.indices(away.shape)
        inside = np.hypot((x + 0.5) * PITCH - PLATED[0], 20 - (y + 0.5) * PITCH - PLATED[1]) < 0.6
        away = away & ~inside
    return np.asarray(distance_transform_edt(np.pad(~away, 1))[1:-1, 1:-1] * PITCH)


def from_plated() -> np.ndarray:
    y, x = np.indices((800, 800))
    return np.hypot((x + 0.5) * PITCH - PLATED[0], 20 - (y + 0.5) * PITCH - PLATED[1])


def test_gold_ends_at_the_fab_s_distance_and_the_mask_closes_over_the_rest(shape: BoardShape) -> None:
    before, after = made(shape, "tin")
    distance, away = reach(shape, of_plated=False), from_plated() > 2.0
    for bit in (COPPER, OPENING):
        plane = after.plane(bit)
        assert distance[plane & away].min() >= 0.3
        # No more than that is taken: a pixel's corner, and the mask's own rounding to pixels.
        assert plane[before.plane(bit) & away & (distance > 0.3 + 2.5 * PITCH)].all()
    np.testing.assert_array_equal(after.plane(BOARD), before.plane(BOARD))
    assert not (after.plane(OPENING) & ~after.plane(COPPER) & away).any()


def test_laminate_keeps_the_mask_s_distance_and_may_run_over_the_edge_where_that_is_none(shape: BoardShape) -> None:
    away = from_plated() > 2.0
    _, kept = made(shape, "substrate")
    assert reach(shape, of_plated=False)[kept.plane(OPENING) & away].min() >= 0.3
    open_edges = replace(FAB, limits={**FAB.limits, ("edge", "mask_mm"): Limit(value=0.0, date="", source="")})
    before, free = made(shape, "substrate", open_edges)
    np.testing.assert_array_equal(free.plane(OPENING) & away, before.plane(OPENING) & away)


def test_copper_under_mask_goes_and_the_mask_stays(shape: BoardShape) -> None:
    _, after = made(shape, "mask-copper")
    near = (reach(shape, of_plated=False) < 0.3) & shape.board
    assert not after.plane(COPPER)[near].any() and not after.plane(OPENING)[near].any()


def test_legend_keeps_off_edges_and_all_holes(shape: BoardShape) -> None:
    _, after = made(shape, "legend")
    assert reach(shape, of_plated=True)[after.plane(LEGEND)].min() >= 0.25
    ring, shift, clip = 0.25, 0.08, 0.15
    assert from_plated()[after.plane(LEGEND)].min() >= 0.5 + ring + shift + clip
    assert from_plated()[after.plane(LEGEND)].min() <= 0.5 + ring + shift + clip + 4 * PITCH


@pytest.mark.parametrize("finish", IDS)
def test_a_plated_hole_has_a_ring_of_bare_copper_on_any_finish(shape: BoardShape, finish: str) -> None:
    _, after = made(shape, finish)
    distance = from_plated()
    ring = shape.board & (distance < 0.5 + 0.25)
    assert after.plane(COPPER)[ring].all() and after.plane(OPENING)[ring].all()
    assert not (after.plane(HATCHED) | after.plane(LEGEND))[ring].any()
    opening = shape.board & (distance < 0.5 + 0.25 + 0.08)
    assert after.plane(OPENING)[opening].all()


def test_a_whole_board_without_holes_is_kept_off_its_four_edges() -> None:
    picture = picture_of(np.zeros((400, 400, 3), dtype=np.uint8), pitch_um=PITCH * 1000)
    whole = shape_board(picture, read_settings({}), FAB)[1]
    _, after = made(whole, "tin")
    rows, columns = np.nonzero(after.plane(COPPER))
    first = int(rows.min())
    assert (columns.min(), 399 - rows.max(), 399 - columns.max()) == (first, first, first)
    assert 0.3 <= first * PITCH <= 0.3 + PITCH


def test_any_number_of_threads_gives_the_same(shape: BoardShape) -> None:
    np.testing.assert_array_equal(made(shape, "tin")[1].stack, made(shape, "tin", threads=3)[1].stack)


@pytest.mark.parametrize("finish", ["tin", "legend", "substrate"])
def test_every_layer_keeps_off_a_score(finish: str) -> None:
    """Along the left edge, and across the board; nothing more is taken than by the routed edges."""
    picture = picture_of(np.zeros((400, 600, 3), dtype=np.uint8), pitch_um=PITCH * 1000)
    plain = shape_board(picture, read_settings({}), FAB)[1]
    file = read_board_file(b"[[scores]]\nx = 0\n[[scores]]\ny = 4")
    scored = shape_board(picture, read_settings({}), FAB, board_file=file)[1]
    assert scored.scores == (Score(upright=True, at_mm=0.0), Score(upright=False, at_mm=4.0))
    assert scored.board.all() and np.array_equal(scored.outline[0], plain.outline[0])
    (_, without), (_, after) = made(plain, finish), made(scored, finish)
    lines = np.ones((400, 601), dtype=np.bool_)
    lines[:, 0] = False  # a column for the edge itself
    lines[240, :] = False  # 4 mm up of 10 mm is the upper side of row 240
    distance = np.asarray(distance_transform_edt(lines)[:, 1:]) * PITCH
    for bit in (COPPER, OPENING, LEGEND):
        kept = after.plane(bit)
        assert not kept[distance < FAB.limits["edge", "scored_mm"].value].any()
        # The mask's registration more, by which borders are drawn past one another.
        assert (kept == without.plane(bit))[distance > FAB.limits["edge", "scored_mm"].value + 0.08 + 3 * PITCH].all()
    assert near_scores(scored, after, FAB) == 0.0 == near_scores(plain, without, FAB)
    # 1 mm of 14.4 mm across, and along the left edge 0.2 mm of 8.4 mm: the routed edges keep 0.3 mm free.
    assert near_scores(scored, without, FAB) == pytest.approx(14.4 + 1.7, abs=0.8)


def test_a_score_from_the_other_side_and_off_the_board() -> None:
    picture = picture_of(np.zeros((400, 600, 3), dtype=np.uint8), pitch_um=PITCH * 1000)
    file = read_board_file(b"origin = 'upper left'\n[[scores]]\nx = 1\n[[scores]]\ny = 1")
    scored = shape_board(picture, read_settings({}), FAB, board_file=file)[1]
    assert [round(score.at_mm, 9) for score in scored.scores] == [1.0, 9.0]
    assert [round(score.at_mm, 9) for score in mirrored(scored).scores] == [14.0, 9.0]
    with pytest.raises(
        BoardError, match=r"scores\[0\]: the line lies beside the board.* from x = 0 to 15 mm, x = 16 mm"
    ):
        shape_board(picture, read_settings({}), FAB, board_file=read_board_file(b"[[scores]]\nx = 16"))
    thin = replace(FAB, stack_up={**FAB.stack_up, "thickness_mm": 0.8})
    assert "thinner than 1 mm" in shape_board(picture, read_settings({}), thin, board_file=file)[1].warnings[0]


def test_a_ring_close_to_the_art_is_made_all_the_same(tables: MemoryTables) -> None:
    """Repair gives up rings of art; that of a plated hole stays on both sides."""
    token = (FABS.parent / "artworks" / "night-watch-token.png").read_bytes()
    file = read_board_file(b"[[holes]]\nx = 16\ny = 16\ndiameter = 1.2\nplated = true")
    given = read_settings({"width": "20mm", "pitch": "50um", "fabrication": "on"})
    fab = board("nocturne-gold")
    found = convert(token, fab, given, board_file=file, tables=tables, threads=2)
    assert found.made is not None
    for side, planes in found.made.fabrication.planes.items():
        y, x = (np.indices(planes.stack.shape) + 0.5) * 0.05
        distance = np.hypot(x - (16 if side == "top" else 4), y - 4)
        ring = (distance > 0.65) & (distance < 0.8)
        assert planes.plane(COPPER)[ring].all() and planes.plane(OPENING)[ring].all(), side


HOLES = {
    "holes": [
        {"x": 10, "y": 10, "diameter": 1.0, "plated": True},
        {"x": 12, "y": 5, "to": [14, 5], "diameter": 1.0, "plated": True},
        {"x": 5, "y": 12, "diameter": 1.2, "plated": False},
        {"x": 7, "y": 5, "diameter": 1.0, "plated": False},
    ]
}
PLATED_RUNS = (((10.0, 10.0), (10.0, 10.0)), ((12.0, 5.0), (14.0, 5.0)))


@pytest.mark.parametrize("edges", ["threshold", "dither"])
@pytest.mark.parametrize("name", ["alba-black", "meadow-tin", "nocturne-gold"])
def test_art_around_holes_breaks_no_limit_in_the_files_as_written(name: str, edges: str) -> None:
    """Busy art, drawn by another reader from its Gerbers and measured by the second check, the holes included."""
    art, fab = (FABS.parent / "artworks" / "owl.png").read_bytes(), board(name)
    given = read_settings({"width": "20mm", "pitch": "25um", "fabrication": "on", "edges": edges})
    file = read_board_file(json.dumps(HOLES).encode())
    found = convert(art, fab, given, board_file=file, tables=MemoryTables(), threads=2)
    assert found.made is not None
    inside, files = found.made.fabrication.shape.board, dict(found.files())
    layers = [
        drawn_by_gerbonara(files[f"fabrication/{layer}-top.gbr"], *inside.shape, 25.0) & inside
        for layer in ("copper", "solder-mask", "legend")
    ]
    y, x = (np.indices(inside.shape) + 0.5) * PITCH
    plated = np.zeros_like(inside)
    for (left, low), (right, _) in PLATED_RUNS:
        distance = np.hypot(x - np.clip(x, left, right), len(inside) * PITCH - y - low)
        plated |= distance < 0.5 + PITCH
        ring = inside & (distance < 0.5 + 0.25)
        assert layers[0][ring].all() and layers[1][ring].all() and not layers[2][ring].any()
    assert broken_limits(layers[0], layers[1], layers[2], inside, fab, 25.0, plated=plated & ~inside) == {}
    assert found.made.fabrication.art.left.total == 0


@pytest.mark.parametrize("size", [(800, 790), (803, 777)])
def test_layers_within_edges_are_those_of_labels_laid_out_first(size: tuple[int, int]) -> None:
    file = {
        "holes": [
            {"x": 4.0, "y": 6.0, "diameter": 1.0, "plated": True},
            {"x": 14.0, "y": 5.0, "diameter": 1.3, "plated": False},
        ],
        "cut_outs": [{"circle": [9, 14, 3]}],
    }
    picture = picture_of(np.zeros((*size, 3), dtype=np.uint8), pitch_um=PITCH * 1000)
    given = read_settings({"board": "rectangle:4mm"})
    laid = shape_board(picture, given, FAB, board_file=read_board_file(json.dumps(file).encode()))[1]
    rng = np.random.default_rng(1)
    labels = np.kron(rng.integers(0, len(IDS), (81, 80)), np.ones((10, 10))).astype(np.uint8)[: size[0], : size[1]]
    labels = np.where(laid.board, labels, OUTSIDE).astype(np.uint8)
    stacks = planes_of(np.arange(256, dtype=np.uint8)[None], FAB, pitch_um=1.0).stack[0]
    for seen_from, turned in ((laid, labels), (mirrored(laid), np.ascontiguousarray(labels[:, ::-1]))):
        asked = planes_of(turned, FAB, pitch_um=PITCH * 1000)
        for threads in (1, 3):
            found = drawn_within_edges(seen_from, labels, stacks, FAB, mirrored=seen_from is not laid, threads=threads)
            assert (found.stack == edge_keep_out(seen_from, asked, FAB, threads=threads).stack).all()
