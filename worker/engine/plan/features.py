"""The smallest features at risk: parts of a finish narrower than the fab makes them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.fabrication.bit_distances import farthest
from worker.engine.fabrication.bit_morphology import Bits, Frame, frame_for, pack, unpack
from worker.engine.fabrication.bit_parts import Parts, areas_and_boxes, chosen_parts, connected_parts
from worker.engine.fabrication.thin_parts import thin_parts
from worker.engine.fabrication.width_rules import limit_px

JUDGED_FROM_PX = 2
"""A limit that spans fewer pixels of the plan's grid can't be judged on it."""
_MEASURED = 200
_STROKE = 0.8
"""Of the limit's square: what is smaller is a speck, which a conversion cleans up, and no stroke."""
_SPARED = 0.05
"""Share of what is too thin that may stay so at the size that saves the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Risk:
    """What is too thin of one finish.

    limit_mm : its smallest feature. places : connected ones, but for specks. area_mm2 : of them all. thinnest_mm :
    narrower than all but a twentieth of that area. saved_by : how many times larger the board must be for the others to
    be wide enough. x_mm, y_mm : the middle of the largest place, from the lower left corner.
    """

    finish: str
    limit_mm: float
    places: int
    area_mm2: float
    thinnest_mm: float
    saved_by: float
    x_mm: float
    y_mm: float


def risks(
    labels: Labels, finishes: tuple[tuple[str, float], ...], pitch_um: float, *, threads: int = 1
) -> tuple[Risk, ...]:
    """What is too thin, finish by finish, the largest area first.

    Parameters
    ----------
    labels : uint8 (H, W), place of each pixel's finish; 255 off the board.
    finishes : id and smallest feature in mm of each.
    """
    found = (
        _risk(labels, i, name, limit_mm, pitch_um, threads)
        for i, (name, limit_mm) in enumerate(finishes)
        if limit_px(limit_mm, pitch_um) > JUDGED_FROM_PX
    )
    return tuple(sorted((risk for risk in found if risk is not None), key=lambda risk: -risk.area_mm2))


def thin_pixels(
    labels: Labels, limits_mm: Sequence[float], pitch_um: float, *, threads: int = 1
) -> npt.NDArray[np.bool_]:
    """bool (H, W): the pixels that `risks` tells of. limits_mm : of each finish."""
    out = np.zeros(labels.shape, dtype=np.bool_)
    for i, limit_mm in enumerate(limits_mm):
        diameter = limit_px(limit_mm, pitch_um)
        if diameter > JUDGED_FROM_PX:
            _, parts, frame = _thin_strokes(labels, i, diameter, threads)
            areas, _ = areas_and_boxes(parts, frame)
            strokes = areas >= _STROKE * diameter * diameter
            out |= unpack(chosen_parts(parts, strokes, frame.shape, threads=threads), frame)
    return out


def _thin_strokes(labels: Labels, index: int, diameter: int, threads: int) -> tuple[Bits, Parts, Frame]:
    """Where discs of a finish may lie, and its connected places that none covers."""
    frame = frame_for(*labels.shape, largest_px=diameter)
    chosen = np.zeros(256, dtype=np.uint8)
    chosen[index] = chosen[OUTSIDE] = 1
    space = pack(labels, chosen, frame, outside=True, threads=threads)
    part = space & ~_beyond(labels, frame, threads)
    thin = thin_parts(part, space, diameter, threads=threads)
    return space, connected_parts(thin, corners=True, threads=threads), frame


def _beyond(labels: Labels, frame: Frame, threads: int) -> Bits:
    """The pad, and what is off the board."""
    chosen = np.zeros(256, dtype=np.uint8)
    chosen[OUTSIDE] = 1
    if labels.max(initial=0) == OUTSIDE:
        return pack(labels, chosen, frame, outside=True, threads=threads)
    out: Bits = np.full(frame.shape, 0xFFFFFFFFFFFFFFFF, dtype=np.uint64)
    words = out[frame.pad_px : frame.pad_px + frame.height_px, frame.pad_words : out.shape[1] - frame.pad_words]
    words[:] = 0
    if frame.width_px % 64:
        words[:, -1] = np.uint64(0xFFFFFFFFFFFFFFFF) << np.uint64(frame.width_px % 64)
    return out


def _risk(labels: Labels, index: int, name: str, limit_mm: float, pitch_um: float, threads: int) -> Risk | None:
    diameter = limit_px(limit_mm, pitch_um)
    space, parts, frame = _thin_strokes(labels, index, diameter, threads)
    areas, boxes = areas_and_boxes(parts, frame)
    strokes = areas >= _STROKE * diameter * diameter
    if not strokes.any():
        return None
    order = np.argsort(-areas, kind="stable")[: min(_MEASURED, int(strokes.sum()))]
    squares = farthest(parts, order, ~space, diameter + 1, threads=threads)
    mm = pitch_um / 1000.0
    widths = np.maximum(2.0 * np.sqrt(squares) - 1.0, 1.0) * mm
    by_width = np.argsort(widths, kind="stable")
    covered = np.cumsum(areas[order][by_width]) / areas[order].sum()
    thinnest = float(widths[by_width][min(int(np.searchsorted(covered, _SPARED)), len(order) - 1)])
    left, top, right, bottom = (int(edge) for edge in boxes[order[0]])
    return Risk(
        finish=name,
        limit_mm=limit_mm,
        places=int(strokes.sum()),
        area_mm2=float(areas[strokes].sum()) * mm * mm,
        thinnest_mm=thinnest,
        saved_by=max(1.0, math.ceil(100.0 * limit_mm / thinnest) / 100.0),
        x_mm=(left + right) / 2 * mm,
        y_mm=(labels.shape[0] - (top + bottom) / 2) * mm,
    )
