"""Previews of a score: near the score itself for the references that it was made with, and right when they change."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import PHOTOGRAPHS, enlarged, photograph, png_of
from tests.engine.sweeps import sweep_size
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.palette.finish_colours import colours_from_lab
from worker.engine.palette.hull import hull_table
from worker.engine.pipeline import Conversion, convert
from worker.engine.report.rescore import prepare, reassigned, rescore, rescore_reassigned
from worker.engine.report.score import score_separation
from worker.errors import ArrayError
from worker.job_settings import read_settings
from worker.settings import PROJECT

ARTWORKS = ("night-watch-token.png", "owl.png", "comet-over-ridge.jpg", "star-chart.png")
CIEDE2000_BAR = 0.1
S_CIELAB_BAR = 0.05
"""Of the score's mean, or as much CIEDE2000 where that is more: the picture is a reduced one."""


def converted(artwork: bytes, tables: MemoryTables, fab: str = "nocturne-gold", **settings: str) -> Conversion:
    given = {"width": "60mm", "pitch": "50um", **settings}
    return convert(artwork, board(fab), read_settings(given), tables=tables, threads=2)


def check_preview(conversion: Conversion) -> None:
    found, exact = rescore(prepare(conversion.tuning), conversion.colours.lab), conversion.score
    assert abs(found.ciede2000.mean - exact.ciede2000.mean) < CIEDE2000_BAR
    wide = max(S_CIELAB_BAR, S_CIELAB_BAR * exact.s_cielab.mean)
    assert abs(found.s_cielab.mean - exact.s_cielab.mean) < wide
    used = [finish.id for finish, means in zip(conversion.fab.finishes, found.by_finish, strict=True) if means]
    assert set(exact.by_finish) <= set(used)
    for finish, (plain, _) in exact.by_finish.items():
        means = found.by_finish[conversion.colours.ids.index(finish)]
        assert means is not None
        share = (conversion.separation.labels == conversion.colours.ids.index(finish)).mean()
        assert share < 0.01 or abs(means[0] - plain.mean) < 0.5, finish


@pytest.mark.parametrize("name", ARTWORKS)
def test_the_samples_preview_is_near_their_score(name: str, tables: MemoryTables) -> None:
    check_preview(converted((PROJECT / "samples" / "artworks" / name).read_bytes(), tables))


@pytest.mark.parametrize("name", PHOTOGRAPHS[: sweep_size(2, 4)])
@pytest.mark.parametrize("edges", ["dither", "threshold"])
def test_a_photographs_preview_is_near_its_score(name: str, edges: str, tables: MemoryTables) -> None:
    check_preview(converted(png_of(photograph(name)), tables, "alba-black", edges=edges))


@pytest.mark.slow
def test_a_noisy_photograph_of_which_only_a_part_is_looked_at(tables: MemoryTables) -> None:
    art = enlarged(photograph("astronaut"), 6)
    noisy = np.clip(art + np.random.default_rng(1).normal(0.0, 3.0, art.shape), 0, 255).astype(np.uint8)
    conversion = converted(png_of(noisy), tables, width="61.44mm", pitch="20um")
    assert conversion.tuning.colour_px.sum() < noisy.size // 6
    check_preview(conversion)


def test_ciede2000_is_that_of_the_pixels_under_the_new_references_too(tables: MemoryTables) -> None:
    """Against scikit-image's CIEDE2000 of every pixel."""
    conversion = converted(png_of(photograph("coffee")), tables)
    lab = conversion.colours.lab + np.array([4.0, -6.0, 9.0])
    pixels = srgb_to_lab(conversion.picture.srgb)
    exact = deltaE_ciede2000(pixels, lab[conversion.separation.labels])
    found = rescore(prepare(conversion.tuning), lab).ciede2000
    assert abs(found.mean - exact.mean()) < CIEDE2000_BAR
    assert abs(found.median - np.median(exact)) < 0.3 and abs(found.p95 - np.quantile(exact, 0.95)) < 0.3


def test_an_edited_reference_moves_the_preview_as_it_moves_the_score(tables: MemoryTables) -> None:
    conversion = converted(png_of(photograph("coffee")), tables)
    lab = conversion.colours.lab.copy()
    lab[conversion.colours.ids.index("gold")] += (-20.0, 10.0, 15.0)
    colours = colours_from_lab(conversion.colours.ids, lab)
    exact = score_separation(
        conversion.picture.srgb,
        conversion.separation.labels,
        colours,
        hull=hull_table(colours),
        pitch_um=50.0,
        viewing_distance_mm=300.0,
    )
    bench = prepare(conversion.tuning)
    before, after = rescore(bench, conversion.colours.lab), rescore(bench, lab)
    wanted = exact.s_cielab.mean - conversion.score.s_cielab.mean
    assert abs(wanted) > 0.3
    assert after.s_cielab.mean - before.s_cielab.mean == pytest.approx(wanted, abs=0.1 + 0.1 * abs(wanted))
    wanted = exact.ciede2000.mean - conversion.score.ciede2000.mean
    assert after.ciede2000.mean - before.ciede2000.mean == pytest.approx(wanted, abs=0.05)


def test_clusters_stay_with_the_references_that_they_were_assigned_by(tables: MemoryTables) -> None:
    artwork = (PROJECT / "samples" / "artworks" / "night-watch-token.png").read_bytes()
    bench = prepare(converted(artwork, tables, clusters="8").tuning)
    assert reassigned(bench, bench.data.reference_lab) == ()


def test_two_references_that_change_places_change_their_clusters(tables: MemoryTables) -> None:
    artwork = (PROJECT / "samples" / "artworks" / "night-watch-token.png").read_bytes()
    conversion = converted(artwork, tables, clusters="8")
    bench = prepare(conversion.tuning)
    lab = conversion.colours.lab.copy()
    first, second = (conversion.colours.ids.index(finish) for finish in ("gold", "mask"))
    lab[[first, second]] = lab[[second, first]]
    moved = reassigned(bench, lab)
    swap = {first: second, second: first}
    assert {(one.before, one.after) for one in moved} == {(first, second), (second, first)}
    assert {one.cluster for one in moved} == {c.id for c in conversion.clusters if c.finish in ("gold", "mask")}
    assert all(one.margin > 0 and swap[one.before] == one.after for one in moved)
    worse, again = rescore(bench, lab).ciede2000, rescore_reassigned(bench, lab, moved)
    assert worse.mean > again.mean
    assert again.mean == pytest.approx(rescore(bench, conversion.colours.lab).ciede2000.mean, abs=0.5)


def test_pinned_colours_stay_where_the_user_put_them(tables: MemoryTables) -> None:
    artwork = np.full((100, 100, 3), 250, dtype=np.uint8)
    artwork[:50] = (200, 30, 30)
    conversion = converted(png_of(artwork), tables, width="5mm", pin="#C81E1E=mask")
    bench = prepare(conversion.tuning)
    (pinned,) = (cluster for cluster in conversion.clusters if cluster.pinned)
    assert pinned.finish == "mask"
    assert all(one.cluster != pinned.id for one in reassigned(bench, conversion.colours.lab))


def test_references_of_another_number_of_finishes_are_refused(tables: MemoryTables) -> None:
    bench = prepare(converted(png_of(np.full((50, 50, 3), 9, np.uint8)), tables, width="5mm").tuning)
    with pytest.raises(ArrayError, match="lab"):
        rescore(bench, np.zeros((2, 3)))
