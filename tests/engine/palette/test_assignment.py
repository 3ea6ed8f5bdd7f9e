"""Clusters go to their nearest finish, by colour-science; merged colours are told."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from tests.boards import board, lab_of
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import PHOTOGRAPHS, cut
from worker.engine.palette.assignment import MERGED_DELTA_E, Assignment, assign_colours, merged_colours
from worker.engine.palette.clusters import Cluster
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.palette.tables import look_up, nearest_finish_table
from worker.job_settings import Settings

FAB = board("nocturne-gold")
COLOURS = finish_colours(FAB)
LAB = lab_of(FAB)


def assign(
    srgb: np.ndarray, settings: Settings, tables: MemoryTables, *, clear: np.ndarray | None = None, threads: int = 1
) -> Assignment:
    return assign_colours(srgb, clear, COLOURS, settings, background=0, pitch_um=100.0, tables=tables, threads=threads)


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("clusters", [1, 5, 20, "auto", "none"])
def test_every_cluster_goes_to_its_nearest_finish(name: str, clusters: int | str, tables: MemoryTables) -> None:
    srgb = cut(name, 200, 260)
    found = assign(srgb, Settings(clusters=clusters), tables)  # type: ignore[arg-type]
    most = {"auto": 64, "none": len(COLOURS)}.get(clusters, clusters)  # type: ignore[call-overload]
    assert 1 <= len(found.clusters) <= most
    assert sum(cluster.share for cluster in found.clusters) == pytest.approx(1.0)
    for cluster in found.clusters:
        own = found.cluster_ids == cluster.id
        assert cluster.share == pytest.approx(own.mean())
        assert (found.labels()[own] == COLOURS.ids.index(cluster.finish)).all()
        distances = colour.delta_E(np.array(cluster.lab), LAB, method="CIE 2000")
        order = np.argsort(distances)
        # With clusters=none each colour goes its own way, and the cluster is what a finish got.
        if clusters != "none":
            assert cluster.finish == COLOURS.ids[order[0]]
            assert cluster.second_finish == COLOURS.ids[order[1]]
            assert cluster.delta_e == pytest.approx(distances[order[0]], abs=1e-6)
            assert cluster.margin == pytest.approx(distances[order[1]] - distances[order[0]], abs=1e-6)


def test_clusters_none_gives_each_colour_to_its_nearest_finish(tables: MemoryTables) -> None:
    srgb = cut("coffee", 200, 260)
    found = assign(srgb, Settings(clusters="none"), tables)
    assert (found.labels() == look_up(srgb, nearest_finish_table(COLOURS, tables=tables))).all()


def test_one_finish_in_use_has_no_second(tables: MemoryTables) -> None:
    others = tuple(COLOURS.ids[1:])
    (cluster,) = assign(cut("coffee", 20, 20), Settings(clusters=1, forbid=others), tables).clusters
    assert cluster.finish == COLOURS.ids[0]
    assert cluster.second_finish is None and cluster.margin is None


def test_nothing_but_transparent_pixels(tables: MemoryTables) -> None:
    srgb = cut("coffee", 20, 20)
    for clusters in ("auto", "none", 4):
        found = assign(srgb, Settings(clusters=clusters), tables, clear=np.ones((20, 20), dtype=bool))  # type: ignore[arg-type]
        assert found.clusters == ()
        assert (found.labels() == 0).all()


@pytest.mark.parametrize("threads", [2, 4])
@pytest.mark.parametrize("settings", [Settings(), Settings(clusters="none"), Settings(assignment="contrast")])
def test_threads_change_nothing(threads: int, settings: Settings, tables: MemoryTables) -> None:
    srgb = cut("astronaut", 150, 170)
    one, many = assign(srgb, settings, tables), assign(srgb, settings, tables, threads=threads)
    assert one.cluster_ids.tobytes() == many.cluster_ids.tobytes()
    assert one.srgb.tobytes() == many.srgb.tobytes()
    assert one.clusters == many.clusters


def test_contrast_is_assigned_from_the_stretched_art(tables: MemoryTables) -> None:
    srgb = cut("chelsea", 200, 260)
    found = assign(srgb, Settings(assignment="contrast", contrast=1.0, clusters="none"), tables)
    assert found.stretched and (found.srgb != srgb).any()
    assert (found.labels() == look_up(found.srgb, nearest_finish_table(COLOURS, tables=tables))).all()
    faithful = assign(srgb, Settings(clusters="none"), tables)
    assert not faithful.stretched and faithful.srgb is srgb


def cluster_of(number: int, lab: tuple[float, float, float], share: float, finish: str = "gold") -> Cluster:
    return Cluster(
        id=number, lab=lab, share=share, finish=finish, delta_e=1.0, second_finish=None, margin=None, pinned=False
    )


def test_merged_colours_are_those_that_differ_and_cover_something() -> None:
    clusters = [
        cluster_of(0, (50.0, 60.0, 30.0), 0.4),
        cluster_of(1, (60.0, -60.0, 40.0), 0.2),
        cluster_of(2, (52.0, 60.0, 30.0), 0.2),
        cluster_of(3, (60.0, -60.0, -40.0), 0.005),
        cluster_of(4, (60.0, -60.0, 40.0), 0.1, finish="mask"),
    ]
    ((one, two, difference),) = merged_colours(clusters)
    assert (one.id, two.id) == (0, 1)
    assert difference == pytest.approx(
        float(colour.delta_E(np.array(one.lab), np.array(two.lab), method="CIE 2000")), abs=1e-9
    )
    assert difference > MERGED_DELTA_E
