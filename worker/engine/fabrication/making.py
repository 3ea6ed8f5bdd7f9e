"""One side of a board, made: limits kept, borders that hold, and what is known of both.

Limits are repaired first, on finishes; then the borders are drawn so that layers may shift. Where the drawing of a
border breaks a limit, it is undone around that place, farther each time: at the worst nothing is left of it, and what
was repaired breaks no limit. So a side ends without violations, and with as many borders settled as fit in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Floats, Srgb
from worker.engine.fabrication.bit_morphology import dilate, disc_within, frame_for, pack, unpack
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.limits import LimitReport, measure_limits
from worker.engine.fabrication.overlap import OverlapViolations, overlap_violations
from worker.engine.fabrication.planes import DRAWN, LayerPlanes
from worker.engine.fabrication.registration import Settled, settle_borders
from worker.engine.fabrication.repair import repair
from worker.fab_profile import FabProfile

_FIRST_REACH_MM = 0.05
_FARTHEST_MM = 2.0
_TURNS = 8
_ANY = np.array([0] + [1] * 255, dtype=np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadeSide:
    """A side as it will be drawn.

    planes : the layers. found : violations before anything was done. left : what is still there. repaired_px : pixels
    that show another finish than was asked for, after the repair. settled : the borders, as they were drawn first.
    undone_px : pixels where that drawing was undone for a limit's sake. overlap : what shifts would still uncover.
    """

    planes: LayerPlanes
    found: LimitReport
    left: LimitReport
    repaired_px: int
    settled: Settled
    undone_px: int
    overlap: OverlapViolations


def make_side(planes: LayerPlanes, fab: FabProfile, lab: Floats, srgb: Srgb, *, threads: int = 1) -> MadeSide:
    """Repair a side's layers, settle its borders, and measure what came of it.

    Parameters
    ----------
    planes : each pixel must show a finish of the profile, or be off the board.
    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    srgb : uint8 (H, W, 3), encoded sRGB: the artwork on the grid of the planes.
    """
    found = measure_limits(planes, fab, threads=threads)
    repaired = repair(planes, fab, lab, threads=threads)
    settled = settle_borders(repaired.planes, fab, lab, srgb, threads=threads)
    made, left, undone = within_limits(repaired.planes, settled.planes, fab, threads=threads)
    return MadeSide(
        planes=made,
        found=found,
        left=left,
        repaired_px=int(np.count_nonzero(repaired.changed)),
        settled=settled,
        undone_px=undone,
        overlap=overlap_violations(made, fab, threads=threads),
    )


def within_limits(
    kept: LayerPlanes, changed: LayerPlanes, fab: FabProfile, *, threads: int = 1
) -> tuple[LayerPlanes, LimitReport, int]:
    """The changed planes without those parts of the change that break a limit; what is left; pixels that were undone.

    A part is undone whole: cut off in the middle it would leave a spike.
    """
    made, left = changed, measure_limits(changed, fab, threads=threads)
    before, pitch_um = kept.stack, made.pitch_um
    frame = frame_for(*before.shape, largest_px=2 * round(_FARTHEST_MM * 1000.0 / pitch_um) + 3)
    reach_px, undone = _FIRST_REACH_MM * 1000.0 / pitch_um, 0
    for turn in range(_TURNS):
        if left.total == 0:
            break
        drawn = pack((made.stack ^ before) & np.uint8(DRAWN), _ANY, frame, outside=False, threads=threads)
        parts = connected_parts(drawn, corners=True, threads=threads)
        near = dilate(
            pack(left.pixels.view(np.uint8), _ANY, frame, outside=False, threads=threads),
            disc_within(reach_px),
            threads=threads,
        )
        chosen = pixels_in_parts(near, parts) > 0 if turn < _TURNS - 1 else np.ones(parts.count, dtype=np.bool_)
        undo = unpack(chosen_parts(parts, chosen, drawn.shape, threads=threads), frame)
        made = LayerPlanes(stack=np.where(undo, before, made.stack), pitch_um=pitch_um)
        left = measure_limits(made, fab, threads=threads)
        undone += int(np.count_nonzero(undo))
        reach_px = min(2.0 * reach_px, _FARTHEST_MM * 1000.0 / pitch_um)
    return made, left, undone
