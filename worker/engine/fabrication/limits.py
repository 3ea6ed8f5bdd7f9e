"""The fab's limits, measured on the layers as they are drawn.

Widths and gaps are rules of `width_rules.py`; beside them stand legend's distance from openings, what is drawn too near
to the board's edge, solid legend too large in one piece, and corner touches, which no opening by a disc can see: two
pixels of a layer that meet at a corner only, so that a fab joins or parts them as it happens. Legend on an opening
counts as legend too near to one.

Beyond the board, and beyond the grid, everything is taken to go on: a part that the edge cuts is not thin by that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt

from worker.engine.fabrication.bit_morphology import (
    Bits,
    Disc,
    Frame,
    corner_touches,
    dilate,
    disc,
    disc_within,
    frame_for,
    opened,
    pack,
    unpack,
)
from worker.engine.fabrication.bit_parts import areas_and_boxes, connected_parts
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.fabrication.width_rules import CORNER_TOLERANCE, Layer, WidthRule, edge_px, limit_px, width_rules
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
    corner_touches : of each layer. pixels : bool (H, W), pixels that break a limit, for a picture with marks.
    """

    violations: tuple[Violation, ...]
    counts: Mapping[tuple[str, str], int]
    corner_touches: Mapping[str, int]
    pixels: npt.NDArray[np.bool_]

    @property
    def total(self) -> int:
        """Places of all kinds, corner touches included."""
        return sum(self.counts.values()) + sum(self.corner_touches.values())


