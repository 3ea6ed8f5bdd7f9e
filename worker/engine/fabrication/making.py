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
    BLOCK,
    Bits,
    Region,
    blocks_held,
    count,
    dilate,
    disc_within,
    reached,
    region_of,
    unpack,
    wider,
)
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.board_windows import FEW, Window, in_windows, mask_of
from worker.engine.fabrication.layer_bits import LayerBits, layer_bits
from worker.engine.fabrication.layer_faults import LayerFaults, widest_px
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
from worker.engine.fabrication.repair import repair
from worker.engine.fabrication.rims import widened
from worker.engine.fabrication.sparse_bits import add, common, copy_where, remove, take_over, without
from worker.engine.painted import PixelColours
from worker.fab_profile import FabProfile

_CREEP = (0.03,) * 8
_CUT = (0.24, 0.0, 0.0)
_BITES = (0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)
_WIDE_BITES = (1.0,)
_REACHES_MM = (
    0.0,
    0.0,
    *_CREEP[:4],
    *_CUT,
    *_CUT,
    *_CUT,
    *_CREEP,
    *(reach for bite in _BITES for reach in (bite, *_CREEP)),
)
"""How far around a broken limit the drawing is undone, turn by turn; after them whole parts of it are. Many small steps
keep far more of a border than a few large ones: each cut leaves spikes, and what mends them is small. But along a
straight border small steps may creep on and on: a cut far wider than the rim ends it squarely."""
_ROOM = 3
"""How many blocks are around faults in windows: what is undone creeps along a border."""
_BESIDE_PX = 4.0
"""A fault so near to a drawn one waits for what the undoing of that one does."""


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
    repaired = repair(planes, fab, lab, srgb=srgb, threads=threads)
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
    largest_px = max(drawing_reach_px(fab, pitch_um), widest_px(fab, pitch_um), measured_px(fab, pitch_um))
    bits = layer_bits(design, largest_px=max(largest_px, shifted_px(fab, pitch_um)), threads=threads)
    before = bits.with_drawn(bits.copper.copy(), bits.opening.copy(), bits.legend.copy())
    swapped = draw_borders(bits, fab, lab, srgb, pitch_um, forbidden=forbidden, choose=False, threads=threads)
    undone = undo_faults(bits, before, fab, pitch_um, threads=threads)
    made = redrawn(design, bits, fab, threads=threads)
    left = measure_limits(made, fab, bits=bits, threads=threads)
    if left.total and left.total > (as_designed := measure_limits(design, fab, bits=before, threads=threads)).total:
        # What no window shows: legend joined into pieces larger than the fab prints.
        made, left, undone, bits = design, as_designed, undone + count(_drawn(bits, before)), before
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
    drawn = _drawn(bits, before)
    if undo_faults(bits, before, fab, kept.pitch_um, excuse_before=excuse_kept, threads=threads) == 0:
        return changed, 0
    undone = unpack(drawn & ~_drawn(bits, before), bits.frame)
    made = LayerPlanes(stack=np.where(undone, kept.stack, changed.stack), pitch_um=kept.pitch_um)
    return made, int(np.count_nonzero(undone))


