"""Error diffusion against Pillow's Floyd and Steinberg, in time and as the eye sees it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from benchmarks.demo_board import demo_board
from benchmarks.peers import palette_image, quantised
from benchmarks.pictures import photo_like
from benchmarks.row import Row, at_least, at_most
from benchmarks.timing import medians
from worker.engine.palette.hull import FINE_NODES, hull_table
from worker.engine.report.score import score_separation
from worker.engine.separation.cells import cell_size_px, gather_cells, spread_cells
from worker.engine.separation.diffusion import diffuse
from worker.engine.separation.diffusion_tables import diffusion_tables
from worker.engine.separation.families import find_families

PITCH_UM = 15.0
SIDE_MM = 60.0
DISTANCE_MM = 300.0


def rows(_: Path) -> list[Row]:
    return kernel_rows() + delivered_rows()


def kernel_rows() -> list[Row]:
    """The kernel alone, without layer rules, one pixel a cell."""
    fab, colours = demo_board()
    free = diffusion_tables(colours, tuple(finish.recipe for finish in fab.finishes), rules=False)
    picture = photo_like()
    image, palette = Image.fromarray(picture), palette_image(colours)
    seconds = medians(
        {
            "peer": lambda: quantised(image, palette, dither=True),
            "two": lambda: diffuse(picture, None, free, threads=2),
            "one": lambda: diffuse(picture, None, free, threads=1),
        },
        5,
    )
    cells = picture.shape[0] * picture.shape[1]
    return [
        at_least(
            f"diffusion kernel, no layer rules, 24 MP photo-like, {threads} thread{'s' if threads == 'two' else ''}",
            seconds["peer"] / seconds[threads],
            bar,
            f"{seconds[threads] / cells * 1e9:.1f} ns a cell, Pillow {seconds['peer'] / cells * 1e9:.1f}",
        )
        for threads, bar in (("two", 2.0), ("one", 1.15))
    ]


def delivered_rows() -> list[Row]:
    """The dither as delivered: hull, families and layer rules, on the cells of a 60 mm square."""
    fab, colours = demo_board()
    everyone = tuple(range(len(colours)))
    recipes = tuple(finish.recipe for finish in fab.finishes)
    side = round(SIDE_MM * 1000.0 / PITCH_UM)
    picture = np.ascontiguousarray(photo_like(side, side))
    size = cell_size_px(fab, everyone, PITCH_UM)
    cells = gather_cells(picture, size, decided=None, wanted=None, allowed=None, threads=2).srgb
    families, rules = find_families(colours, recipes), diffusion_tables(colours, recipes)
    image, palette = Image.fromarray(cells), palette_image(colours)
    seconds = medians(
        {
            "peer": lambda: quantised(image, palette, dither=True),
            "two": lambda: diffuse(cells, families, rules, threads=2),
            "one": lambda: diffuse(cells, families, rules, threads=1),
        },
        40,
    )
    hull = hull_table(colours, nodes=FINE_NODES)

    def seen(labels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> tuple[float, float]:
        score = score_separation(
            picture,
            spread_cells(labels, side, side, size),
            colours,
            hull=hull,
            pitch_um=PITCH_UM,
            viewing_distance_mm=DISTANCE_MM,
            threads=2,
        )
        return score.s_cielab.mean, score.continuous_reference.mean

    ours, reference = seen(diffuse(cells, families, rules))
    theirs = np.asarray(quantised(image, palette, dither=True))
    peer = seen(np.minimum(theirs, len(colours) - 1).astype(np.uint8))[0]
    return [
        at_least(
            f"dither as delivered, {size * PITCH_UM / 1000:g} mm cells, {SIDE_MM:g} x {SIDE_MM:g} mm, two threads",
            seconds["peer"] / seconds["two"],
            1.0,
            f"{seconds['two'] * 1e3:.2f} ms, one thread {seconds['one'] * 1e3:.2f}, Pillow {seconds['peer'] * 1e3:.2f}",
        ),
        at_most(
            "its S-CIELAB less the continuous reference, of Pillow's",
            (ours - reference) / (peer - reference),
            0.5,
            "of Pillow's",
            f"ours {ours:.2f}, Pillow {peer:.2f}, reference {reference:.2f}",
        ),
    ]
