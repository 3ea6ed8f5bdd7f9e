"""Masks as the files hold them: PNG bytes, read by Pillow."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from PIL import Image

from worker.engine.pipeline import Conversion
from worker.engine.report.pictures import mask_png

Mask = npt.NDArray[np.bool_]


def read_mask(png: bytes) -> Mask:
    image = Image.open(io.BytesIO(png))
    assert image.format == "PNG" and image.mode == "1"
    return np.asarray(image, dtype=bool)


def written_masks(conversion: Conversion) -> dict[str, Mask]:
    """bool (H, W) by finish id, from the mask files' bytes alone."""
    return {
        finish.id: read_mask(mask_png(conversion.separation.labels, i, conversion.picture.pitch_um))
        for i, finish in enumerate(conversion.fab.finishes)
    }


def masks_of_files(files: dict[str, bytes]) -> dict[str, Mask]:
    return {
        name.removeprefix("masks/").removesuffix(".png"): read_mask(data)
        for name, data in files.items()
        if name.startswith("masks/")
    }