class _Measuring:
    """The planes, packed, and what has been found in them."""

    def __init__(self, planes: LayerPlanes, fab: FabProfile, threads: int) -> None:
        self.planes, self.fab, self.threads = planes, fab, threads
        self.rules = width_rules(fab, planes.pitch_um, chosen=True)
        widest = [rule.diameter_px for rule in self.rules]
        widest += [limit_px(limit.value_mm, planes.pitch_um) for key, limit in fab.limits.items() if key[0] == "edge"]
        self.frame: Frame = frame_for(planes.height_px, planes.width_px, largest_px=max(widest) + 1)
        self.violations: list[Violation] = []
        self.counts: dict[tuple[str, str], int] = {}
        self.touches: dict[str, int] = {}
        self.found = np.zeros(self.frame.shape, dtype=np.uint64)
        self.outside = ~self.plane(lambda bits: bool(bits & BOARD))

    def plane(self, wanted) -> Bits:  # type: ignore[no-untyped-def]
        table = np.array([bool(wanted(bits)) for bits in range(256)], dtype=np.uint8)
        return pack(self.planes.stack, table, self.frame, outside=False, threads=self.threads)

    def drawn(self, bit: int) -> Bits:
        return self.plane(lambda bits: bits & BOARD and bits & bit)

    def grown(self, bits: Bits, shape: Disc) -> Bits:
        return dilate(bits, shape, threads=self.threads)

    def width(self, rule: WidthRule) -> None:
        part = pack(self.planes.stack, rule.part_table(), self.frame, outside=False, threads=self.threads)
        if not part.any():
            self.counts[rule.layer, rule.kind] = 0
            return
        if rule.spare_reach_px:
            space = pack(self.planes.stack, rule.spare_table(), self.frame, outside=True, threads=self.threads)
            space = self.grown(space, disc_within(rule.spare_reach_px)) | part
        else:
            space = part | self.outside
        cover = self.grown(
            opened(space, disc(rule.diameter_px), threads=self.threads),
            disc_within(CORNER_TOLERANCE * rule.diameter_px / 2.0),
        )
        thin = part & ~cover
        self.note(thin, rule.layer, rule.kind, rule.key, rule.limit_mm, lambda box: self.local_width(space, box))

    def local_width(self, space: Bits, box: tuple[int, int, int, int]) -> float:
        """Twice the largest distance to the plane's edge in the box, in mm."""
        left, top, right, bottom = box
        pad = self.frame.pad_px
        rows = space[top - 40 + pad : bottom + 40 + pad]
        first, last = (left - 40 + pad) // 64, -(-(right + 40 + pad) // 64)
        words = np.ascontiguousarray(rows[:, max(first, 0) : last])
        pixels = np.unpackbits(words.astype("<u8").view(np.uint8), axis=1, bitorder="little")
        inside = distance_transform_edt(pixels)
        x = left + pad - 64 * max(first, 0)
        here = inside[40 : 40 + bottom - top, x : x + right - left]
        return float(max(2.0 * here.max() - 1.0, 1.0)) * self.planes.pitch_um / 1000.0

    def note(self, bits: Bits, layer: Layer, kind: str, key: tuple[str, str], limit: float, size) -> None:  # type: ignore[no-untyped-def]
        """Count and list connected places."""
        self.counts[layer, kind] = 0
        if not bits.any():
            return
        self.found |= bits
        parts = connected_parts(bits, corners=True, threads=self.threads)
        self.counts[layer, kind] = parts.count
        areas, boxes = areas_and_boxes(parts, self.frame)
        for i in np.argsort(-areas, kind="stable")[:LISTED]:
            left, top, right, bottom = (int(side) for side in boxes[i])
            self.violations.append(self.violation(layer, kind, ".".join(key), (left, top, right, bottom), size, limit))

    def violation(  # type: ignore[no-untyped-def]
        self, layer: Layer, kind: str, key: str, box: tuple[int, int, int, int], size, limit: float
    ) -> Violation:
        left, top, right, bottom = box
        mm = self.planes.pitch_um / 1000.0
        return Violation(
            layer=layer,
            kind=kind,
            limit=key,
            x_mm=(left + right) / 2 * mm,
            y_mm=(self.planes.height_px - (top + bottom) / 2) * mm,
            size_mm=size(box),
            limit_mm=limit,
        )

    def clearance(self) -> None:
        """Legend too near to an opening, or on it."""
        limit = self.fab.limits["legend", "clearance_mm"].value_mm
        legend, openings = self.drawn(LEGEND), self.drawn(OPENING)
        near = legend & self.grown(openings, disc_within(limit_px(limit, self.planes.pitch_um)))

        def distance(box: tuple[int, int, int, int]) -> float:
            step = 1
            cut = near[box[1] + self.frame.pad_px : box[3] + self.frame.pad_px]
            rows = slice(max(box[1] + self.frame.pad_px - 70, 0), box[3] + self.frame.pad_px + 70)
            around = openings[rows]
            off = box[1] + self.frame.pad_px - rows.start
            mask = np.zeros(cut.shape[1] * 64, dtype=np.uint8)
            mask[box[0] + self.frame.pad_px : box[2] + self.frame.pad_px] = 1
            columns = np.packbits(mask, bitorder="little").view("<u8")
            while step < 64 and not (dilate(around, disc_within(step))[off : off + len(cut)] & cut & columns).any():
                step += 1
            return (step - 1) * self.planes.pitch_um / 1000.0

        self.note(near, "legend", "clearance", ("legend", "clearance_mm"), limit, distance)

    def edges(self) -> None:
        """What is drawn too near to the board's edge."""
        layers: tuple[tuple[Layer, int, str], ...] = (
            ("copper", COPPER, "routed_mm"),
            ("solder_mask", OPENING, "mask_mm"),
            ("legend", LEGEND, "legend_mm"),
        )
        for layer, bit, key in layers:
            limit = self.fab.limits.get(("edge", key))
            if limit is None or limit.value_mm <= 0.0:
                continue
            reach = edge_px(limit.value_mm, self.planes.pitch_um)
            near = self.drawn(bit) & self.grown(self.outside, disc_within(reach))

            def distance(box: tuple[int, int, int, int]) -> float:
                left, top, right, bottom = box
                pad = self.frame.pad_px
                window = self.outside[max(top - 64 + pad, 0) : bottom + 64 + pad]
                words = np.ascontiguousarray(window).astype("<u8")
                pixels = np.unpackbits(words.view(np.uint8), axis=1, bitorder="little")
                x = slice(max(left + pad - 64, 0), right + pad + 64)
                away = distance_transform_edt(pixels[:, x] == 0)
                off_y, off_x = top + pad - max(top - 64 + pad, 0), left + pad - x.start
                least = away[off_y : off_y + bottom - top, off_x : off_x + right - left].min()
                return max(0.0, float(least) - 1.0) * self.planes.pitch_um / 1000.0

            self.note(near, layer, "edge", ("edge", key), limit.value_mm, distance)

    def solids(self) -> None:
        """Solid legend larger in one piece than the fab prints."""
        limit = self.fab.limits.get(("legend", "solid_area_mm2"))
        if limit is None:
            return
        mm2 = (self.planes.pitch_um / 1000.0) ** 2
        parts = connected_parts(self.drawn(LEGEND), corners=False, threads=self.threads)
        areas, boxes = areas_and_boxes(parts, self.frame)
        large = np.flatnonzero(areas * mm2 > limit.value_mm)
        self.counts["legend", "solid"] = len(large)
        for i in large[:LISTED]:
            left, top, right, bottom = (int(side) for side in boxes[i])
            area = float(areas[i]) * mm2
            self.violations.append(
                self.violation(
                    "legend",
                    "solid",
                    "legend.solid_area_mm2",
                    (left, top, right, bottom),
                    lambda box: area,  # noqa: B023
                    limit.value_mm,
                )
            )

    def corner_touches(self) -> None:
        layers: tuple[tuple[Layer, int], ...] = (("copper", COPPER), ("solder_mask", OPENING), ("legend", LEGEND))
        for layer, bit in layers:
            where = corner_touches(self.drawn(bit), ~self.outside, threads=self.threads)
            self.touches[layer] = 0
            if not where.any():
                continue
            self.found |= where
            rows, columns = np.nonzero(unpack(where, self.frame))
            self.touches[layer] = len(rows)
            for y, x in list(zip(rows.tolist(), columns.tolist(), strict=True))[:LISTED]:
                self.violations.append(self.violation(layer, TOUCH, "", (x, y, x + 2, y + 2), lambda box: 0.0, 0.0))


def measure_limits(planes: LayerPlanes, fab: FabProfile, *, threads: int = 1) -> LimitReport:
    """Measure every limit of the profile on one side's layers. Free copper counts as it has been chosen."""
    measuring = _Measuring(planes, fab, threads)
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
        pixels=unpack(measuring.found, measuring.frame),
    )
