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
from worker.engine.fabrication.pixel_blocks import any_in_blocks
from worker.engine.fabrication.planes import LEGEND, LayerPlanes
from worker.engine.fabrication.shifts import NOMINAL, Shift, shifted_labels
from worker.engine.report.marked_places import LEAST_MARK_PX, marked, pixels_for_each
from worker.engine.report.pictures import label_colours, labels_png
from worker.engine.report.png import encode_png
from worker.fab_profile import FabProfile

FRAMED = 100
"""So many places are framed and numbered, in the order of the report's list."""
FAULT = (220, 0, 0)
_PALE = 0.35


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
    faults = any_in_blocks(found.pixels | _large_legend(planes, found), step)
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
    return pixels_for_each(planes.height_px, planes.width_px)


def _framed(picture: Srgb, planes: LayerPlanes, found: LimitReport, step: int) -> Srgb:
    pixel_mm, half = step * planes.pitch_um / 1000.0, LEAST_MARK_PX / 2.0
    frames = [
        (place.x_mm / pixel_mm, planes.height_px / step - place.y_mm / pixel_mm, half, half)
        for place in found.violations[:FRAMED]
    ]
    return marked(picture, frames)
