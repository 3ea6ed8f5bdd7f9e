"""Places that art keeps out of, painted in a picture of the board as it is seen from the top."""

from __future__ import annotations

import numpy as np

from worker.circuit_file import Painting
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.grid import aspect_of, place_on_grid
from worker.engine.artwork.ground import OPAQUE_FROM
from worker.engine.artwork.picture import WantedSize
from worker.engine.circuit.rasters import Mask
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.fabrication.board import SIZE_SLACK, BoardShape
from worker.errors import ArtworkError, CircuitError

DARK_BELOW = 50.0
"""L* of CIELAB: darker is kept free."""


def painted_places(painting: Painting, shape: BoardShape, *, threads: int = 1) -> Mask:
    """bool (H, W), on the shape's grid, as seen from the top: where the painting is dark and opaque.

    It covers the box round the board's outline. CircuitError where it can't be read, or has another shape.
    """
    height, width = shape.board.shape
    mm = shape.pitch_um / 1000.0
    size = WantedSize(width_mm=width * mm, height_mm=height * mm, pitch_um=shape.pitch_um)
    try:
        read = read_artwork(painting.data, name=painting.name, size=size)
    except ArtworkError as error:
        raise CircuitError(error.what, mend=error.mend, setting="keep_out") from error
    stretch = aspect_of(read) * height / width
    if read.format != "SVG" and abs(stretch - 1.0) > SIZE_SLACK:
        raise CircuitError(
            f"{painting.name} is {read.srgb.shape[1]} x {read.srgb.shape[0]} px, and the circuit's board "
            f"{width * mm:.4g} x {height * mm:.4g} mm.",
            mend="Paint the places on a picture of the whole board, of its proportions.",
            setting="keep_out",
        )
    picture = place_on_grid(read, size, smallest_feature_um=shape.pitch_um, flat=True, threads=threads)
    colours, inverse = np.unique(picture.srgb.reshape(-1, 3), axis=0, return_inverse=True)
    dark = (srgb_to_lab(colours)[:, 0] < DARK_BELOW)[inverse].reshape(height, width)
    if picture.alpha is not None:
        dark &= picture.alpha >= OPAQUE_FROM
    if dark.all():
        raise CircuitError(
            f"{painting.name} is dark everywhere, so it leaves art no room.",
            mend="Paint dark what art keeps out of, and leave the rest light or transparent.",
            setting="keep_out",
        )
    return np.asarray(dark)