def undo_faults(
    bits: LayerBits,
    before: LayerBits,
    fab: FabProfile,
    pitch_um: float,
    *,
    excuse_before: bool = False,
    threads: int = 1,
) -> int:
    """Draw layers as they were before, wherever what was drawn since then breaks a limit, in place.

    What is too thin by itself goes first; then what lies around a fault, farther each time it is still there.
    Returns how many pixels were undone. `before` must break no limit, else what it breaks stays; with `excuse_before`
    it may, and nothing is undone for that; then a fault may stay that is still there when all is undone around it.
    """
    faults_in = LayerFaults(bits, fab, pitch_um, threads=threads)
    if excuse_before:
        faults_in.excuse(before)
    drawn = _drawn(bits, before)
    at_first = count(drawn)
    outside = faults_in.too_far_out(bits) & drawn
    _undo(bits, before, outside, drawn, region_of(outside, 0))
    board = _Undoing(bits=bits, before=before, drawn=drawn, faults_in=faults_in, pitch_um=pitch_um, threads=threads)
    region = reached(drawn, region_of(drawn, 0), faults_in.reach_px)
    faults = faults_in(bits, region)
    apart = False
    for turn in range(len(_REACHES_MM)):
        room = widened(blocks_held(faults, region), _ROOM)
        if turn > 0 and not apart and room.mean() < FEW:
            # What is left then hangs together over more than a window, or lies where two of them end.
            apart, region = True, wider(room)
            board.apart(faults, room, turn)
            faults = faults_in(bits, region)
        if not blocks_held(faults, region).any():
            return at_first - count(drawn)
        region = board.turn(faults, region, _REACHES_MM[turn], None)
    if excuse_before:
        # What is drawn may hang on all of what it was drawn upon, so that its whole parts are most of it.
        for reach_mm in _WIDE_BITES:
            if not faults.any():
                break
            wide = _grown(faults, region_of(faults, 0), reach_mm * 1000.0 / pitch_um, threads)[0] & drawn
            _undo(bits, before, wide, drawn, region_of(wide, 0))
            faults = faults_in(bits)
        return at_first - count(drawn)
    while faults.any():
        near = _grown(faults, region_of(faults, 0), _BITES[-1] * 1000.0 / pitch_um, threads)[0] & drawn
        if not near.any():
            break
        whole = _whole_parts(near, drawn, threads)
        _undo(bits, before, whole, drawn, region_of(whole, 0))
        faults = faults_in(bits)
    return at_first - count(drawn)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Undoing:
    """Layers that are drawn as they were before around their faults: a board's, or those of a window on it.

    drawn : what differs from before.
    """

    bits: LayerBits
    before: LayerBits
    drawn: Bits
    faults_in: LayerFaults
    pitch_um: float
    threads: int

    def turn(self, faults: Bits, region: Region, reach_mm: float, own: Region | None) -> Region:
        """Undo what lies around the faults, all in the region; the blocks that may hold faults then. `faults` are what
        is left, in place; `own` : where they count."""
        at = blocks_held(faults, region)
        itself = common(faults, self.drawn, at)
        waits = dilate(itself, disc_within(_BESIDE_PX), region=at, threads=self.threads)
        where, far = _grown(without(faults, waits, at), at, reach_mm * 1000.0 / self.pitch_um, self.threads)
        where = common(where, self.drawn, far)
        add(where, itself, at)
        held = blocks_held(where, far)
        _undo(self.bits, self.before, where, self.drawn, held)
        held = reached(where, held, self.faults_in.reach_px)
        if own is not None:
            held &= own
        take_over(faults, self.faults_in(self.bits, held), held)
        return held | at

    def apart(self, faults: Bits, room: Region, first_turn: int) -> None:
        """Undo what lies around the faults in windows, each by itself and turn by turn."""
        planes = self.bits.copper, self.bits.opening, self.bits.legend, self.drawn
        start = self.bits.with_drawn(*(plane.copy() for plane in planes[:3]))
        drawn = self.drawn.copy()

        def work(window: Window) -> None:
            part = _Undoing(
                bits=window.cut_layers(start),
                before=window.cut_layers(self.before),
                drawn=window.cut(drawn),
                faults_in=self.faults_in.window(window),
                pitch_um=self.pitch_um,
                threads=1,
            )
            left = window.cut(faults) & mask_of(window.own, len(part.drawn))
            region = window.own
            for reach_mm in _REACHES_MM[first_turn:]:
                if not left.any():
                    break
                region = part.turn(left, region, reach_mm, window.own)
            for plane, made in zip(
                planes, (part.bits.copper, part.bits.opening, part.bits.legend, part.drawn), strict=True
            ):
                window.paste(plane, made)

        in_windows(work, room, self.drawn.shape, self.threads)


def _drawn(bits: LayerBits, before: LayerBits) -> Bits:
    return np.asarray((bits.copper ^ before.copper) | (bits.opening ^ before.opening) | (bits.legend ^ before.legend))


def _grown(bits: Bits, held: Region, reach_px: float, threads: int) -> tuple[Bits, Region]:
    """What lies within reach, and blocks that hold all of it. held : blocks that hold all bits."""
    while reach_px > 0.0:
        step, held = min(reach_px, BLOCK - 4.0), wider(held)
        bits = dilate(bits, disc_within(step), region=held, threads=threads)
        reach_px -= step
    return bits, held


def _whole_parts(near: Bits, drawn: Bits, threads: int) -> Bits:
    parts = connected_parts(drawn, corners=True, threads=threads)
    return chosen_parts(parts, pixels_in_parts(near, parts) > 0, drawn.shape, threads=threads)


def _undo(bits: LayerBits, before: LayerBits, where: Bits, drawn: Bits, region: Region) -> None:
    """Draw these pixels, all in the region, as they were before, in place, and take them off what is drawn."""
    for plane, old in (
        (bits.copper, before.copper),
        (bits.opening, before.opening),
        (bits.legend, before.legend),
    ):
        copy_where(plane, old, where, region)
    remove(drawn, where, region)
