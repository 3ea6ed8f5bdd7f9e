"""A plan for many fabs: how long a person waits for it, against Pillow decoding and quantising the artwork as often."""

from __future__ import annotations

import io
import time
from dataclasses import replace
from pathlib import Path

from PIL import Image

from benchmarks.pictures import encoded, flat_art, photo_like
from benchmarks.row import Row, at_most
from worker.engine.plan.plan import plan_artwork
from worker.fab_family import read_family
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import read_settings
from worker.settings import PROJECT

FABS = 20
BAR_S = 2.0
SIDE_PX = 2000
_RUNS = 5


def fabs() -> list[FabProfile]:
    """Twenty boards: the demo profiles, the demo family, and nine of them once more under other names."""
    samples = PROJECT / "samples"
    known = [read_fab_profile(path.read_bytes()) for path in sorted((samples / "fabs").glob("*.toml"))]
    known += read_family((samples / "families" / "heron.toml").read_bytes())
    again = [replace(fab, id=f"{fab.id}-again", fab=f"{fab.fab} again") for fab in known]
    return [*known, *again][:FABS]


def rows(_: Path) -> list[Row]:
    """A flat artwork and a photo-like one, of 4 MP."""
    return [
        _row("flat", encoded(flat_art(SIDE_PX, SIDE_PX), "PNG")),
        _row("photo-like", encoded(photo_like(SIDE_PX, SIDE_PX), "PNG")),
    ]


def _row(kind: str, artwork: bytes) -> Row:
    settings, boards = read_settings({"width": "60mm"}), fabs()
    plan_artwork(artwork, boards[:1], settings, threads=2)  # compiles what isn't in numba's cache
    ours, peers = [], []
    for _ in range(_RUNS):
        begin = time.perf_counter()
        plan_artwork(artwork, boards, settings, threads=2)
        ours.append(time.perf_counter() - begin)
        begin = time.perf_counter()
        _by_pillow(artwork)
        peers.append(time.perf_counter() - begin)
    return at_most(
        f"a plan for {FABS} fabs, 4 MP {kind} artwork",
        min(ours),
        BAR_S,
        "s",
        f"best of {_RUNS}, median {sorted(ours)[_RUNS // 2]:.2f} s; Pillow decodes and quantises as often in "
        f"{min(peers):.2f} s",
    )


def _by_pillow(artwork: bytes) -> None:
    with Image.open(io.BytesIO(artwork)) as image:
        picture = image.convert("RGB")
    palette = Image.new("P", (1, 1))
    palette.putpalette([12, 12, 14, 54, 40, 30, 200, 165, 95, 230, 230, 225, 60, 30, 20] * 16)
    for _ in range(FABS):
        picture.quantize(palette=palette, dither=Image.Dither.NONE)
