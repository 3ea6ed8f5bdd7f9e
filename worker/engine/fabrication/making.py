"""One side of a board, made: limits kept, borders that hold, and what is known of both.

Limits are repaired first, on finishes; then the borders are drawn so that layers may shift. Where the drawing of a
border breaks a limit, it is undone around that place, farther each time: at the worst nothing is left of it, and what
was repaired breaks no limit. So a side ends without violations, and with as many borders settled as fit in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats, Srgb
from worker.engine.fabrication.bit_morphology import dilate, disc_within, frame_for, pack, unpack
from worker.engine.fabrication.limits import LimitReport, measure_limits
from worker.engine.fabrication.overlap import OverlapViolations, overlap_violations
from worker.engine.fabrication.planes import LayerPlanes
from worker.engine.fabrication.registration import Settled, settle_borders
from worker.engine.fabrication.repair import Repaired, repair
from worker.fab_profile import FabProfile

_FIRST_REACH_MM = 0.3
_TURNS = 8


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
    made, left, undone = _within_limits(repaired, settled, fab, threads)
    return MadeSide(
        planes=made,
        found=found,
        left=left,
        repaired_px=int(np.count_nonzero(repaired.changed)),
        settled=settled,
        undone_px=undone,
        overlap=overlap_violations(made, fab, threads=threads),
    )


def _within_limits(
    repaired: Repaired, settled: Settled, fab: FabProfile, threads: int
) -> tuple[LayerPlanes, LimitReport, int]:
    """The settled planes, with the repaired ones in their place wherever a limit is broken."""
    made, left = settled.planes, measure_limits(settled.planes, fab, threads=threads)
    undo = np.zeros(made.stack.shape, dtype=np.bool_)
    reach = _FIRST_REACH_MM * 1000.0 / made.pitch_um
    for turn in range(_TURNS):
        if left.total == 0:
            break
        undo |= _around(left.pixels, reach, threads) if turn < _TURNS - 1 else True
        stack = np.where(undo, repaired.planes.stack, settled.planes.stack)
        made = LayerPlanes(stack=stack, pitch_um=made.pitch_um)
        left = measure_limits(made, fab, threads=threads)
        reach *= 1.5
    return made, left, int(np.count_nonzero(undo))


def _around(pixels: npt.NDArray[np.bool_], reach_px: float, threads: int) -> npt.NDArray[np.bool_]:
    shape = disc_within(reach_px)
    frame = frame_for(*pixels.shape, largest_px=2 * int(reach_px) + 3)
    table = np.array([0, 1] + [0] * 254, dtype=np.uint8)
    bits = pack(pixels.view(np.uint8), table, frame, outside=False, threads=threads)
    return unpack(dilate(bits, shape, threads=threads), frame)
