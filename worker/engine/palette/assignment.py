"""From the artwork's colours to finishes: which finish every one of the 2^24 encoded colours goes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Floats, Labels, Srgb
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.cluster_count import choose_cluster_count
from worker.engine.palette.clustering import cluster_bins, cluster_labs
from worker.engine.palette.clusters import Cluster
from worker.engine.palette.colour_places import COLOURS, table_of_bins
from worker.engine.palette.contrast import lightness_line, stretch_lightness
from worker.engine.palette.finish_colours import FinishColours, colours_from_lab
from worker.engine.palette.histogram import BINS, Histogram, histogram_of
from worker.engine.palette.overrides import check_pins_apply, choose_finishes, pin_table
from worker.engine.palette.shared import SharedPalette, cluster_of_every_bin, stretched_histogram
from worker.engine.palette.tables import TableStore, look_up, nearest_finish_table
from worker.engine.palette.values import count_values, map_values
from worker.errors import OverrideError
from worker.job_settings import Settings

NO_CLUSTER = 255
MAX_PINS = 127
MERGED_DELTA_E = 10.0
"""Two art colours farther apart than this are distinct: when one finish takes both, the report says so."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assignment:
    """Where the artwork's colours go.

    active : indices of the finishes in use, in the profile's order.
    srgb : uint8 (H, W, 3), the artwork as it was assigned: stretched where contrast was asked for.
    cluster_ids : uint8 (H, W), each pixel's cluster, NO_CLUSTER where the artwork is transparent or off the board.
    cluster_finish : uint8 (256,), finish index of each cluster; the background's for NO_CLUSTER.
    cluster_lab : float64 (k, 3). clusters : the same for people.
    pinned : bool (k,), clusters that the user pinned. distances : float64 (k, n), CIEDE2000 of cluster to finish.
    """

    active: tuple[int, ...]
    srgb: Srgb
    stretched: bool
    cluster_ids: Labels
    cluster_finish: npt.NDArray[np.uint8]
    cluster_lab: Floats
    pinned: npt.NDArray[np.bool_]
    distances: Floats
    clusters: tuple[Cluster, ...]
    warnings: tuple[str, ...]

    def labels(self, *, threads: int = 1) -> Labels:
        """uint8 (H, W): the finish of each pixel, before edges are dealt with."""
        return map_values(self.cluster_ids, self.cluster_finish, threads=threads)


def assign_colours(
    srgb: Srgb,
    clear: npt.NDArray[np.bool_] | None,
    colours: FinishColours,
    settings: Settings,
    *,
    background: int,
    pitch_um: float,
    palette: SharedPalette | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
) -> Assignment:
    """Assign every colour of the artwork to a finish.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), C-contiguous, encoded sRGB
        Opaque artwork on the grid.
    clear : bool (H, W) or None
        Where the artwork is transparent, or off the board: those pixels have no colour of their own.
    background : int
        Index of the finish of transparent places.
    palette : SharedPalette or None
        Of many artworks: finishes, contrast and clusters are then chosen for all of them, and only pins and the like
        for this one.

    Raises
    ------
    OverrideError
        A pin, forbid or max_finishes that can't apply.
    """
    if palette is not None:
        palette.check()
    groups = None if clear is None else clear.view(np.uint8)
    everything = histogram_of(srgb, groups=groups, group=0, threads=threads)
    pins = {pin.finish for pin in settings.pins}
    needed = {i for i, finish in enumerate(colours.ids) if finish in pins}
    whole = everything if palette is None else palette.histogram
    if (clear is not None and clear.any()) or (palette is not None and palette.clear):
        needed.add(background)
    active = choose_finishes(whole, colours.lab, colours.ids, settings, frozenset(needed))
    art = srgb
    if settings.assignment == "contrast" and len(whole.bins):
        slope, offset = lightness_line(whole, colours.lab[list(active)], settings.contrast)
        art = stretch_lightness(srgb, slope, offset, threads=threads)
        whole = whole if palette is None else stretched_histogram(whole, slope, offset)
    pinned_by = _pinned(srgb, clear, settings, everything, palette, threads)
    groups = pinned_by if pinned_by is not None else groups
    free = everything if groups is None and art is srgb else histogram_of(art, groups=groups, group=0, threads=threads)
    subset = colours_from_lab(tuple(colours.ids[i] for i in active), colours.lab[list(active)])
    route = _cluster_route(
        art,
        free,
        subset,
        settings,
        pitch_um=pitch_um,
        shared=None if palette is None else (whole, palette.count),
        tables=tables,
        threads=threads,
    )
    ids = look_up(art, route.table, threads=threads)
    pins_labs = srgb_to_lab(np.array([pin.srgb for pin in settings.pins], dtype=np.float64).reshape(-1, 3))
    count = len(route.lab)
    if pinned_by is not None:
        # Modulo 256, since there is no cluster but the pins' where they hold every pixel.
        ids = np.where(pinned_by == 0, ids, pinned_by + np.uint8((count - 1) % 256))
    if clear is not None:
        ids[clear] = NO_CLUSTER
    lab = np.concatenate([route.lab, pins_labs])
    pin_finish = [colours.ids.index(pin.finish) for pin in settings.pins]
    distances = np.stack([ciede2000(lab, reference) for reference in colours.lab], axis=1)
    finish = np.full(256, background, dtype=np.uint8)
    finish[:count] = [active[i] for i in route.finish]
    finish[count : count + len(pin_finish)] = pin_finish
    pinned = np.arange(len(lab)) >= count
    pixels = count_values(ids, threads=threads)
    clusters = _describe(lab, finish, pinned, pixels[: len(lab)], distances, active, colours)
    return Assignment(
        active=active,
        srgb=art,
        stretched=art is not srgb,
        cluster_ids=ids,
        cluster_finish=finish,
        cluster_lab=lab,
        pinned=pinned,
        distances=distances,
        clusters=clusters,
        warnings=route.warnings,
    )


