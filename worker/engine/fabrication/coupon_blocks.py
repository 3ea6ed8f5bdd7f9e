"""What stands on a coupon beside its patches: tests of every limit, combs, rims and a scale, for one profile."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from worker.engine.arrays import Lab
from worker.engine.fabrication.layer_pairs import LayerPair, copper_pair, legend_pair, opening_pair
from worker.engine.fabrication.layer_tests import (
    BAR_MM,
    STEP_MM,
    CombTest,
    LimitTest,
    comb,
    dot_ramp,
    hatch_ramp,
    line_set,
    neighbours,
)
from worker.engine.fabrication.lettering import Pen
from worker.engine.fabrication.shapes import Block, Box, Feature, Shape
from worker.fab_profile import FabProfile
from worker.patch_map import Rectangle

SCALE_MM = 50
APART = 1.5
"""Parts that are not tested against each other stay this many of the wider limit apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerTests:
    """Which limits of a layer are tested by lines and by dots, drawn and undrawn."""

    caption: str
    layer: str
    line: str
    gap: str
    dot: str
    hole: str


COPPER = LayerTests(caption="CU", layer="copper", line="line_mm", gap="gap_mm", dot="line_mm", hole="gap_mm")
MASK = LayerTests(caption="MASK", layer="solder_mask", line="opening_mm", gap="web_mm", dot="opening_mm", hole="web_mm")
LEGEND = LayerTests(caption="LEGEND", layer="legend", line="line_mm", gap="gap_mm", dot="dot_mm", hole="gap_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """What this profile or pitch gives no means to test, and why."""

    what: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coverings:
    """The profile, and the pairs of its finishes that show each layer."""

    fab: FabProfile
    ids: tuple[str, ...]
    masked_copper: LayerPair | None
    bare_copper: LayerPair | None
    opening: LayerPair | None
    legend: LayerPair | None

    @property
    def copper(self) -> LayerPair | None:
        """The pair that shows copper: under the solder mask where it can be seen there."""
        return self.masked_copper or self.bare_copper

    def limit(self, layer: str, key: str) -> float:
        """A limit of the profile in mm."""
        return self.fab.limits[layer, key].value_mm

    def test(self, pair: LayerPair, layer: str, limit: str, other: str, *, undrawn: bool) -> LimitTest:
        """The test of one limit, drawn parts or gaps; `other` is the limit of what lies between them."""
        return LimitTest(
            layer=layer,
            limit=limit,
            limit_mm=self.limit(layer, limit),
            apart_mm=APART * max(self.limit(layer, limit), self.limit(layer, other)),
            finish=pair.without if undrawn else pair.having,
            field=pair.having if undrawn else pair.without,
            ids=self.ids,
        )


def coverings(fab: FabProfile, lab: Lab) -> Coverings:
    """The pairs of a profile whose finishes have these colours."""
    return Coverings(
        fab=fab,
        ids=tuple(finish.id for finish in fab.finishes),
        masked_copper=copper_pair(fab, lab, bare=False),
        bare_copper=copper_pair(fab, lab, bare=True),
        opening=opening_pair(fab, lab),
        legend=legend_pair(fab, lab),
    )


def limit_blocks(known: Coverings, pen: Pen, caption_gap: float) -> Iterator[Block | LeftOut]:
    """Lines, gaps, dots and hatches of every layer."""
    for layer, pair in ((COPPER, known.copper), (MASK, known.opening), (LEGEND, known.legend)):
        if pair is None:
            yield LeftOut(what=f"lines and dots of {layer.layer}", why=f"no two finishes differ in {layer.layer} alone")
            continue
        line = known.test(pair, layer.layer, layer.line, layer.gap, undrawn=False)
        gap = known.test(pair, layer.layer, layer.gap, layer.line, undrawn=True)
        dot = known.test(pair, layer.layer, layer.dot, layer.hole, undrawn=False)
        hole = known.test(pair, layer.layer, layer.hole, layer.dot, undrawn=True)
        yield captioned(pen, f"{layer.caption} LINE", line_set(line), caption_gap)
        yield captioned(pen, f"{layer.caption} GAP", line_set(gap), caption_gap)
        yield captioned(pen, f"{layer.caption} DOTS", dot_ramp(dot), caption_gap)
        yield captioned(pen, f"{layer.caption} HOLES", dot_ramp(hole), caption_gap)
    if known.copper is not None:
        hatch = known.test(known.copper, "copper", "hatch_mm", "hatch_mm", undrawn=False)
        yield captioned(pen, "CU HATCH", hatch_ramp(hatch), caption_gap)
    if known.bare_copper is None:
        yield LeftOut(what="gaps between bare metal", why="no two finishes differ in bare copper alone")
    else:
        bare = known.test(known.bare_copper, "copper", "metal_gap_mm", "line_mm", undrawn=True)
        yield captioned(pen, "BARE GAP", line_set(bare), caption_gap)


def comb_blocks(known: Coverings, pen: Pen, caption_gap: float, pitch_mm: float) -> Iterator[Block | LeftOut]:
    """Combs for the shift of the solder mask and of the legend against the copper, along x and along y."""
    for layer, upper in ((MASK, known.opening), (LEGEND, known.legend)):
        why = _no_comb(known, layer, upper, pitch_mm)
        if why:
            yield LeftOut(what=f"combs of {layer.layer} to copper", why=why)
            continue
        assert known.copper is not None and upper is not None
        built = comb(_comb_test(known, layer, known.copper, upper))
        yield captioned(pen, f"{layer.caption}-CU X", built, caption_gap)
        yield captioned(pen, f"{layer.caption}-CU Y", built.turned(), caption_gap)


def _no_comb(known: Coverings, layer: LayerTests, upper: LayerPair | None, pitch_mm: float) -> str:
    """Why a comb can't be drawn; empty where it can."""
    if known.copper is None or upper is None:
        return f"no finishes show copper and {layer.layer} each alone"
    keys = (
        (COPPER.layer, COPPER.line),
        (COPPER.layer, COPPER.gap),
        (layer.layer, layer.line),
        (layer.layer, layer.gap),
    )
    widest = max(known.limit(*key) for key in keys)
    if widest > BAR_MM:
        return f"its bars of {BAR_MM} mm are below the limit of {widest:g} mm"
    if pitch_mm > STEP_MM + 1e-9:
        return f"its steps of {STEP_MM:.3f} mm are finer than the pitch of {pitch_mm:g} mm"
    return ""


def _comb_test(known: Coverings, layer: LayerTests, copper: LayerPair, upper: LayerPair) -> CombTest:
    largest = known.limit(layer.layer, "registration_mm")
    opened = known.fab.finishes[copper.without].recipe.mask_opening
    # Legend beside an opening is clipped: its bars keep off by the clearance, and by what the legend may shift.
    clear = known.limit("legend", "clearance_mm") + largest if layer is LEGEND and opened else 0.0
    return CombTest(
        name=f"{layer.layer} to copper",
        main=copper,
        vernier=upper,
        limit="registration_mm",
        largest_mm=largest,
        clear_mm=clear,
        ids=known.ids,
    )


def rim_block(known: Coverings, pen: Pen, caption_gap: float, width: float) -> Block:
    """Every two finishes side by side."""
    return captioned(pen, "RIMS", neighbours(known.ids, width), caption_gap)


def scale_block(known: Coverings, pen: Pen) -> Block:
    """A scale of 50 mm, a tick for each millimetre; the middles of the ticks count."""
    numbers = [pen.line(str(value)) for value in range(0, SCALE_MM + 1, 10)]
    begin = max(numbers[0].width, pen.stroke) / 2
    shapes: list[Shape] = []
    for value in range(SCALE_MM + 1):
        length = 2.0 if value % 10 == 0 else 1.5 if value % 5 == 0 else 1.0
        tick = Rectangle(x=begin + value - pen.stroke / 2, y=2.0 - length, width=pen.stroke, height=length)
        shapes.append(Box(place=tick, finish=pen.finish))
    for i, number in enumerate(numbers):
        shapes += number.at(begin + 10 * i - number.width / 2, 2.0 + 2 * pen.stroke).shapes
    ticks = Rectangle(x=begin, y=0, width=SCALE_MM, height=2.0)
    return Block(
        width=begin + SCALE_MM + numbers[-1].width / 2,
        height=2.0 + 2 * pen.stroke + numbers[0].height,
        shapes=tuple(shapes),
        features=(
            Feature(
                kind="scale",
                place=ticks,
                finish=known.ids[pen.finish],
                direction="x",
                nominal_mm=float(SCALE_MM),
                note="from the middle of the first tick to that of the last; a tick for each millimetre",
            ),
        ),
    )


def captioned(pen: Pen, caption: str, block: Block, gap: float) -> Block:
    """A block with its name above it."""
    line = pen.line(caption)
    body = block.at(0.0, line.height + gap)
    return Block(
        width=max(line.width, block.width),
        height=line.height + gap + block.height,
        shapes=(*line.shapes, *body.shapes),
        features=body.features,
    )
