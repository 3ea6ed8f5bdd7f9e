"""Many boards on one picture: each one's preview with its name and error below it."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

from worker.engine.colorimetry import SRGB_TO_LINEAR, srgb_encoded
from worker.engine.report.lettering import lettering, line_height_px

CELL_PX = 176
GAP_PX = 16
TEXT_PX = 13
COLUMNS = 8
MAX_ENTRIES = 200
_GROUND, _INK, _FRAME, _FAULT = (245, 245, 243), (30, 30, 30), (214, 214, 210), (250, 226, 222)
_MAX_SIDE = 20_000
"""A preview is no larger than a job's picture may be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetEntry:
    """A board: its name and a line on it, and its preview as PNG; None where there is none, as of what failed."""

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
            small = _shrunk(entry.preview)
            cell.paste(small, ((CELL_PX - small.width) // 2, (CELL_PX - small.height) // 2))
        sheet.paste(cell, (left, top))
        for i, text in enumerate((entry.name, entry.line)):
            _write(sheet, _fitting(text), left, top + CELL_PX + i * line)
    out = io.BytesIO()
    sheet.save(out, "PNG", optimize=False)
    return out.getvalue()


def _shrunk(png: bytes) -> Image.Image:
    """A preview that fits into a cell, averaged in linear light."""
    with Image.open(io.BytesIO(png)) as opened:
        if max(opened.size) > _MAX_SIDE:
            raise ValueError(f"a preview of {opened.size} pixels")
        image = opened.convert("RGBA")
    ground = Image.new("RGBA", image.size, (*_FRAME, 255))
    image = Image.alpha_composite(ground, image).convert("RGB")
    scale = CELL_PX / max(image.size)
    size = (max(1, round(image.width * scale)), max(1, round(image.height * scale)))
    if scale >= 1.0:
        return image.resize(size, Image.Resampling.NEAREST)
    linear = [
        Image.fromarray(SRGB_TO_LINEAR[np.asarray(band)]).resize(size, Image.Resampling.BOX) for band in image.split()
    ]
    stacked = np.stack([np.asarray(band) for band in linear], axis=-1)
    return Image.fromarray(np.rint(255.0 * srgb_encoded(stacked)).astype(np.uint8))


def _write(sheet: Image.Image, text: str, left: int, top: int) -> None:
    cover = lettering(text, TEXT_PX)
    sheet.paste(Image.new("RGB", cover.shape[::-1], _INK), (left, top), Image.fromarray(np.asarray(cover)))


def _fitting(text: str) -> str:
    """The text, its middle left out where it is wider than a cell."""
    if lettering(text, TEXT_PX).shape[1] <= CELL_PX:
        return text
    keep = len(text)
    while keep > 2:
        keep -= 1
        short = f"{text[: keep - keep // 2]}…{text[len(text) - keep // 2 :]}"
        if lettering(short, TEXT_PX).shape[1] <= CELL_PX:
            return short
    return "…"