def _pinned(
    srgb: Srgb,
    clear: npt.NDArray[np.bool_] | None,
    settings: Settings,
    histogram: Histogram,
    palette: SharedPalette | None,
    threads: int,
) -> Labels | None:
    """uint8 (H, W): the number of the pin, from 1, that holds each pixel; 0 none, OUTSIDE where clear."""
    if not settings.pins:
        return None
    if len(settings.pins) > MAX_PINS:
        raise OverrideError(f"There are {len(settings.pins)} pins.", mend=f"Give at most {MAX_PINS}.")
    pinned_by = look_up(srgb, pin_table(settings.pins, histogram, threads=threads), threads=threads)
    if clear is not None:
        pinned_by[clear] = OUTSIDE
    pixels = count_values(pinned_by, threads=threads)[1 : 1 + len(settings.pins)]
    check_pins_apply(settings.pins, pixels, histogram, None if palette is None else palette.histogram)
    return pinned_by


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Route:
    """table : uint8 (2^24,) by place, cluster of each colour. lab : float64 (k, 3). finish : index among the active."""

    table: Labels
    lab: Floats
    finish: npt.NDArray[np.int64]
    warnings: tuple[str, ...] = ()


def _cluster_route(
    art: Srgb,
    histogram: Histogram,
    subset: FinishColours,
    settings: Settings,
    *,
    pitch_um: float,
    shared: tuple[Histogram, int | None] | None,
    tables: TableStore | None,
    threads: int,
) -> _Route:
    """Clusters of the artwork's colours, or, for `none`, each colour straight to its nearest finish.

    `shared` : the colours of all artworks of a palette, and how many clusters `auto` makes of them.
    """
    nearest = nearest_finish_table
    if not len(histogram.bins):
        return _Route(table=np.zeros(COLOURS, dtype=np.uint8), lab=np.zeros((0, 3)), finish=np.zeros(0, dtype=np.int64))
    count: int | None
    warnings: tuple[str, ...] = ()
    if settings.clusters == "none":
        count = None
    elif settings.clusters == "auto" and shared is not None:
        count = shared[1]
    elif settings.clusters == "auto":
        direct = nearest(subset, art=art, tables=tables, threads=threads)
        count = choose_cluster_count(
            [(art, pitch_um)],
            histogram,
            direct,
            subset,
            viewing_distance_mm=settings.viewing_distance_mm,
            tables=tables,
        )
        if count is None:
            warnings = (
                (
                    "No number of clusters up to 64 came within 0.3 S-CIELAB of giving each colour to its nearest "
                    "finish, so each colour was given to its nearest finish (clusters none)."
                ),
            )
    else:
        # Pins and transparent places need numbers of their own.
        most = NO_CLUSTER - len(settings.pins)
        count = min(int(settings.clusters), most)
        if count < int(settings.clusters):
            warnings = (
                (
                    f"clusters is {settings.clusters}, but {len(settings.pins)} pins and transparent places leave "
                    f"numbers for {most}: {most} were made."
                ),
            )
    if count is None:
        table = nearest(subset, art=art, tables=tables, threads=threads)
        found = _finish_of_bins(histogram, subset)
        present = np.unique(found)
        lab = cluster_labs(histogram, np.searchsorted(present, found))
        if len(present) < len(subset):
            # Bins stand for several colours: a finish that no bin's mean goes to may still get a few.
            whole = subset.lab.copy()
            whole[present] = lab
            lab = whole
        return _Route(table=table, lab=lab, finish=np.arange(len(subset)), warnings=warnings)
    histogram = histogram if shared is None else shared[0]
    found = cluster_bins(histogram, count, tables=tables)
    lab = cluster_labs(histogram, found)
    distances = np.stack([ciede2000(lab, reference) for reference in subset.lab], axis=1)
    table = (
        expand_bins(histogram, found) if shared is None else table_of_bins(cluster_of_every_bin(histogram, found, lab))
    )
    return _Route(table=table, lab=lab, finish=distances.argmin(axis=1), warnings=warnings)


