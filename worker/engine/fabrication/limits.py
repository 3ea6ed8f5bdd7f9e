"""The fab's limits, measured on the layers as they are drawn.

Widths and gaps are rules of `width_rules.py`; beside them stand legend's distance from openings, what is drawn too near
to the board's edge, solid legend too large in one piece, and corner touches, which no opening by a disc can see: two
pixels of a layer that meet at a corner only, so that a fab joins or parts them as it happens. Legend on an opening
counts as legend too near to one.

Beyond the board, and beyond the grid, everything is taken to go on: a part that the edge cuts is not thin by that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.fabrication.bit_distances import farthest, nearest
from worker.engine.fabrication.bit_morphology import (
    Bits,
    Frame,
    blocks_held,
    corner_touches,
    dilate,
    disc_within,
    unpack,
)
from worker.engine.fabrication.bit_parts import Parts, areas_and_boxes, connected_parts, set_pixels
from worker.engine.fabrication.edge_bands import Edges
from worker.engine.fabrication.layer_bits import LayerBits, layer_bits
from worker.engine.fabrication.planes import LayerPlanes
from worker.engine.fabrication.thin_parts import space_of, thin_layers
from worker.engine.fabrication.width_rules import Layer, WidthRule, edge_px, limit_px, width_rules
from worker.fab_profile import FabProfile

LISTED = 200
"""Violations of each kind that are listed one by one, the largest first; all are counted."""

TOUCH = "corner touch"


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """One place that breaks a limit.

    limit : the profile's key, as "copper.line_mm"; "" for corner touches, which no profile sets. x_mm, y_mm : middle of
    the place, origin in the grid's lower left corner, y upward. size_mm : the width, distance or, for "solid", the area
    in mm2, that was found.
    """

    layer: Layer
    kind: str
    limit: str
    x_mm: float
    y_mm: float
    size_mm: float
    limit_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LimitReport:
    """What was measured.

    violations : the largest of each kind. counts : places of each (layer, kind) that was checked, 0 included.
    corner_touches : of each layer. found : the packed plane of the pixels that break a limit, in `frame`.
    """

    violations: tuple[Violation, ...]
    counts: Mapping[tuple[str, str], int]
    corner_touches: Mapping[str, int]
    found: Bits
    frame: Frame

    @property
    def pixels(self) -> npt.NDArray[np.bool_]:
        """bool (H, W), pixels that break a limit, for a picture with marks."""
        return unpack(self.found, self.frame)

    @property
    def total(self) -> int:
        """Places of all kinds, corner touches included."""
        return sum(self.counts.values()) + sum(self.corner_touches.values())


Sizes = Callable[[Parts, npt.NDArray[np.intp]], list[float]]
"""The size in mm, or mm2, of each chosen part."""


class _Measuring:
    """The layers, packed, and what has been found in them."""

    def __init__(self, planes: LayerPlanes, fab: FabProfile, bits: LayerBits | None, threads: int) -> None:
        self.height_px, self.mm, self.pitch_um = planes.height_px, planes.pitch_um / 1000.0, planes.pitch_um
        self.fab, self.threads = fab, threads
        self.rules = width_rules(fab, planes.pitch_um, chosen=True)
        if bits is None:
            bits = layer_bits(planes, largest_px=measured_px(fab, planes.pitch_um), threads=threads)
        self.bits = bits
        self.outside = ~self.bits.board
        self.around = Edges(outside=self.outside, plated=self.bits.plated, pads=self.bits.pads)
        self.violations: list[Violation] = []
        self.counts: dict[tuple[str, str], int] = {}
        self.touches: dict[str, int] = {}
        self.found = np.zeros(self.outside.shape, dtype=np.uint64)

    def drawn(self) -> tuple[tuple[Layer, Bits], ...]:
        """The layers that are drawn, on the board."""
        bits = self.bits
        return ("copper", bits.copper), ("solder_mask", bits.opening), ("legend", bits.legend)

    def near(self, layer: Bits, other: Bits, reach_px: int) -> Bits:
        """Pixels of a layer within reach of another plane."""
        held = blocks_held(layer, None)
        return layer & dilate(other, disc_within(reach_px), region=held, threads=self.threads)

    def width(self, rule: WidthRule) -> None:
        def widths(parts: Parts, chosen: npt.NDArray[np.intp]) -> list[float]:
            """Twice the largest distance of the place's pixels to the edge of where its discs may lie."""
            gaps = ~space_of(self.bits, rule, threads=self.threads)
            squares = farthest(parts, chosen, gaps, rule.diameter_px + 1, threads=self.threads)
            return [max(2.0 * math.sqrt(square) - 1.0, 1.0) * self.mm for square in squares.tolist()]

        self.note(thin_layers(self.bits, rule, threads=self.threads), rule.layer, rule.kind, rule.key, widths)

    def note(self, where: Bits, layer: Layer, kind: str, key: tuple[str, str], sizes: Sizes) -> None:
        """Count and list connected places."""
        self.counts[layer, kind] = 0
        if not where.any():
            return
        self.found |= where
        parts = connected_parts(where, corners=True, threads=self.threads)
        self.counts[layer, kind] = parts.count
        areas, boxes = areas_and_boxes(parts, self.bits.frame)
        chosen = np.argsort(-areas, kind="stable")[:LISTED]
        limit_mm = self.fab.limits[key].value_mm
        for box, size in zip(boxes[chosen].tolist(), sizes(parts, chosen), strict=True):
            self.violations.append(self.violation(layer, kind, ".".join(key), box, size, limit_mm))

    def violation(self, layer: Layer, kind: str, key: str, box: list[int], size: float, limit_mm: float) -> Violation:
        left, top, right, bottom = box
        return Violation(
            layer=layer,
            kind=kind,
            limit=key,
            x_mm=(left + right) / 2 * self.mm,
            y_mm=(self.height_px - (top + bottom) / 2) * self.mm,
            size_mm=size,
            limit_mm=limit_mm,
        )

    def clearance(self) -> None:
        """Legend too near to an opening, or on it."""
        key = ("legend", "clearance_mm")
        reach = limit_px(self.fab.limits[key].value_mm, self.pitch_um)

        def distances(parts: Parts, chosen: npt.NDArray[np.intp]) -> list[float]:
            squares = nearest(parts, chosen, self.bits.opening, reach + 1, threads=self.threads)
            return [(max(math.ceil(math.sqrt(square) - 1e-9), 1) - 1) * self.mm for square in squares.tolist()]

        self.note(self.near(self.bits.legend, self.bits.opening, reach), "legend", "clearance", key, distances)

    def edges(self) -> None:
        """What is drawn too near to the board's edge; that of a plated hole is none, since its ring reaches it."""
        keys = {"copper": "routed_mm", "solder_mask": "mask_mm", "legend": "legend_mm"}
        for layer, plane in self.drawn():
            key = ("edge", keys[layer])
            limit = self.fab.limits.get(key)
            if limit is None or limit.value_mm <= 0.0:
                continue
            reach, edge = edge_px(limit.value_mm, self.pitch_um), self.around.of(layer)

            def distances(
                parts: Parts, chosen: npt.NDArray[np.intp], reach: int = reach, edge: Bits = edge
            ) -> list[float]:
                squares = nearest(parts, chosen, edge, reach + 1, threads=self.threads)
                return [max(0.0, math.sqrt(square) - 1.0) * self.mm for square in squares.tolist()]

            self.note(self.near(plane, edge, reach), layer, "edge", key, distances)

    def solids(self) -> None:
        """Solid legend larger in one piece than the fab prints."""
        limit = self.fab.limits.get(("legend", "solid_area_mm2"))
        if limit is None:
            return
        mm2 = self.mm**2
        parts = connected_parts(self.bits.legend, corners=False, threads=self.threads)
        areas, boxes = areas_and_boxes(parts, self.bits.frame)
        large = np.flatnonzero(areas * mm2 > limit.value_mm)
        self.counts["legend", "solid"] = len(large)
        for i in large[:LISTED]:
            self.violations.append(
                self.violation(
                    "legend",
                    "solid",
                    "legend.solid_area_mm2",
                    boxes[i].tolist(),
                    float(areas[i]) * mm2,
                    limit.value_mm,
                )
            )

    def corner_touches(self) -> None:
        for layer, plane in self.drawn():
            where = corner_touches(plane, self.bits.board, threads=self.threads)
            rows, columns = set_pixels(where, self.bits.frame)
            self.touches[layer] = len(rows)
            if not len(rows):
                continue
            self.found |= where
            for y, x in zip(rows[:LISTED].tolist(), columns[:LISTED].tolist(), strict=True):
                self.violations.append(self.violation(layer, TOUCH, "", [x, y, x + 2, y + 2], 0.0, 0.0))


def measured_px(fab: FabProfile, pitch_um: float) -> int:
    """The widest disc that is measured with: what the pad of packed layers must hold."""
    widest = [rule.diameter_px for rule in width_rules(fab, pitch_um, chosen=True)]
    widest += [limit_px(limit.value_mm, pitch_um) for key, limit in fab.limits.items() if key[0] == "edge"]
    return max(widest) + 1


def measure_limits(
    planes: LayerPlanes, fab: FabProfile, *, bits: LayerBits | None = None, threads: int = 1
) -> LimitReport:
    """Measure every limit of the profile on one side's layers. Free copper counts as it has been chosen.

    bits : the same layers packed, with a pad for `measured_px`, where they are known.
    """
    measuring = _Measuring(planes, fab, bits, threads)
    for rule in measuring.rules:
        measuring.width(rule)
    measuring.clearance()
    measuring.edges()
    measuring.solids()
    measuring.corner_touches()
    return LimitReport(
        violations=tuple(measuring.violations),
        counts=measuring.counts,
        corner_touches=measuring.touches,
        found=measuring.found,
        frame=measuring.bits.frame,
    )
