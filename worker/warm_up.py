"""Compile the engine's loops once, after installation, so that the first artwork does not wait for it.

`python -m worker.warm_up` converts a few tiny pictures along every route; numba keeps what it compiles beside the
sources. Compiling takes minutes and one core, so two processes do it: one goes from pictures to masks, the other
from masks to layers, which is about as much and hardly the same.
"""

from __future__ import annotations

import io
import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from PIL import Image

from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import read_settings
from worker.settings import PROJECT

Route = tuple[str, dict[str, str | list[str]]]
"""Kind of picture, and settings."""

MASKS: tuple[Route, ...] = (
    ("photo", {"edges": "dither", "quality": "best"}),
    ("photo", {"edges": "threshold", "assignment": "contrast"}),
    ("flat", {"edges": "dither", "pin": ["#C81E1E=legend"]}),
    ("clear", {"edges": "dither"}),
    ("photo", {"edges": "threshold", "width": "2mm"}),
    ("flat", {"edges": "threshold", "width": "6mm"}),
    ("clear", {"edges": "threshold", "width": "2mm"}),
)
LAYERS: tuple[Route, ...] = (
    ("flat", {"edges": "threshold", "width": "6mm", "fabrication": "on", "islands": "tie", "hatch": "on"}),
    ("clear", {"edges": "threshold", "fabrication": "on", "voltage": "230Vac", "board": "disc"}),
    ("photo", {"edges": "dither", "fabrication": "on"}),
)


def picture(kind: str) -> bytes:
    """A tiny PNG: photo-like, flat, or with transparent places."""
    rng = np.random.default_rng(0)
    pixels = rng.integers(0, 256, (160, 160, 3), dtype=np.uint8)
    if kind != "photo":
        pixels[:] = (240, 240, 230)
        pixels[40:100, 30:110] = (200, 30, 30)
    out = io.BytesIO()
    image = Image.fromarray(pixels)
    if kind == "clear":
        image.putalpha(Image.fromarray(np.repeat(np.arange(160, dtype=np.uint8)[:, None] + 60, 160, axis=1)))
    image.save(out, "PNG")
    return out.getvalue()


def demo_fab() -> FabProfile:
    """A profile that has finishes of every kind."""
    return read_fab_profile((PROJECT / "samples" / "fabs" / "nocturne-gold.toml").read_bytes())


def go_along(routes: tuple[Route, ...]) -> None:
    """Convert and re-score along these routes."""
    from worker.engine.pipeline import convert
    from worker.engine.report.rescore import prepare, rescore

    for kind, given in routes:
        conversion = convert(picture(kind), demo_fab(), read_settings({"width": "3.2mm", **given}), threads=2)
        for _ in conversion.files():
            pass
        rescore(prepare(conversion.tuning), conversion.colours.lab)


def draw_layers() -> None:
    """Layers and files of a board whose masks are known: what comes after the masks, without what comes before."""
    from worker.engine.fabrication.board import plain_rectangle
    from worker.engine.fabrication.far_copper import SideArt
    from worker.engine.made_board import made_files, make_board
    from worker.engine.palette.finish_colours import colours_of
    from worker.engine.palette.hull import FINE_NODES, hull_table
    from worker.engine.references.findings import fab_findings

    fab = demo_fab()
    settings = read_settings({"edges": "threshold", "fabrication": "on", "islands": "tie", "hatch": "on"})
    references = fab_findings(fab, settings.viewing_conditions).references
    colours = colours_of(references)
    labels = np.zeros((300, 300), dtype=np.uint8)
    for i in range(36):
        labels[20 + 45 * (i // 6) :, 20 + 45 * (i % 6) :] = i % len(colours)
    srgb = colours.srgb[labels]
    made = make_board(
        {"top": SideArt(labels=labels, srgb=srgb, judged=lambda: srgb)},
        hulls={"top": hull_table(colours, nodes=FINE_NODES)},
        bases=dict,
        shape=plain_rectangle(*labels.shape, 20.0),
        fab=fab,
        colours=colours,
        references=tuple(references),
        settings=settings,
        name="warm-up",
        sha256="",
        threads=2,
    )
    made_files(made, threads=2)


def plan() -> None:
    """Look ahead for pictures of every kind."""
    from worker.engine.plan.plan import plan_artwork

    for kind in ("photo", "flat", "clear"):
        plan_artwork(picture(kind), [demo_fab()], read_settings({"width": "9mm"}), threads=2)


def from_pictures() -> None:
    """From pictures to masks, and what plans and drafts look at."""
    from worker import warm_drafts

    go_along(MASKS)
    plan()
    warm_drafts.warm()


def from_masks() -> None:
    """From masks to layers; then the same from pictures, whose masks the other half has compiled meanwhile."""
    draw_layers()
    go_along(LAYERS)


def warm_up() -> None:
    """Both halves at once. Then what both need once more: of two that keep one loop at one moment, one may lose it."""
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as processes:
        for half in [processes.submit(half) for half in (from_pictures, from_masks)]:
            half.result()
    go_along(LAYERS)


if __name__ == "__main__":
    begin = time.perf_counter()
    warm_up()
    print(f"The engine's loops are compiled ({time.perf_counter() - begin:.0f} s).")
