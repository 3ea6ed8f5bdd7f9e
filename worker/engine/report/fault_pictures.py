"""Two pictures of what may go wrong: places that break a fab's limit, marked, and layers that land where it shows most.

At most 2,048 pixels long. A place that breaks a limit is red however small it is: where a pixel stands for several, any
of them counts.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats, Srgb
from worker.engine.fabrication.bit_morphology import unpack
from worker.engine.fabrication.bit_parts import areas_and_boxes, chosen_parts, connected_parts
from worker.engine.fabrication.layer_bits import pack_bit
from worker.engine.fabrication.limits import LimitReport
from worker.engine.fabrication.planes import LEGEND, LayerPlanes
from worker.engine.fabrication.shifts import NOMINAL, Shift, shifted_labels
from worker.engine.report.pictures import label_colours, labels_png
from worker.engine.report.png import encode_png
from worker.fab_profile import FabProfile

LONGEST_PX = 2048
FRAMED = 100
"""So many places are framed and numbered, in the order of the report's list."""
FAULT, MARK = (220, 0, 0), (0, 0, 0)
_PALE = 0.35
_LEAST_MARK_PX = 24


def worst_shift_png(planes: LayerPlanes, fab: FabProfile, lab: Floats, shift: Shift) -> bytes:
    """PNG bytes of what a side shows where its layers have landed so; of a large board every so many pixels.

    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    """
    step = _step(planes)
    return labels_png(shifted_labels(planes, fab, shift, step=step), label_colours(lab), planes.pitch_um * step)


def broken_limits_png(planes: LayerPlanes, fab: FabProfile, lab: Floats, found: LimitReport) -> bytes:
    """PNG bytes of a side in pale colours, with the pixels that break a limit in red and numbered frames round them.

    found : measured on these planes.
    """
    step = _step(planes)
    colours = 255.0 - _PALE * (255.0 - label_colours(lab))
    picture = np.rint(colours).astype(np.uint8)[shifted_labels(planes, fab, NOMINAL, step=step)]
    faults = _reduced(found.pixels | _large_legend(planes, found), step)
    picture[faults[: picture.shape[0], : picture.shape[1]]] = FAULT
    return encode_png(_framed(picture, planes, found, step), palette=None, bits=8, pixels_per_metre=None)


def _large_legend(planes: LayerPlanes, found: LimitReport) -> npt.NDArray[np.bool_]:
    """bool (H, W): solid legend in pieces larger than the fab prints, which is no fault of any one pixel."""
    most = [place.limit_mm for place in found.violations if place.kind == "solid"]
    if not most:
        return np.zeros(planes.stack.shape, dtype=np.bool_)
    parts = connected_parts(pack_bit(planes.stack, LEGEND, found.frame), corners=False)
    areas, _ = areas_and_boxes(parts, found.frame)
    large = areas * (planes.pitch_um / 1000.0) ** 2 > most[0]
    return unpack(chosen_parts(parts, large, found.found.shape), found.frame)


def _step(planes: LayerPlanes) -> int:
    return -(-max(planes.height_px, planes.width_px) // LONGEST_PX)


def _reduced(plane: npt.NDArray[np.bool_], block: int) -> npt.NDArray[np.bool_]:
    """A pixel for each block, true where any of it is."""
    rows = np.logical_or.reduceat(plane, np.arange(0, plane.shape[0], block), axis=0)
    return np.asarray(np.logical_or.reduceat(rows, np.arange(0, plane.shape[1], block), axis=1))


def _framed(picture: Srgb, planes: LayerPlanes, found: LimitReport, step: int) -> Srgb:
    from PIL import Image, ImageDraw

    image = Image.fromarray(picture)
    draw = ImageDraw.Draw(image)
    pixel_mm = step * planes.pitch_um / 1000.0
    for number, place in enumerate(found.violations[:FRAMED], 1):
        x, y = place.x_mm / pixel_mm, planes.height_px / step - place.y_mm / pixel_mm
        half = _LEAST_MARK_PX / 2.0
        draw.rectangle((x - half, y - half, x + half, y + half), outline=MARK, width=2)
        at = (min(max(x - half, 0), image.width - 30), max(y - half - 22, 0))
        draw.text(at, str(number), fill=MARK, font_size=20)
    return np.asarray(image)
