"""Copper kept under the mask wherever the mask may land: for boards on which no metal may be bare.

Finishes of bare metal are left out before the artwork is separated. But where copper under mask stands beside bare
laminate, an opening ends at the copper's edge, and a mask that lands a little off bares a strip of it. So copper is
drawn back from every opening by the fab's tolerance, and what is then too thin for the fab goes.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.fabrication.bit_morphology import dilate, disc, disc_within, frame_for, opened, pack, unpack
from worker.engine.fabrication.border_rule import whole_pixels
from worker.engine.fabrication.layer_bits import pack_bit
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.planes import COPPER, FREE_COPPER, HATCHED, OPENING, LayerPlanes
from worker.fab_profile import FabProfile

_TURNS = 6
_SET = np.array([0] + [1] * 255, dtype=np.uint8)


def cover_copper(planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> LayerPlanes:
    """The planes with no copper in an opening, nor nearer to one than the mask may shift."""
    reach = whole_pixels(fab.limits["solder_mask", "registration_mm"].value_mm, planes.pitch_um)
    line = max(1, whole_pixels(fab.limits["copper", "line_mm"].value_mm, planes.pitch_um))
    frame = frame_for(planes.height_px, planes.width_px, largest_px=max(line, 2 * reach + 1))
    openings = pack_bit(planes.stack, OPENING, frame, threads=threads)
    if not openings.any():
        return planes
    copper = pack_bit(planes.stack, COPPER, frame, threads=threads)
    near = dilate(openings, disc_within(float(reach)), threads=threads)
    if not (copper & near).any():
        return planes
    kept = opened(copper & ~near, disc(line), threads=threads)
    for _ in range(_TURNS):
        found = measure_limits(_without(planes, unpack(copper & ~kept, frame)), fab, threads=threads)
        if not found.corner_touches["copper"] and not any(
            n for (layer, _), n in found.counts.items() if "copper" in layer
        ):
            break
        wrong = pack(found.pixels.view(np.uint8), _SET, frame, outside=False)
        around = dilate(wrong, disc(2 * line), threads=threads)
        kept = opened(kept & ~around, disc(line), threads=threads)
    return _without(planes, unpack(copper & ~kept, frame))


def _without(planes: LayerPlanes, gone: npt.NDArray[np.bool_]) -> LayerPlanes:
    stack = np.where(gone, planes.stack & np.uint8(255 - COPPER - HATCHED - FREE_COPPER), planes.stack)
    return LayerPlanes(stack=stack.astype(np.uint8), pitch_um=planes.pitch_um)
