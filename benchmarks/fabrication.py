"""Contours of a whole side at 100 MP, how their cost grows, and the memory that their files take."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

from benchmarks.row import Row, at_most
from benchmarks.timing import medians
from worker.engine.fabrication.contours import Contours, trace
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.fabrication.simplify import COARSE_PX, simplify

SIDE = 10_000
CELL_PX = 15
"""0.15 mm at 10 um, the smallest feature of the demo boards."""
AREAS_MP = (25, 50, 100, 200)
LINEAR = 1.5
STACKS = np.array([BOARD, BOARD | COPPER, BOARD | OPENING, BOARD | LEGEND, BOARD | COPPER | OPENING], np.uint8)

_SCRIPT = """
import resource, sys, time
from pathlib import Path
from benchmarks.fabrication import CELL_PX, SIDE, dithered
from worker.engine.fabrication.contours import trace
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.gerber import gerber_layer
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING
from worker.engine.fabrication.rings import layer_rings
from worker.engine.fabrication.simplify import COARSE_PX, simplify
planes = dithered(SIDE, SIDE)
project = Project(name="bench", guid="", revision="1", version="0")
def write():
    contours = simplify(trace(planes, threads=2), COARSE_PX, threads=2)
    size = 0
    for bit in (COPPER, OPENING, LEGEND):
        rings = layer_rings(contours, bit)
        for piece in gerber_layer(rings, function="Other,bench", polarity="Positive", project=project):
            size += len(piece)
    return size
write()
begin = time.perf_counter()
size = write()
seconds = time.perf_counter() - begin
if sys.platform == "linux":
    peak = int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) * 1024
else:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(peak / 1e6, seconds, size / 1e6)
"""


def threshold_like(height: int, width: int) -> LayerPlanes:
    """Large smooth areas of five stacks, from a seed."""
    rough = np.random.default_rng(6).normal(size=(height // 120, width // 120)).astype(np.float32)
    smooth = Image.fromarray(rough).resize((width, height), Image.Resampling.BICUBIC)
    cuts = np.quantile(rough, (0.2, 0.4, 0.6, 0.8))
    stack = np.empty((height, width), np.uint8)
    for first in range(0, height, 1000):
        rows = np.asarray(smooth.crop((0, first, width, min(first + 1000, height))))
        stack[first : first + len(rows)] = STACKS[np.digitize(rows, cuts)]
    return LayerPlanes(stack=stack, pitch_um=10.0)


def dithered(height: int, width: int) -> LayerPlanes:
    """Cells of 0.15 mm, each of one stack of five, from a seed: more borders than any real mixture has."""
    rng = np.random.default_rng(7)
    picked = STACKS[rng.integers(0, len(STACKS), (-(-height // CELL_PX), -(-width // CELL_PX)))]
    whole: npt.NDArray[np.uint8] = np.repeat(np.repeat(picked, CELL_PX, axis=0), CELL_PX, axis=1)
    return LayerPlanes(stack=np.ascontiguousarray(whole[:height, :width]), pitch_um=10.0)


def contours_of(planes: LayerPlanes) -> Contours:
    """What the rows time: traced and simplified, on two threads."""
    return simplify(trace(planes, threads=2), COARSE_PX, threads=2)


def speed_rows() -> list[Row]:
    """100 MP, all labels."""
    out = []
    for name, make, bar in (("threshold-like", threshold_like, 1.5), ("dithered", dithered, 2.5)):
        planes = make(SIDE, SIDE)
        seconds = medians({"ours": lambda planes=planes: contours_of(planes)}, 3)["ours"]  # type: ignore[misc]
        contours = contours_of(planes)
        detail = f"{contours.arcs:,} arcs, {len(contours.points):,} points"
        out.append(at_most(f"contours of all labels with simplification, 100 MP {name}", seconds, bar, "s", detail))
    return out


def growth_row() -> Row:
    """The dearest area's cost per MP over the smallest one's."""
    seconds = {}
    for area in AREAS_MP:
        planes = dithered(area * 1_000_000 // SIDE, SIDE)
        seconds[area] = medians({"ours": lambda planes=planes: contours_of(planes)}, 3)["ours"]  # type: ignore[misc]
    each = [seconds[area] / area for area in AREAS_MP]
    detail = ", ".join(f"{area} MP {seconds[area]:.2f} s" for area in AREAS_MP)
    return at_most(
        "the same, dithered: the dearest cost per MP over that at 25 MP", max(each) / each[0], LINEAR, "x", detail
    )


def memory_row() -> Row:
    """Contours and three layers' Gerber files in a process of their own."""
    done = subprocess.run([sys.executable, "-c", _SCRIPT], capture_output=True, text=True, check=True)
    megabytes, seconds, size = (float(value) for value in done.stdout.split())
    figure = "contours and Gerber files of three dithered layers, 100 MP, peak memory"
    return at_most(figure, megabytes, 2000.0, "MB", f"{seconds:.1f} s, files of {size:.0f} MB")


def rows(_: Path) -> list[Row]:
    return [*speed_rows(), growth_row(), memory_row()]
