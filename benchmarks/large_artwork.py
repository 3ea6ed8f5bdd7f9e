"""A 900 MP PNG to masks: peak memory of the process that does it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
from isal import isal_zlib

from benchmarks.demo_board import FABS
from benchmarks.row import Row, at_most
from worker.engine.report.png import chunk, header

SIDE = 30_000
_SCRIPT = """
import contextlib, resource, sys, time
from pathlib import Path
from worker.engine.artwork.strips import read_strips
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.palette.tables import nearest_finish_table
from worker.engine.report.mask_stream import write_masks
from worker.fab_profile import read_fab_profile
path, fab, out = (Path(argument) for argument in sys.argv[1:])
colours = finish_colours(read_fab_profile(fab.read_bytes()))
begin = time.perf_counter()
with contextlib.ExitStack() as stack:
    outputs = {i: stack.enter_context((out / f"large-{i}.png").open("wb")) for i in range(len(colours))}
    source = stack.enter_context(path.open("rb"))
    table = nearest_finish_table(colours, threads=2)
    write_masks(read_strips(source), table, outputs, pitch_um=20.0, threads=2)
if sys.platform == "linux":
    # The peak of this program; ru_maxrss would start from that of the process that started it.
    peak = int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) * 1024
else:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(peak / 1e6, time.perf_counter() - begin)
"""


def write_noise(path: Path, side: int = SIDE) -> None:
    """A PNG of smooth colour with noise in its low bits: nothing repeats, so it deflates badly, as photographs do."""
    rng = np.random.default_rng(5)
    with path.open("wb") as file:
        file.write(header(side, side, bits=8, colour_type=2, pixels_per_metre=50_000))
        deflate = isal_zlib.compressobj(1)
        slope = np.linspace(0.0, 200.0, side, dtype=np.float32)[:, None]
        for first in range(0, side, 250):
            count = min(250, side - first)
            rows = np.zeros((count, 1 + 3 * side), dtype=np.uint8)
            shade = np.stack([slope, slope[::-1], np.full_like(slope, 200.0 * first / side)], axis=-1).reshape(1, -1)
            noise = rng.integers(0, 48, (count, 3 * side), dtype=np.uint8)
            rows[:, 1:] = shade.astype(np.uint8) + noise
            file.write(chunk(b"IDAT", deflate.compress(rows.reshape(-1).data)))
        file.write(chunk(b"IDAT", deflate.flush()))
        file.write(chunk(b"IEND", b""))


def rows(folder: Path) -> list[Row]:
    path = folder / "large.png"
    write_noise(path)
    size = path.stat().st_size
    done = subprocess.run(
        [sys.executable, "-c", _SCRIPT, str(path), str(FABS / "nocturne-gold.toml"), str(folder)],
        capture_output=True,
        text=True,
        check=True,
    )
    path.unlink()
    megabytes, seconds = (float(value) for value in done.stdout.split())
    return [
        at_most(
            "900 MP PNG (30,000 x 30,000) to masks, peak memory",
            megabytes,
            512.0,
            "MB",
            f"{seconds:.1f} s, file of {size / 1e9:.2f} GB",
        )
    ]
