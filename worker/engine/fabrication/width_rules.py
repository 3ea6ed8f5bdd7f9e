"""The limits of a profile as rules of one kind: some part of the picture must be covered by discs that fit in it.

A line is wide enough where discs of the limit's diameter that lie in the layer cover it, and a gap where discs that lie
outside the layer do: opening by a disc, which is what a fab's own check does. (Common practice, no source.) A square
corner is never covered: what lies within 0.45 of the radius of a disc's cover is let pass, since the corner's tip is
0.414 of the radius away.

A disc may use what is spare: pixels off the board, since a part that the board's edge cuts is not thin by that; copper
that may be there or not; and, between bare metal parts, mask.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from worker.engine.fabrication.planes import BOARD, COPPER, FREE_COPPER, HATCHED, LEGEND, OPENING
from worker.fab_profile import FabProfile

CORNER_TOLERANCE = 0.45

Layer = Literal["copper", "solder_mask", "legend"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WidthRule:
    """Every pixel of the part lies in a disc of this diameter that lies in the part and what is spare.

    part, spare : of a pixel's stack of layer bits (`planes.py`), on the board. spare_reach_px : the disc may go this
    far beyond the spare.
    """

    layer: Layer
    kind: str
    key: tuple[str, str]
    limit_mm: float
    diameter_px: int
    part: Callable[[int], bool]
    spare: Callable[[int], bool]
    spare_reach_px: int = 0

    def part_table(self) -> npt.NDArray[np.uint8]:
        """uint8 (256,): 1 for stacks of the part."""
        return _table(lambda bits: bool(bits & BOARD) and self.part(bits))

    def spare_table(self) -> npt.NDArray[np.uint8]:
        """uint8 (256,): 1 for stacks that are spare, off the board included."""
        return _table(lambda bits: not bits & BOARD or self.spare(bits))


def _table(wanted: Callable[[int], bool]) -> npt.NDArray[np.uint8]:
    return np.array([wanted(bits) for bits in range(256)], dtype=np.uint8)


def limit_px(limit_mm: float, pitch_um: float) -> int:
    """The least whole number of pixels that is no less than the limit, 1 at least."""
    return max(1, math.ceil(limit_mm * 1000.0 / pitch_um - 1e-6))


def edge_px(limit_mm: float, pitch_um: float) -> int:
    """How far from the first pixel off the board a pixel's centre may not lie: 0.3 mm free of copper are that many."""
    return limit_px(limit_mm, pitch_um)


def _nothing(bits: int) -> bool:
    return False


def _free(bits: int) -> bool:
    return bool(bits & FREE_COPPER)


def width_rules(fab: FabProfile, pitch_um: float, *, chosen: bool) -> tuple[WidthRule, ...]:
    """The rules of the profile's limits.

    chosen : whether free copper has been chosen: then COPPER counts as it stands; else free copper is spare.
    """
    spare = _nothing if chosen else _free

    def copper(bits: int) -> bool:
        return bool(bits & COPPER) and (chosen or not bits & FREE_COPPER)

    def no_copper(bits: int) -> bool:
        return not bits & COPPER and (chosen or not bits & FREE_COPPER)

    def rule(
        layer: Layer,
        kind: str,
        key: tuple[str, str],
        part: Callable[[int], bool],
        spare: Callable[[int], bool] = _nothing,
        reach_px: int = 0,
    ) -> WidthRule:
        limit = fab.limits[key].value_mm
        return WidthRule(
            layer=layer,
            kind=kind,
            key=key,
            limit_mm=limit,
            diameter_px=limit_px(limit, pitch_um),
            part=part,
            spare=spare,
            spare_reach_px=reach_px,
        )

    line = max((("legend", "line_mm"), ("legend", "dot_mm")), key=lambda key: fab.limits[key].value_mm)
    metal_px = limit_px(fab.limits["copper", "metal_gap_mm"].value_mm, pitch_um)
    web_px = limit_px(fab.limits["solder_mask", "web_mm"].value_mm, pitch_um)
    rules = [
        rule("solder_mask", "opening", ("solder_mask", "opening_mm"), lambda bits: bool(bits & OPENING)),
        rule("solder_mask", "web", ("solder_mask", "web_mm"), lambda bits: not bits & OPENING),
        rule("legend", "line", line, lambda bits: bool(bits & LEGEND)),
        rule("legend", "gap", ("legend", "gap_mm"), lambda bits: not bits & LEGEND),
        rule("copper", "line", ("copper", "line_mm"), copper, spare),
        rule("copper", "gap", ("copper", "gap_mm"), no_copper, spare),
        # Metal parts with no mask between: a bare strip is let pass where mask is so near that strip and web together
        # are as wide as the gap must be.
        rule(
            "copper",
            "metal gap",
            ("copper", "metal_gap_mm"),
            lambda bits: bool(bits & OPENING) and not bits & COPPER,
            lambda bits: not bits & OPENING,
            max(0, metal_px - web_px),
        ),
    ]
    if any(finish.recipe.copper == "hatch" for finish in fab.finishes):
        rules.append(rule("copper", "hatch", ("copper", "hatch_mm"), lambda bits: bool(bits & HATCHED)))
    return tuple(rules)
