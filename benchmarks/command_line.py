"""`maskwright convert` of a small artwork from the shell, as a user waits for it."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from PIL import Image

from benchmarks.demo_board import FABS
from benchmarks.pictures import photo_like
from benchmarks.row import Row, at_most
from worker.settings import child_environment

ROUNDS = 5


def rows(folder: Path) -> list[Row]:
    path = folder / "small.png"
    Image.fromarray(photo_like(512, 512)).save(path)
    command = [
        sys.executable,
        "-m",
        "worker",
        "convert",
        str(path),
        "--fab",
        str(FABS / "nocturne-gold.toml"),
        "--width",
        "40mm",
        "--out",
        str(folder / "out"),
    ]
    environment = child_environment({"MASKWRIGHT_CACHE_DIR": str(folder / "cache")})
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    best = float("inf")
    for turn in range(ROUNDS + 1):
        begin = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, env=environment)
        if turn:
            best = min(best, time.perf_counter() - begin)
    return [at_most("maskwright convert of a 512 px artwork, warm caches", best, 2.0, "s", f"best of {ROUNDS}")]
