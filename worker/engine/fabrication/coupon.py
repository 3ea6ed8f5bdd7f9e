"""The test coupon of a fab: a board that shows each of its finishes, and what becomes of every limit.

Patches stand in rows above and below a band that holds the tests. Every row has copper on the far side, or none: light
spreads sideways in the laminate, so a patch and its neighbours stand on the same ground.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from worker.engine.arrays import FinishMask, Lab, Labels
from worker.engine.fabrication.coupon_blocks import (
    Coverings,
    LeftOut,
    comb_blocks,
    coverings,
    limit_blocks,
    rim_block,
    scale_block,
)
from worker.engine.fabrication.layer_pairs import writing_finish
from worker.engine.fabrication.lettering import Pen, pen_for
from worker.engine.fabrication.packing import pack
from worker.engine.fabrication.scatter import REPEATS, scatter
from worker.engine.fabrication.shapes import Block, Box, Canvas, Disc, Feature, Grid, shifted
from worker.errors import CouponError
from worker.fab_profile import DISTANCES, LIMITS, UNSTATED_LIMITS, FabProfile
from worker.finish import FarCopper
from worker.patch_map import Patch, PatchMap, Rectangle

PATCH_MM = 10.0
GAP_MM = 1.0
FIDUCIAL_MM = 2.0
FROM_EDGE_MM = 0.6
"""Nothing but the background comes nearer to the board's edge; where the fab wants more, it gets more."""
SURROUND_MM = 12.0
"""Width of the neutral ring that a photograph shows around the board."""
DEFAULT_PITCH_UM = 12.5
"""Divides the combs' 1.000 and 0.975 mm, and every limit that is a multiple of 0.0125 mm, without a rest."""
MAX_PIXELS = 200_000_000
MAX_SIDE_MM = 300.0
_MARK_MM = 1.5
LONGEST_ASPECT = 1.6
CHEAP_SIDE_MM = 100.0
"""Side up to which prototype boards are cheap (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coupon:
    """A laid out coupon.

    labels : uint8 (H, W), the finish of every pixel. far_copper : bool (H, W) or None, copper on the far side as seen
    from the top, None for a one-sided board. `features` lie where they are on the grid.
    """

    fab: FabProfile
    pitch_um: float
    labels: Labels
    far_copper: FinishMask | None
    patch_map: PatchMap
    features: tuple[Feature, ...]
    left_out: tuple[LeftOut, ...]
    writing: str

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        return self.patch_map.width_mm, self.patch_map.height_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """Sizes of one board: columns of patches, the far side of each row, and the band of tests: (x, y, block) in it."""

    columns: int
    from_edge: float
    rows: tuple[FarCopper, ...]
    header: Block
    band: tuple[tuple[float, float, Block], ...]
    band_height: float
    row_step: float
    left_out: tuple[LeftOut, ...]

    @property
    def width(self) -> float:
        return 2 * self.margin + self.columns * (PATCH_MM + GAP_MM) - GAP_MM

    @property
    def margin(self) -> float:
        """Room for a fiducial beside the patches."""
        return self.from_edge + FIDUCIAL_MM + 0.4

    @property
    def header_top(self) -> float:
        return self.from_edge + 0.3

    @property
    def rows_above(self) -> int:
        return math.ceil(len(self.rows) / 2)

    @property
    def first_row(self) -> float:
        return max(self.margin, self.header_top + self.header.height + 0.7)

    @property
    def band_top(self) -> float:
        return self.first_row + self.rows_above * self.row_step + GAP_MM / 2

    @property
    def height(self) -> float:
        below = (len(self.rows) - self.rows_above) * self.row_step
        return math.ceil(2.0 * (self.band_top + self.band_height + GAP_MM + below + self.from_edge + 1.4) - 1e-6) / 2.0

    @property
    def rank(self) -> tuple[bool, float]:
        """Boards that prototype fabs make cheaply come first, then the least area."""
        return max(self.width, self.height) > CHEAP_SIDE_MM, self.width * self.height

    def row_top(self, row: int) -> float:
        """Upper edge of a row of patches."""
        if row < self.rows_above:
            return self.first_row + row * self.row_step
        return self.band_top + self.band_height + GAP_MM + (row - self.rows_above) * self.row_step


def far_states(fab: FabProfile) -> tuple[FarCopper, ...]:
    """What the far side can have: a one-sided board has no copper there."""
    return ("none", "solid") if fab.stack_up["sides"] == 2 else ("none",)


def wanted_on(fab: FabProfile, state: FarCopper) -> list[int]:
    """Indices of the finishes that are shown over this far side: all but those that are defined by another."""
    return [i for i, finish in enumerate(fab.finishes) if finish.recipe.far_copper in ("unknown", state)]


def lay_out_coupon(fab: FabProfile, lab: Lab, *, pitch_um: float = DEFAULT_PITCH_UM) -> Coupon:
    """Lay out the coupon of a fab.

    Parameters
    ----------
    lab : float64 (n, 3)
        CIELAB (D65/2 degree) of each finish, by which pairs and lettering are chosen for contrast.
    pitch_um : float
        Size of a pixel, 5 to 100 micrometres.

    Raises
    ------
    CouponError
        The pitch is too coarse for the narrowest limit, or the board becomes too large, or a finish wants copper on the
        far side of a one-sided board.
    """
    _check(fab, pitch_um)
    background = [finish.id for finish in fab.finishes].index(fab.background)
    writing = writing_finish(fab, lab, background)
    pen = pen_for(fab, writing)
    plan = _best_plan(fab, lab, pen, pitch_um / 1000.0)
    grid = Grid(pitch_mm=pitch_um / 1000.0)
    width, height = (grid.length(side) for side in (plan.width, plan.height))
    if grid.pixels(width) * grid.pixels(height) > MAX_PIXELS:
        raise CouponError(
            f"The coupon of {fab.id} is {width:g} x {height:g} mm, over {MAX_PIXELS} pixels of {pitch_um:g} um.",
            mend="Choose a coarser --pitch, or fewer finishes.",
        )
    canvas = Canvas(grid, width, height, background)
    patches = _patches(fab, plan, grid)
    blocks = [
        plan.header.at(plan.margin + 1.0, plan.header_top),
        *(block.at(plan.margin + x, plan.band_top + y) for x, y, block in plan.band),
        *(_patch_block(fab, patch, pen) for patch in patches),
        _fiducials(fab, writing, plan.from_edge + FIDUCIAL_MM / 2, width, height),
    ]
    for block in blocks:
        for shape in block.shapes:
            canvas.draw(shape)
    return Coupon(
        fab=fab,
        pitch_um=pitch_um,
        labels=canvas.labels,
        far_copper=_far_copper(canvas, patches) if fab.stack_up["sides"] == 2 else None,
        patch_map=_patch_map(fab, patches, width, height),
        features=tuple(
            replace(feature, place=grid.laid(feature.place)) for block in blocks for feature in block.features
        ),
        left_out=plan.left_out,
        writing=fab.finishes[writing].id,
    )


def _check(fab: FabProfile, pitch_um: float) -> None:
    sizes = {name: limit.value_mm for name, limit in fab.limits.items() if name in TESTED}
    (layer, key), narrowest = min(sizes.items(), key=lambda entry: entry[1])
    if pitch_um > 500.0 * narrowest + 1e-9:
        raise CouponError(
            f"A pitch of {pitch_um:g} um is too coarse: half of limits.{layer}.{key}, {narrowest:g} mm, is narrower.",
            mend=f"Choose a --pitch of at most {500.0 * narrowest:g}um.",
        )
    if fab.stack_up["sides"] == 1:
        for finish in fab.finishes:
            if finish.recipe.far_copper == "solid":
                raise CouponError(
                    f"Finish {finish.id!r} wants copper on the far side, and stack_up.sides of {fab.id} is 1.",
                    mend="Correct recipe.far_copper or stack_up.sides in the profile.",
                )


TESTED = tuple(
    (layer, key)
    for layer in ("copper", "solder_mask", "legend")
    for key in LIMITS[layer]
    if (layer, key) not in UNSTATED_LIMITS and key not in DISTANCES
)
"""The limits that a coupon tests."""


def _best_plan(fab: FabProfile, lab: Lab, pen: Pen, pitch_mm: float) -> _Plan:
    """The best plan by its rank among those that are not too long, tried column by column."""
    known, gap = coverings(fab, lab), _caption_gap(fab)
    tests = [*limit_blocks(known, pen, gap), *comb_blocks(known, pen, gap, pitch_mm)]
    most = int(MAX_SIDE_MM // (PATCH_MM + GAP_MM))
    plans = [_plan(known, pen, tests, columns) for columns in range(5, most + 1)]
    fitting = [
        plan
        for plan in plans
        if plan is not None
        and max(plan.width, plan.height) <= min(MAX_SIDE_MM, LONGEST_ASPECT * min(plan.width, plan.height))
    ]
    if not fitting:
        widest, layer, key = max((fab.limits[name].value_mm, *name) for name in TESTED)
        raise CouponError(
            f"The coupon of {fab.id} does not fit into {MAX_SIDE_MM:g} x {MAX_SIDE_MM:g} mm.",
            mend=f"Its widest limit is limits.{layer}.{key}, {widest:g} mm: correct it, or list fewer finishes.",
        )
    return min(fitting, key=lambda plan: plan.rank)


def _plan(known: Coverings, pen: Pen, tests: Sequence[Block | LeftOut], columns: int) -> _Plan | None:
    """The plan of a board with so many columns of patches; None where something is too wide for it."""
    fab, gap = known.fab, _caption_gap(known.fab)
    width = columns * (PATCH_MM + GAP_MM) - GAP_MM
    blocks = [
        *(test for test in tests if isinstance(test, Block)),
        rim_block(known, pen, gap, width),
        scale_block(known, pen),
        pen.lines(_key_text(fab), width),
    ]
    if max(block.width for block in blocks) > width:
        return None
    band, height = pack(blocks, width, max(GAP_MM, gap))
    counts = [(state, math.ceil(REPEATS * len(wanted_on(fab, state)) / columns)) for state in far_states(fab)]
    return _Plan(
        columns=columns,
        from_edge=max(FROM_EDGE_MM, *(fab.limits["edge", key].value_mm for key in LIMITS["edge"])),
        rows=tuple(state for row in range(max(n for _, n in counts)) for state, n in counts if row < n),
        header=pen.lines(f"COUPON {fab.id} REV {fab.revision}", width - 2.0),
        band=tuple(band),
        band_height=height,
        row_step=PATCH_MM + 2 * gap + pen.height + pen.stroke,
        left_out=tuple(test for test in tests if isinstance(test, LeftOut)),
    )


def _caption_gap(fab: FabProfile) -> float:
    """Space between a caption and an opening: legend is clipped closer by."""
    return max(0.35, fab.limits["legend", "clearance_mm"].value_mm + 0.1)


def _key_text(fab: FabProfile) -> str:
    """What the captions' numbers mean."""
    finishes = ", ".join(f"{i} {finish.id}" for i, finish in enumerate(fab.finishes, start=1))
    far = " F = COPPER ON THE FAR SIDE." if fab.stack_up["sides"] == 2 else ""
    return f"{finishes}.{far} PARTS BELOW A LIMIT ARE ON PURPOSE: LEAVE THEM."


