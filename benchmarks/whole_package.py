"""The whole package of fabrication files from a 24 MP artwork: time, growth with the board's area, peak memory.

Each figure is taken in a process of its own, which converts the artwork, makes every file and reads it back. The time
of the proof is taken out and has its own row. The peer is Pillow: decode the artwork, write the masks at the board's
size, in a process that does only this, as Pillow comes. Our workers keep freed memory for what comes next
(`worker/kept_memory.py`), which makes Pillow faster too where it shares their process: that figure stands beside.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from benchmarks.peers import write_masks
from benchmarks.pictures import flat_art, photo_like
from benchmarks.row import Row, at_most

ARTWORK_PX = 4900
"""24 MP."""
PITCH_UM = 10
AREAS_MP = (25, 50, 100, 200)
BOARD_MP = 100
BARS = {"threshold": 6.0, "dither": 10.0}
LINEAR = 1.5
MOST_MB = 2000.0

_SCRIPT = """
import json, sys
from benchmarks.whole_package import measured
print(json.dumps(measured(*sys.argv[1:])))
"""
_PEER = """
import sys
from benchmarks.memory import touch_memory
from benchmarks.whole_package import pillow_seconds
touch_memory()
print(pillow_seconds(*sys.argv[1:]))
"""
LABELS = "labels.npy"


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Seconds of the package without its proof, of the proof, of Pillow as it comes and of Pillow in memory that is
    kept as our workers keep it; peak memory before the proof and in all."""

    package: float
    proof: float
    peer: float
    peer_in_kept_memory: float
    stages: dict[str, float]
    package_mb: float
    proof_mb: float
    files_mb: float
    left: int


def measured(artwork: str, edges: str, area_mp: str) -> dict[str, Any]:
    """What one process measures, once every loop is compiled."""
    from benchmarks.demo_board import demo_board
    from benchmarks.memory import touch_memory
    from worker.engine.fabrication import proving
    from worker.engine.pipeline import convert
    from worker.job_settings import read_settings
    from worker.kept_memory import keep_freed_memory
    from worker.table_folder import TableFolder

    folder = Path(artwork).parent
    fab, _ = demo_board()
    tables = TableFolder(folder / "tables")
    proof: dict[str, float] = {}
    prove = proving.prove

    def timed(*arguments: Any, **named: Any) -> Any:
        proof["package_mb"], begin = _peak_mb(), time.perf_counter()
        found = prove(*arguments, **named)
        proof["seconds"] = time.perf_counter() - begin
        return found

    proving.prove = timed

    def package(side_mm: float) -> tuple[Any, int]:
        wanted = {"width": f"{side_mm}mm", "height": f"{side_mm}mm", "pitch": f"{PITCH_UM}um"}
        settings = read_settings({**wanted, "edges": edges, "fabrication": "on"})
        size = 0
        with open(artwork, "rb") as source:
            made = convert(source, fab, settings, tables=tables, threads=2)
        for name, data in made.files():
            path = folder / "job" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            size += path.write_bytes(data)
        return made, size

    keep_freed_memory()  # as workers and the command do
    import sklearn.cluster  # noqa: F401  # workers load it when they start

    package(8.0)  # compiles what isn't in numba's cache
    touch_memory()
    begin = time.perf_counter()
    made, size = package(math.sqrt(float(area_mp)) * PITCH_UM)
    seconds = time.perf_counter() - begin
    peak = _peak_mb()
    labels, stages, left = made.separation.labels, dict(made.clock.seconds), made.made.fabrication.art.left.total
    np.save(folder / LABELS, labels)
    return {
        "package": seconds - proof["seconds"],
        "proof": proof["seconds"],
        "peer_in_kept_memory": pillow_seconds(artwork, str(len(fab.finishes))),
        "stages": stages,
        "package_mb": proof["package_mb"],
        "proof_mb": peak,
        "files_mb": size / 1e6,
        "left": left,
        "finishes": len(fab.finishes),
    }


def pillow_seconds(artwork: str, finishes: str) -> float:
    """Seconds in which Pillow decodes the artwork and writes a mask for each finish of the labels beside it."""
    labels = np.load(Path(artwork).parent / LABELS)
    begin = time.perf_counter()
    with Image.open(artwork) as image:
        image.convert("RGB")
    write_masks(labels, int(finishes), Path(artwork).parent)
    return time.perf_counter() - begin


def _peak_mb() -> float:
    """Of this program; ru_maxrss would start from that of the process that started it."""
    if sys.platform == "linux":
        return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) * 1024 / 1e6
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def measure(artwork: Path, edges: str, area_mp: int) -> Measured:
    """Measure one board in a process of its own."""
    found = json.loads(_printed(_SCRIPT, str(artwork), edges, str(area_mp)))
    peer = _printed(_PEER, str(artwork), str(found.pop("finishes")))
    return Measured(**found, peer=float(peer))


def _printed(script: str, *arguments: str) -> str:
    """The last line that a program prints."""
    command = [sys.executable, "-c", script, *arguments]
    return subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True).stdout.splitlines()[-1]


def artwork_file(folder: Path, edges: str) -> Path:
    """A flat artwork for hard edges, a photo-like one for dithered ones, as PNG."""
    path = folder / f"{edges}.png"
    picture = flat_art(ARTWORK_PX, ARTWORK_PX) if edges == "threshold" else photo_like(ARTWORK_PX, ARTWORK_PX)
    Image.fromarray(picture).save(path, compress_level=1)
    return path


def rows_of(edges: str, found: dict[int, Measured]) -> list[Row]:
    """Time, proof, memory and growth of one way of drawing edges, from boards by their MP."""
    board = found[BOARD_MP]
    kept = f"{board.package / board.peer_in_kept_memory:.3g} x of Pillow in memory kept as workers keep it"
    name = f"whole package, 24 MP artwork to {BOARD_MP} MP board, {edges}"
    stages = ", ".join(f"{stage} {seconds:.1f}" for stage, seconds in board.stages.items())
    each = {area: one.package / area for area, one in found.items()}
    grown = ", ".join(f"{area} MP {one.package:.0f} s" for area, one in found.items())
    files = f"files of {board.files_mb:.0f} MB, {board.left} violations left"
    return [
        at_most(
            f"{name}, without read-back",
            board.package / board.peer,
            BARS[edges],
            "x the time of decode plus masks by Pillow",
            f"{board.package:.1f} s, Pillow {board.peer:.2f} s; {kept}, {board.peer_in_kept_memory:.2f} s; "
            f"stages in s: {stages}; {files}",
        ),
        Row(
            figure=f"its read-back, {edges}",
            bar="none",
            measured=f"{board.proof / board.peer:.3g} x the time of decode plus masks by Pillow ({board.proof:.1f} s)",
            met=True,
        ),
        at_most(f"its peak memory, {edges}", board.package_mb, MOST_MB, "MB", f"{board.proof_mb:.0f} with read-back"),
        at_most(
            f"the same, {edges}: the dearest cost per MP over that at {min(found)} MP",
            max(each.values()) / each[min(found)],
            LINEAR,
            "x",
            grown,
        ),
    ]


def rows(folder: Path) -> list[Row]:
    """Both ways of drawing edges, at four sizes of board."""
    out = []
    for edges in BARS:
        with tempfile.TemporaryDirectory(dir=folder) as place:
            artwork = artwork_file(Path(place), edges)
            out += rows_of(edges, {area: measure(artwork, edges, area) for area in AREAS_MP})
    return out
