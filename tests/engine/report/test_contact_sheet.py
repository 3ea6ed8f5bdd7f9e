"""Contact sheets, read by Pillow; mean light by IEC 61966-2-1, the standard of sRGB."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from worker.engine.report import contact_sheet as room
from worker.engine.report.contact_sheet import CELL_PX, GAP_PX, SheetEntry, contact_sheet
from worker.engine.report.lettering import length_px


def png(image: Image.Image, **more: object) -> bytes:
    out = io.BytesIO()
    image.save(out, "PNG", **more)  # type: ignore[arg-type]
    return out.getvalue()


def cell(preview: bytes | None, name: str = "owl.png") -> np.ndarray:
    """The place of the only board of a sheet, uint8 (CELL_PX, CELL_PX, 3)."""
    sheet = contact_sheet([SheetEntry(name=name, line="error 1.00", preview=preview)])
    with Image.open(io.BytesIO(sheet)) as opened:
        assert opened.format == "PNG" and opened.mode == "RGB"
        return np.asarray(opened)[GAP_PX:, GAP_PX:][:CELL_PX, :CELL_PX]


def chequers(size: int) -> np.ndarray:
    return np.indices((size, size)).sum(axis=0).astype(np.uint8) % 2


def test_a_preview_is_shrunk_in_linear_light() -> None:
    """Half of the light of white is sRGB 188 (IEC 61966-2-1: 1.055 * 0.5^(1 / 2.4) - 0.055, of 255)."""
    indexed = Image.fromarray(chequers(2 * CELL_PX))
    indexed.putpalette([0, 0, 0, 255, 255, 255])
    assert np.unique(cell(png(indexed))).tolist() == [188]
    assert np.unique(cell(png(indexed.convert("RGB")))).tolist() == [188]


def test_transparent_places_are_the_frame() -> None:
    """As at the edge of a round board: an index of its own, or alpha."""
    labels = np.zeros((2 * CELL_PX, 2 * CELL_PX), dtype=np.uint8)
    labels[:, CELL_PX:] = 255
    indexed = Image.fromarray(labels)
    indexed.putpalette([200, 30, 30, *[0] * (254 * 3), 9, 9, 9])
    for preview in (png(indexed, transparency=255), png(indexed, transparency=bytes([255] * 255 + [0]))):
        shown = cell(preview)
        assert (shown[:, : CELL_PX // 2] == (200, 30, 30)).all() and (shown[:, CELL_PX // 2 :] == room._FRAME).all()
    alpha = np.where(labels[..., None] == 255, (9, 9, 9, 0), (200, 30, 30, 255)).astype(np.uint8)
    assert (cell(png(Image.fromarray(alpha))) == shown).all()


def test_a_small_preview_keeps_its_pixels_and_its_proportions() -> None:
    small = np.zeros((2, 4, 3), dtype=np.uint8)
    small[:, :2] = 255
    shown = cell(png(Image.fromarray(small)))
    assert (shown[CELL_PX // 2, : CELL_PX // 2] == 255).all() and (shown[CELL_PX // 2, CELL_PX // 2 :] == 0).all()
    assert (shown[0] == room._FRAME).all(), "it is twice as wide as high"


def test_what_has_no_preview_is_marked_and_long_names_fit() -> None:
    assert (cell(None) == room._FAULT).all()
    name = "birds/of/the/northern/woods/" + "w" * 60 + "/owl.png"
    cut = room._fitting(name)
    assert length_px(cut, room.TEXT_PX) <= CELL_PX < length_px(name, room.TEXT_PX)
    assert cut.startswith("birds/") and cut.endswith("owl.png") and "…" in cut
    longer = room._cut(name, len(cut))
    assert length_px(longer, room.TEXT_PX) > CELL_PX, "one letter more would not fit"
    assert room._fitting("owl.png") == "owl.png"


def test_a_sheet_has_a_number_of_places() -> None:
    with pytest.raises(ValueError, match="0 entries"):
        contact_sheet([])