def _patches(fab: FabProfile, plan: _Plan, grid: Grid) -> list[Patch]:
    side = math.ceil(PATCH_MM / grid.pitch_mm - 1e-9) * grid.pitch_mm
    patches = []
    for state in far_states(fab):
        wanted = wanted_on(fab, state)
        slots = [
            (plan.margin + column * (PATCH_MM + GAP_MM), plan.row_top(row))
            for row, far in enumerate(plan.rows)
            if far == state
            for column in range(plan.columns)
        ]
        count = dict.fromkeys(wanted, 0)
        for (x, y), kind in zip(slots, scatter(np.array(slots), len(wanted)), strict=True):
            if kind < 0:
                continue
            count[wanted[kind]] += 1
            patches.append(
                Patch(
                    finish=fab.finishes[wanted[kind]].id,
                    place=grid.laid(Rectangle(x=x, y=y, width=side, height=side)),
                    repeat=count[wanted[kind]],
                    far_copper=state,
                )
            )
    return patches


def _patch_block(fab: FabProfile, patch: Patch, pen: Pen) -> Block:
    """A patch and its caption below: number and id where they fit, else one of them; F over far copper.

    A patch of the background is told by marks at its corners.
    """
    index = [finish.id for finish in fab.finishes].index(patch.finish)
    far = " F" if patch.far_copper == "solid" else ""
    texts = (f"{index + 1} {patch.finish}{far}", f"{patch.finish}{far}", f"{index + 1}{far}")
    text = next((text for text in texts if pen.width(text) <= PATCH_MM + GAP_MM / 2), texts[-1])
    caption = pen.line(text).at(patch.place.x, patch.place.y + patch.place.height + _caption_gap(fab))
    return Block(
        width=PATCH_MM,
        height=PATCH_MM,
        shapes=(
            Box(place=patch.place, finish=index),
            *caption.shapes,
            *(_corner_marks(patch.place, pen) if patch.finish == fab.background else ()),
        ),
    )


