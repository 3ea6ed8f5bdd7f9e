"""Compile the engine's loops once, after installation, so that the first artwork does not wait for it.

`python -m worker.warm_up` converts a few tiny pictures along every route; numba keeps what it compiles beside the
sources. Compiling takes minutes and one core, so the routes with the least in common go first, in two processes.
"""

from __future__ import annotations

import io
import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from PIL import Image

from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings
from worker.settings import PROJECT

Route = tuple[str, dict[str, str | list[str]]]
"""Kind of picture, and settings."""

MASKS: tuple[Route, ...] = (
    ("photo", {"edges": "dither", "quality": "best"}),
    ("photo", {"edges": "threshold", "assignment": "contrast"}),
    ("flat", {"edges": "dither", "pin": ["#C81E1E=legend"]}),
    ("clear", {"edges": "dither"}),
)
LAYERS: tuple[Route, ...] = (
    ("flat", {"edges": "threshold", "width": "6mm", "fabrication": "on", "islands": "tie", "hatch": "on"}),
    ("clear", {"edges": "threshold", "fabrication": "on", "voltage": "230Vac", "board": "disc"}),
)
BOTH: tuple[Route, ...] = (
    ("photo", {"edges": "threshold", "width": "2mm"}),
    ("flat", {"edges": "threshold", "width": "6mm"}),
    ("clear", {"edges": "threshold", "width": "2mm"}),
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


def go_along(routes: tuple[Route, ...]) -> None:
    """Convert and re-score along these routes."""
    from worker.engine.pipeline import convert
    from worker.engine.report.rescore import prepare, rescore

    fab = read_fab_profile((PROJECT / "samples" / "fabs" / "nocturne-gold.toml").read_bytes())
    for kind, given in routes:
        conversion = convert(picture(kind), fab, read_settings({"width": "3.2mm", **given}), threads=2)
        for _ in conversion.files():
            pass
        rescore(prepare(conversion.tuning), conversion.colours.lab)


def plan() -> None:
    """Look ahead for pictures of every kind."""
    from worker.engine.plan.plan import plan_artwork

    fab = read_fab_profile((PROJECT / "samples" / "fabs" / "nocturne-gold.toml").read_bytes())
    for kind in ("photo", "flat", "clear"):
        plan_artwork(picture(kind), [fab], read_settings({"width": "9mm"}), threads=2)


def warm_up() -> None:
    """Go along every route."""
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as processes:
        list(processes.map(go_along, (MASKS, LAYERS)))
    # Again in one process: of two that keep the same loop at one moment, one may be lost.
    go_along(MASKS + LAYERS + BOTH)
    plan()


if __name__ == "__main__":
    begin = time.perf_counter()
    warm_up()
    print(f"The engine's loops are compiled ({time.perf_counter() - begin:.0f} s).")
