"""One side of a board, made: limits kept, borders that hold, and what is known of both.

Limits are repaired first, on finishes; then the borders are drawn so that layers may shift. Where the drawing of a
border breaks a limit, it is undone around that place, farther each time. What is undone is as it was repaired, and that
breaks no limit: so a side ends without violations, and with as much of its borders settled as fits in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.fabrication.bit_morphology import (
    count,
    unpack,
)
from worker.engine.fabrication.layer_bits import layer_bits
from worker.engine.fabrication.layer_faults import widest_px
from worker.engine.fabrication.limits import LimitReport, measure_limits, measured_px
from worker.engine.fabrication.overlap import OverlapViolations, overlap_violations, shifted_px
from worker.engine.fabrication.planes import LayerPlanes
from worker.engine.fabrication.registration import (
    BorderReport,
    border_reports,
    draw_borders,
    drawing_reach_px,
    redrawn,
)
from worker.engine.fabrication.repair import partition_of, repair_board
from worker.engine.fabrication.undoing import drawn_since, undo_faults
from worker.engine.painted import PixelColours
from worker.fab_profile import FabProfile


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadeSide:
    """A side as it will be drawn.

    planes : the layers. found : violations before anything was done. left : what is still there. repaired_px : pixels
    that show another finish than was asked for, after the repair. borders : of the repaired design, and what stands
    along them now. swapped_mm2 : area beyond the rims that was swapped for them. undone_px : pixels where the drawing
    of a border was undone for a limit's sake. overlap : what shifts would still uncover.
    """

    planes: LayerPlanes
    found: LimitReport
    left: LimitReport
    repaired_px: int
    borders: tuple[BorderReport, ...]
    swapped_mm2: float
    undone_px: int
    overlap: OverlapViolations

    @property
    def unsettled_mm(self) -> float:
        """Length of the borders that depend on two layers' edges and are drawn as they were designed, with no rim."""
        return sum(border.met_mm for border in self.borders if not border.crisp)


def make_side(
    planes: LayerPlanes,
    fab: FabProfile,
    lab: Floats,
    srgb: PixelColours,
    *,
    forbidden: frozenset[str] = frozenset(),
    threads: int = 1,
) -> MadeSide:
    """Repair a side's layers, settle its borders, and measure what came of it.

    Parameters
    ----------
    planes : each pixel must show a finish of the profile, or be off the board.
    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    srgb : encoded sRGB of (H, W, 3), on the grid of the planes: what repairs and rims are judged by. The artwork;
        where the design is not meant to be like it pixel by pixel, as where it is dithered, the design's own colours.
    forbidden : ids of the finishes that no rim may show.
    """
    found = measure_limits(planes, fab, threads=threads)
    board = partition_of(planes, fab, lab, threads=threads)
    del planes  # a byte for each pixel, that the repair has better use for
    repaired = repair_board(board, srgb)
    del board
    return draw_side(
        repaired.planes,
        fab,
        lab,
        srgb,
        found=found,
        repaired_px=repaired.changed_px,
        forbidden=forbidden,
        threads=threads,
    )


def draw_side(
    design: LayerPlanes,
    fab: FabProfile,
    lab: Floats,
    srgb: PixelColours,
    *,
    found: LimitReport,
    repaired_px: int,
    forbidden: frozenset[str] = frozenset(),
    threads: int = 1,
) -> MadeSide:
    """The second half of `make_side`: settle the borders of a design that was repaired before.

    Parameters as in `make_side` and `MadeSide`.
    """
    pitch_um = design.pitch_um
    largest_px = max(widest(fab, pitch_um) for widest in (drawing_reach_px, widest_px, measured_px, shifted_px))
    bits = layer_bits(design, largest_px=largest_px, threads=threads)
    before = bits.with_drawn(bits.copper.copy(), bits.opening.copy(), bits.legend.copy())
    swapped = draw_borders(bits, fab, lab, srgb, pitch_um, forbidden=forbidden, choose=False, threads=threads)
    undone = undo_faults(bits, before, fab, pitch_um, threads=threads)
    made = redrawn(design, bits, fab, threads=threads)
    left = measure_limits(made, fab, bits=bits, threads=threads)
    if left.total and left.total > (as_designed := measure_limits(design, fab, bits=before, threads=threads)).total:
        # What no window shows: legend joined into pieces larger than the fab prints.
        made, left, undone, bits = design, as_designed, undone + count(drawn_since(bits, before)), before
    overlap = overlap_violations(made, fab, bits=bits, threads=threads)
    del bits, before  # a board of 200 MB in planes, beside which the reports need their own
    return MadeSide(
        planes=made,
        found=found,
        left=left,
        repaired_px=repaired_px,
        borders=border_reports(design, made, fab, threads=threads),
        swapped_mm2=swapped * (pitch_um / 1000.0) ** 2,
        undone_px=undone,
        overlap=overlap,
    )


def within_limits(
    kept: LayerPlanes, changed: LayerPlanes, fab: FabProfile, *, excuse_kept: bool = False, threads: int = 1
) -> tuple[LayerPlanes, int]:
    """The changed planes, but as they were kept wherever the change breaks a limit; and how many pixels were undone.

    `excuse_kept` : what breaks a limit as it was kept is not held against the change.
    """
    largest_px = widest_px(fab, kept.pitch_um)
    before, bits = (layer_bits(planes, largest_px=largest_px, threads=threads) for planes in (kept, changed))
    drawn = drawn_since(bits, before)
    if undo_faults(bits, before, fab, kept.pitch_um, excuse_before=excuse_kept, threads=threads) == 0:
        return changed, 0
    undone = unpack(drawn & ~drawn_since(bits, before), bits.frame)
    made = LayerPlanes(stack=np.where(undone, kept.stack, changed.stack), pitch_um=kept.pitch_um)
    return made, int(np.count_nonzero(undone))