def _corner_marks(place: Rectangle, pen: Pen) -> Iterator[Box]:
    """Short upright lines beside the corners of a patch, in the middle of the gap."""
    for x in (place.x - GAP_MM / 2, place.x + place.width + GAP_MM / 2):
        for y in (place.y, place.y + place.height - _MARK_MM):
            mark = Rectangle(x=x - pen.stroke / 2, y=y, width=pen.stroke, height=_MARK_MM)
            yield Box(place=mark, finish=pen.finish)


def _fiducials(fab: FabProfile, writing: int, near: float, width: float, height: float) -> Block:
    """A disc in every corner, its middle `near` mm from both edges; the one at the upper left is a ring."""
    background = [finish.id for finish in fab.finishes].index(fab.background)
    centres = [(near, near), (width - near, near), (width - near, height - near), (near, height - near)]
    discs = [Disc(x=x, y=y, diameter=FIDUCIAL_MM, finish=writing) for x, y in centres]
    hole = Disc(x=near, y=near, diameter=FIDUCIAL_MM / 2, finish=background)
    return Block(
        width=width,
        height=height,
        shapes=(*discs, hole),
        features=tuple(
            Feature(
                kind="fiducial",
                place=Rectangle(x=x - FIDUCIAL_MM / 2, y=y - FIDUCIAL_MM / 2, width=FIDUCIAL_MM, height=FIDUCIAL_MM),
                finish=fab.finishes[writing].id,
                field=fab.background,
                nominal_mm=FIDUCIAL_MM,
                note="disc" if number else "the odd one: a ring",
            )
            for number, (x, y) in enumerate(centres)
        ),
    )