def _finish_of_bins(histogram: Histogram, subset: FinishColours) -> npt.NDArray[np.int64]:
    distances = np.stack([ciede2000(histogram.lab, reference) for reference in subset.lab], axis=1)
    return np.asarray(distances.argmin(axis=1), dtype=np.int64)


def expand_bins(histogram: Histogram, found: npt.NDArray[np.int64]) -> Labels:
    """uint8 (2^24,), by place: the cluster of each colour's bin; 0 for colours whose bin is empty."""
    by_bin = np.zeros(BINS, dtype=np.uint8)
    by_bin[histogram.bins] = found
    return table_of_bins(by_bin)


def _describe(
    lab: Floats,
    finish: npt.NDArray[np.uint8],
    pinned: npt.NDArray[np.bool_],
    pixels: npt.NDArray[np.int64],
    distances: Floats,
    active: Sequence[int],
    colours: FinishColours,
) -> tuple[Cluster, ...]:
    total = max(1, int(pixels.sum()))
    clusters = []
    for i in range(len(lab)):
        if pixels[i] == 0:
            continue
        here = int(finish[i])
        others = sorted((float(distances[i, j]), j) for j in active if j != here)
        second = others[0] if others else None
        clusters.append(
            Cluster(
                id=i,
                lab=(float(lab[i, 0]), float(lab[i, 1]), float(lab[i, 2])),
                share=float(pixels[i] / total),
                finish=colours.ids[here],
                delta_e=float(distances[i, here]),
                second_finish=None if second is None else colours.ids[second[1]],
                margin=None if second is None else second[0] - float(distances[i, here]),
                pinned=bool(pinned[i]),
            )
        )
    return tuple(clusters)


def merged_colours(clusters: Sequence[Cluster]) -> list[tuple[Cluster, Cluster, float]]:
    """Pairs of distinct art colours that go to one finish, with the CIEDE2000 between the two, largest first.

    Of each finish, the colour with the largest share against every other that covers at least 1 % of the board and is
    farther than MERGED_DELTA_E from it.
    """
    pairs = []
    for finish in dict.fromkeys(cluster.finish for cluster in clusters):
        same = sorted((c for c in clusters if c.finish == finish), key=lambda c: (-c.share, c.id))
        for other in same[1:]:
            difference = float(ciede2000(np.array(same[0].lab), np.array(other.lab)))
            if other.share >= 0.01 and difference > MERGED_DELTA_E:
                pairs.append((same[0], other, difference))
    return sorted(pairs, key=lambda pair: (-pair[2], pair[0].id, pair[1].id))
