"""The error score: what the eye will see between the artwork and the board.

Two measures, over every pixel of the board area: CIEDE2000 pixel by pixel, and S-CIELAB, which looks at both from a
distance first. The same S-CIELAB of the artwork projected onto the hull of the finishes stands beside it as the
continuous reference: what an infinitely fine mixture of that projection would score. It is not a proven bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import DeltaE, Float32s, Labels, Srgb
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.hull import Packed
from worker.engine.report.changed_pixels import average_changed, measure_changed
from worker.engine.report.comparison import (
    BlockAverages,
    PixelDifferences,
    average_blocks,
    measure_pixels,
    spread_blocks,
)
from worker.engine.report.peak import Kind, Sight, cell_side, highest_pixel
from worker.engine.report.statistics import Statistics
from worker.engine.vision import (
    pixels_per_degree,
    see,
    seen_difference,
    steady_step,
)

__all__ = ["Score", "Statistics", "score_separation"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Basis:
    """What a score leaves for that of other labels of the same artwork, most of which are the same.

    labels : those of the score. artwork, board : as in `BlockAverages`. reference, reference_peak : the difference
    between the artwork and its projection, float32 (h, w), and the highest of its pixels. pixels : of each pixel.
    """

    labels: Labels
    artwork: Float32s
    board: Float32s
    reference: DeltaE
    reference_peak: float
    pixels: PixelDifferences


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Score:
    """Colour differences between artwork and board, per pixel.

    ciede2000 : plain. s_cielab : as seen from `viewing_distance_mm`. continuous_reference : S-CIELAB of the artwork
    projected pixel by pixel onto the hull of the finishes. s_cielab_stretched : against the stretched art,
    where there is one.
    by_finish : (ciede2000, s_cielab) per finish id, finishes in use only. by_cluster : ciede2000 per cluster id.
    pixels : how many pixels of each cluster (row) were given to each finish (column).
    error_map : float32 (h, w), S-CIELAB on a grid `error_map_step_px` pixels wide.
    basis : for a second score, where one was to be kept; it holds three pictures of blocks.
    """

    viewing_distance_mm: float
    pixels_per_degree: float
    ciede2000: Statistics
    s_cielab: Statistics
    continuous_reference: Statistics
    s_cielab_stretched: Statistics | None
    by_finish: dict[str, tuple[Statistics, Statistics]]
    by_cluster: dict[int, Statistics]
    error_map: DeltaE
    error_map_step_px: int
    pixels: tuple[tuple[int, ...], ...]
    basis: Basis | None = None


def score_separation(
    srgb: Srgb,
    labels: Labels,
    colours: FinishColours,
    *,
    hull: Packed,
    pitch_um: float,
    viewing_distance_mm: float,
    clusters: Labels | None = None,
    cluster_count: int = 0,
    stretched: Srgb | None = None,
    basis: Basis | None = None,
    keep_basis: bool = False,
    threads: int = 1,
) -> Score:
    """Score a separation against its artwork.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB
        The artwork on the grid, opaque.
    labels : uint8 (H, W)
        Index of the finish of each pixel; 255 outside the board.
    hull : int64 (65^3,)
        From `hull_table` with FINE_NODES, for the continuous reference.
    clusters : uint8 (H, W) or None
        Each pixel's cluster; `cluster_count` or more where it has none.
    stretched : uint8 (H, W, 3) or None
        The artwork as it was stretched before assignment.
    basis : Basis or None
        Of a score of other labels, with the same artwork, finishes, hull, pitch and distance; finishes may have been
        added at the end. Neither clusters nor a stretched artwork are asked for then.
    keep_basis : bool
        Whether a second score will be wanted.
    """
    full_ppd = pixels_per_degree(viewing_distance_mm, pitch_um)
    step = steady_step(full_ppd, labels.size)
    ppd = full_ppd / step

    def averaged(art: Srgb) -> tuple[BlockAverages, BlockAverages | None]:
        """The picture by blocks, and by the cells that the highest blocks are looked into, where they are no pixels."""
        sides = [step] if cell_side(step) == 1 else [step, cell_side(step)]
        blocks, *cells = (
            average_blocks(art, labels, colours.linear_rgb, hull, side, threads=threads) for side in sides
        )
        return blocks, cells[0] if cells else None

    def sight(kind: Kind, art: Srgb, blocks: BlockAverages, cells: BlockAverages | None) -> Sight:
        xyz = getattr(blocks, kind)
        return Sight(
            kind=kind,
            srgb=art,
            labels=labels,
            finish_rgb=colours.linear_rgb,
            hull=hull,
            averages=xyz,
            cells=np.empty((3, 0, 0), dtype=np.float32) if cells is None else getattr(cells, kind),
            seen=see(xyz, working_ppd=ppd, step=step, threads=threads),
        )

    def peak(one: Sight, two: Sight, error: Float32s, highest: float) -> float:
        return highest_pixel(one, two, error, highest, full_ppd=full_ppd, step=step, threads=threads)

    # Where cells have more pixels, as from far away, peaks are looked for in pictures that a basis doesn't hold.
    again = None
    if basis is not None and cell_side(step) == 1:
        again = average_changed(srgb, labels, basis.labels, basis.board, colours.linear_rgb, step, threads=threads)
    if basis is not None and again is not None:
        averages = BlockAverages(step=step, artwork=basis.artwork, board=again, projected=basis.artwork)
        artwork, board = (sight(kind, srgb, averages, None) for kind in ("artwork", "board"))
        errors = [seen_difference(artwork.seen, board.seen, threads=threads), basis.reference]
        tallies = spread_blocks(errors, labels, len(colours), step, threads=threads)
        peaks = [peak(artwork, board, errors[0], tallies[0].peak), basis.reference_peak]
        pixels = measure_changed(srgb, labels, colours.lab, first=basis.pixels, before=basis.labels, threads=threads)
    else:
        averages, cells = averaged(srgb)
        artwork, board = sight("artwork", srgb, averages, cells), sight("board", srgb, averages, cells)
        views = [(artwork, board), (artwork, sight("projected", srgb, averages, cells))]
        if stretched is not None:
            views.append((sight("artwork", stretched, *averaged(stretched)), board))
        errors = [seen_difference(one.seen, two.seen, threads=threads) for one, two in views]
        tallies = spread_blocks(errors, labels, len(colours), step, threads=threads)
        peaks = [
            peak(one, two, error, tally.peak) for tally, error, (one, two) in zip(tallies, errors, views, strict=True)
        ]
        pixels = measure_pixels(
            srgb, labels, colours.lab, clusters=clusters, cluster_count=cluster_count, threads=threads
        )
    s_cielab, reference, *rest = (tally.of_all(peak=highest) for tally, highest in zip(tallies, peaks, strict=True))
    plain_tally, cluster_tally = pixels.by_finish, pixels.by_cluster
    by_finish = {}
    for j, finish_id in enumerate(colours.ids):
        plain, seen_there = plain_tally.of_group(j), tallies[0].of_group(j)
        if plain is not None and seen_there is not None:
            by_finish[finish_id] = (plain, seen_there)
    by_cluster = {i: cluster_tally.of_group(i) for i in range(cluster_count)}
    return Score(
        viewing_distance_mm=viewing_distance_mm,
        pixels_per_degree=full_ppd,
        ciede2000=plain_tally.of_all(),
        s_cielab=s_cielab,
        continuous_reference=reference,
        s_cielab_stretched=rest[0] if rest else None,
        by_finish=by_finish,
        by_cluster={i: statistics for i, statistics in by_cluster.items() if statistics is not None},
        error_map=errors[0],
        error_map_step_px=step,
        pixels=tuple(tuple(int(count) for count in row) for row in pixels.pixels),
        basis=Basis(
            labels=labels,
            artwork=averages.artwork,
            board=averages.board,
            reference=errors[1],
            reference_peak=peaks[1],
            pixels=PixelDifferences(by_pair=plain_tally, finishes=pixels.finishes, strips=pixels.strips),
        )
        if keep_basis
        else None,
    )
