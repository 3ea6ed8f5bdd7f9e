"""Two readers of Gerber files that we did not write: gerbonara with resvg, and Debian's gerbv."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import resvg_py
from gerbonara.rs274x import GerberFile
from gerbonara.utils import MM
from PIL import Image

needs_gerbv = pytest.mark.skipif(
    shutil.which("gerbv") is None, reason="gerbv is not there: apt-get install --no-install-recommends gerbv"
)


def drawn_by_gerbonara(data: bytes, height_px: int, width_px: int, pitch_um: float) -> np.ndarray:
    """bool (H, W): what gerbonara reads, drawn by resvg at the pixels' centres."""
    mm = pitch_um / 1000.0
    bounds = ((0, 0), (width_px * mm, height_px * mm))
    gerber = GerberFile.from_string(data.decode("ascii"))
    svg = str(gerber.to_svg(force_bounds=bounds, arg_unit=MM, svg_unit=MM, fg="white", bg="black"))
    svg = re.sub(r'width="[^"]*" height="[^"]*"', f'width="{width_px}" height="{height_px}"', svg, count=1)
    svg = svg.replace("<svg ", '<svg shape-rendering="crispEdges" ', 1)
    png = resvg_py.svg_to_bytes(svg_string=svg)
    return np.asarray(Image.open(io.BytesIO(bytes(png))).convert("L")) > 127


def drawn_by_gerbv(data: bytes, height_px: int, width_px: int, pitch_um: float, folder: Path) -> np.ndarray:
    """bool (H, W): what gerbv draws, anti-aliased, in pixels of the grid."""
    source, out = folder / "layer.gbr", folder / "layer.png"
    source.write_bytes(data)
    dpi = 25400.0 / pitch_um
    window = f"-W{(width_px + 100) / dpi:.6f}x{(height_px + 100) / dpi:.6f}"  # it refuses tiny ones
    colours = ["-b#000000", "-f#FFFFFFFF"]
    command = [
        "gerbv",
        "-x",
        "png",
        f"-D{dpi:.6g}",
        "-B0",
        "-O0x0",
        window,
        "-a",
        *colours,
        "-o",
        str(out),
        str(source),
    ]
    subprocess.run(command, check=True, capture_output=True)
    picture = np.asarray(Image.open(out).convert("L")) > 127
    return picture[len(picture) - height_px :, :width_px]
