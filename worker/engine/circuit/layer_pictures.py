"""Pictures of single files of a circuit, for people to see which layer each is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from worker.engine.circuit.circuit import Circuit
from worker.engine.circuit.reading import with_attributes
from worker.engine.fabrication.gerber_reader import ReadHole, ReadLayer, read_drill, read_gerber, shifted
from worker.engine.fabrication.grid import Grid
from worker.engine.fabrication.layer_drawing import Window, draw_layers
from worker.engine.fabrication.read_outline import holes_layer
from worker.engine.fabrication.returned_files import is_drill
from worker.engine.report.png import encode_png
from worker.errors import MaskwrightError

LONGEST_PX = 1000
_MARGIN = 0.03


def layer_pictures(
    files: Mapping[str, bytes], names: Sequence[str], circuit: Circuit | None = None
) -> Iterator[tuple[str, bytes]]:
    """Name and PNG bytes of a picture of each file, dark on white; all show the same part of the board, y upward.

    `circuit` : of these files, where they were read already.
    """
    read = {} if circuit is None else {layer.name: layer.drawing for layer in circuit.layers}
    drawings = {
        name: drawing for name in names if (drawing := read.get(name) or _drawing(name, files[name])) is not None
    }
    boxes = [drawing.boxes for drawing in drawings.values() if len(drawing.boxes)]
    if not boxes:
        return
    every = np.concatenate(boxes)
    (left, low), (right, high) = every[:, :2].min(axis=0).tolist(), every[:, 2:].max(axis=0).tolist()
    margin = max(right - left, high - low, 0.1) * _MARGIN
    pitch = (max(right - left, high - low) + 2 * margin) / LONGEST_PX
    grid = Grid(
        height_px=max(1, int((high - low + 2 * margin) / pitch)),
        width_px=max(1, int((right - left + 2 * margin) / pitch)),
        pitch_nm=max(1, round(pitch * 1e6)),
    )
    window = Window(left=0, top=0, right=grid.width_px, bottom=grid.height_px)
    for name, drawing in drawings.items():
        (drawn,) = draw_layers([shifted(drawing, margin - left, margin - low)], grid, window)
        picture: npt.NDArray[np.uint8] = (~drawn).astype(np.uint8)
        yield f"{name.replace('/', '-')}.png", encode_png(picture, palette=None, bits=1, pixels_per_metre=None)


def _drawing(name: str, data: bytes) -> ReadLayer | None:
    """What a file draws; None where it can't be read: of that, its error tells."""
    try:
        if is_drill(data):
            return _holes(name, read_drill(data, name=name).holes)
        return read_gerber(with_attributes(data, name=name), name=name)
    except MaskwrightError:
        return None


def _holes(name: str, holes: Sequence[ReadHole]) -> ReadLayer | None:
    return replace(holes_layer(holes), name=name) if holes else None