def _far_copper(canvas: Canvas, patches: list[Patch]) -> FinishMask:
    """Copper below every patch that wants it and half the gap around, so that a row's patches have one ground."""
    far = np.zeros(canvas.labels.shape, dtype=np.bool_)
    for patch in patches:
        if patch.far_copper == "solid":
            around = replace(
                shifted(patch.place, -GAP_MM / 2, -GAP_MM / 2),
                width=patch.place.width + GAP_MM,
                height=patch.place.height + GAP_MM,
            )
            left, right, top, bottom = canvas.grid.bounds(around)
            far[top:bottom, left:right] = True
    return far


def _patch_map(fab: FabProfile, patches: list[Patch], width: float, height: float) -> PatchMap:
    board = Rectangle(x=0.0, y=0.0, width=round(width, 6), height=round(height, 6))
    off, wide = 2.0, SURROUND_MM - 2.0
    across, down = board.width + 2 * (off + wide), board.height + 2 * off
    return PatchMap(
        width_mm=board.width,
        height_mm=board.height,
        coupon_corners=board.corners,
        patches=tuple(patches),
        surround=(
            Rectangle(x=-off - wide, y=-off - wide, width=across, height=wide),
            Rectangle(x=board.width + off, y=-off, width=wide, height=down),
            Rectangle(x=-off - wide, y=board.height + off, width=across, height=wide),
            Rectangle(x=-off - wide, y=-off, width=wide, height=down),
        ),
        note=f"Coupon of {fab.id}, revision {fab.revision}, seen from the top.",
    )
