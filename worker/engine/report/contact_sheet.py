"""Many boards on one picture: each one's preview with its name and error below it."""

from __future__ import annotations

import bisect
import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

from worker.engine.arrays import Srgb
from worker.engine.artwork.resample import resample
from worker.engine.report.lettering import length_px, lettering, line_height_px
from worker.engine.report.png import encode_png
from worker.engine.report.scaling import shrink_labels

CELL_PX = 160
"""As large as a result's thumbnail."""
GAP_PX = 16
TEXT_PX = 13
COLUMNS = 8
MAX_ENTRIES = 200
_GROUND, _INK, _FRAME, _FAULT = (245, 245, 243), (30, 30, 30), (214, 214, 210), (250, 226, 222)
_MAX_SIDE = 20_000
"""A preview is no larger than a job's picture may be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetEntry:
    """A board: its name, a line on it, its thumbnail or preview as PNG; None where there is none, as of what failed."""

    name: str
    line: str
    preview: bytes | None


def contact_sheet(entries: Sequence[SheetEntry], *, columns: int = COLUMNS) -> bytes:
    """A PNG of all entries in reading order, at most MAX_ENTRIES. Previews are shrunk in linear light."""
    if not 1 <= len(entries) <= MAX_ENTRIES:
        raise ValueError(f"{len(entries)} entries")
    columns = min(columns, len(entries))
    rows = -(-len(entries) // columns)
    line = line_height_px(TEXT_PX)
    step_x, step_y = CELL_PX + GAP_PX, CELL_PX + 2 * line + GAP_PX
    sheet = Image.new("RGB", (columns * step_x + GAP_PX, rows * step_y + GAP_PX), _GROUND)
    for number, entry in enumerate(entries):
        left, top = GAP_PX + number % columns * step_x, GAP_PX + number // columns * step_y
        cell = Image.new("RGB", (CELL_PX, CELL_PX), _FRAME if entry.preview is not None else _FAULT)
        if entry.preview is not None:
            small = Image.fromarray(_shrunk(entry.preview))
            cell.paste(small, ((CELL_PX - small.width) // 2, (CELL_PX - small.height) // 2))
        sheet.paste(cell, (left, top))
        for i, text in enumerate((entry.name, entry.line)):
            _write(sheet, _fitting(text), left, top + CELL_PX + i * line)
    return encode_png(np.array(sheet), palette=None, bits=8, pixels_per_metre=None)


def _shrunk(png: bytes) -> Srgb:
    """A preview that fits into a cell, uint8 (H, W, 3); averaged in linear light."""
    with Image.open(io.BytesIO(png)) as opened:
        if max(opened.size) > _MAX_SIDE:
            raise ValueError(f"a preview of {opened.size} pixels")
        image = opened if opened.mode == "P" else opened.convert("RGBA")
        scale = CELL_PX / max(image.size)
        width, height = max(1, round(image.width * scale)), max(1, round(image.height * scale))
        if scale < 1.0 and image.mode == "P":
            palette = np.array(Image.frombytes("RGBA", (256, 1), _rgba_palette(image)))
            return shrink_labels(np.asarray(image), _on_frame(palette)[0], height_px=height, width_px=width)
        srgb = _on_frame(np.asarray(image.convert("RGBA")))
        return resample(srgb, None, height_px=height, width_px=width, keep_edges=True)[0]


def _rgba_palette(image: Image.Image) -> bytes:
    """All 256 entries of an indexed picture's palette, 4 bytes each, with its transparency."""
    strip = Image.new("P", (256, 1))
    strip.putdata(range(256))
    palette = image.getpalette("RGB") or []
    strip.putpalette(palette + [0] * (768 - len(palette)))
    if "transparency" in image.info:
        strip.info["transparency"] = image.info["transparency"]
    return strip.convert("RGBA").tobytes()


def _on_frame(rgba: npt.NDArray[np.uint8]) -> Srgb:
    """Encoded sRGB with alpha, uint8 (H, W, 4), laid on the cell's colour."""
    if rgba[..., 3].min() == 255:
        return np.ascontiguousarray(rgba[..., :3])
    ground = Image.new("RGBA", rgba.shape[1::-1], (*_FRAME, 255))
    return np.array(Image.alpha_composite(ground, Image.fromarray(rgba)).convert("RGB"))


def _write(sheet: Image.Image, text: str, left: int, top: int) -> None:
    cover = lettering(text, TEXT_PX)
    sheet.paste(Image.new("RGB", cover.shape[::-1], _INK), (left, top), Image.fromarray(np.asarray(cover)))


def _fitting(text: str) -> str:
    """The text, its middle left out where it is wider than a cell."""
    if length_px(text, TEXT_PX) <= CELL_PX:
        return text
    keep = bisect.bisect_right(range(len(text)), CELL_PX, key=lambda keep: length_px(_cut(text, keep), TEXT_PX))
    return _cut(text, max(0, keep - 1))


def _cut(text: str, keep: int) -> str:
    """The text with so many letters of it kept, around a sign for what is left out."""
    return f"{text[: keep - keep // 2]}…{text[len(text) - keep // 2 :]}"
