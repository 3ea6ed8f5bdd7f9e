"""The artwork and what every fab would show of it, side by side on one picture."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
from PIL import Image

from worker.engine.arrays import Float32s, Srgb
from worker.engine.colorimetry import srgb_encoded, xyz_to_linear_rgb
from worker.engine.plan.ranking import Ranked
from worker.engine.report.contact_sheet import MAX_ENTRIES, SheetEntry, contact_sheet

_LARGEST_PX = 900


def encoded_picture(xyz: Float32s) -> Srgb:
    """uint8 (h, w, 3), encoded sRGB, of blocks' XYZ, float32 (3, h, w)."""
    linear = np.clip(xyz_to_linear_rgb(np.moveaxis(xyz, 0, -1)), 0.0, 1.0)
    return np.rint(255.0 * srgb_encoded(linear)).astype(np.uint8)


def preview_png(xyz: Float32s) -> bytes:
    """A board as PNG, no larger than 900 pixels."""
    image = Image.fromarray(encoded_picture(xyz))
    image.thumbnail((_LARGEST_PX, _LARGEST_PX), Image.Resampling.BOX)
    out = io.BytesIO()
    image.save(out, "PNG", compress_level=1)
    return out.getvalue()


def plan_sheet(artwork: bytes, ranked: Sequence[Ranked], previews: Sequence[bytes]) -> bytes:
    """PNG: the artwork first, then every board in its place."""
    entries = [SheetEntry(name="artwork", line="", preview=artwork)]
    for one, preview in zip(ranked[: MAX_ENTRIES - 1], previews, strict=False):
        line = f"{one.place}. {one.outlook.mean:.1f} +- {one.outlook.uncertainty:.1f}, {one.outlook.edges}"
        entries.append(SheetEntry(name=one.outlook.fab.id, line=line, preview=preview))
    return contact_sheet(entries, columns=5)
