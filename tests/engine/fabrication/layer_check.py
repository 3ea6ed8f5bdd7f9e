"""A second check of layers against a fab's limits, by OpenCV alone, from the definitions.

It knows bool planes, a pitch and the profile's limits: nothing of the engine. Widths and gaps: opening by a disc of the
limit's diameter, that is, the pixels within half of it of its centre, which is the middle of a pixel where the diameter
is an odd number of pixels, and a corner where it is even; what lies within 0.45 of the radius of the opening passes, as
the tip of a square corner is 0.414 of the radius away, unless it is a speck that no square as wide as that fits in.
Clearances: exact distance transform. Corner touches: squares of four pixels of which two opposite ones alone are set.
Beyond the board's edge, and the picture's, everything goes on: a part that the edge cuts is not thin by that. (Common
practice, no source.)
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from worker.fab_profile import FabProfile

Plane = npt.NDArray[np.bool_]


def _px(limit_mm: float, pitch_um: float) -> int:
    return max(1, math.ceil(limit_mm * 1000.0 / pitch_um - 1e-6))


def _disc(diameter_px: int) -> npt.NDArray[np.uint8]:
    middle = (diameter_px - 1) / 2.0
    y, x = np.mgrid[:diameter_px, :diameter_px]
    return (((x - middle) ** 2 + (y - middle) ** 2) <= diameter_px**2 / 4.0 + 1e-9).astype(np.uint8)


def away_from(plane: Plane) -> npt.NDArray[np.float32]:
    """Exact distance of each pixel's centre to the nearest one of the plane, in pixels; far where there is none."""
    if not plane.any():
        return np.full(plane.shape, 1e9, np.float32)
    return np.asarray(cv2.distanceTransform((~plane).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE))


def thin(part: Plane, space: Plane, diameter_px: int) -> Plane:
    """Pixels of the part that no disc in the space covers, square corners apart."""
    pad = 2 * diameter_px + 2
    whole = np.pad(space, pad, constant_values=True).astype(np.uint8)
    kernel = _disc(diameter_px)
    anchor = diameter_px // 2
    middle = cv2.erode(whole, kernel, anchor=(anchor, anchor), borderType=cv2.BORDER_CONSTANT, borderValue=1)
    back = diameter_px - 1 - anchor
    opened = cv2.dilate(middle, kernel, anchor=(back, back), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    tolerance = 0.45 * diameter_px / 2.0 + 1e-4
    square = np.ones((math.floor(tolerance) + 1,) * 2, np.uint8)
    _, pieces = cv2.connectedComponents(whole, connectivity=4)
    specks = ~np.isin(pieces, pieces[cv2.morphologyEx(whole, cv2.MORPH_OPEN, square) > 0])
    return part & (specks | (away_from(opened.astype(bool)) > tolerance))[pad:-pad, pad:-pad]


def touches(plane: Plane, board: Plane) -> int:
    a, b, c, d = plane[:-1, :-1], plane[:-1, 1:], plane[1:, :-1], plane[1:, 1:]
    known = board[:-1, :-1] & board[:-1, 1:] & board[1:, :-1] & board[1:, 1:]
    return int((((a & d & ~b & ~c) | (b & c & ~a & ~d)) & known).sum())


def broken_limits(
    copper: Plane,
    opening: Plane,
    legend: Plane,
    board: Plane,
    fab: FabProfile,
    pitch_um: float,
    *,
    plated: Plane | None = None,
) -> dict[str, int]:
    """Pixels, or corner touches, that break each limit; only what is broken. `plated` : in plated holes, off the board.

    Copper and openings keep no distance from a plated hole: its ring reaches it. Legend does.
    """

    def limit(section: str, key: str) -> int:
        return _px(fab.limits[section, key].value_mm, pitch_um)

    outside = ~board
    found: dict[str, int] = {}

    def width(name: str, part: Plane, diameter_px: int) -> None:
        found[name] = int(thin(part & board, part | outside, diameter_px).sum())

    width("copper line", copper, limit("copper", "line_mm"))
    width("copper gap", ~copper, limit("copper", "gap_mm"))
    width("mask opening", opening, limit("solder_mask", "opening_mm"))
    width("mask web", ~opening, limit("solder_mask", "web_mm"))
    width("legend line", legend, max(limit("legend", "line_mm"), limit("legend", "dot_mm")))
    width("legend gap", ~legend, limit("legend", "gap_mm"))
    metal_gap, web = limit("copper", "metal_gap_mm"), limit("solder_mask", "web_mm")
    bare = board & opening & ~copper
    masked = away_from(np.pad(outside | ~opening, 2 * metal_gap, constant_values=True)) <= max(0, metal_gap - web)
    inner = slice(2 * metal_gap, -2 * metal_gap)
    found["metal gap"] = int(thin(bare, bare | masked[inner, inner], metal_gap).sum())
    found["legend near opening"] = int((legend & (away_from(opening) <= limit("legend", "clearance_mm"))).sum())
    routed = outside if plated is None else outside & ~plated
    edge, routed_edge = (away_from(np.pad(away, 1, constant_values=True))[1:-1, 1:-1] for away in (outside, routed))
    edges = (("copper", copper, "routed_mm"), ("opening", opening, "mask_mm"), ("legend", legend, "legend_mm"))
    for name, plane, key in edges:
        distance = edge if name == "legend" else routed_edge
        found[f"{name} near edge"] = int((plane & board & (distance <= limit("edge", key))).sum())
    for name, plane in (("copper", copper), ("opening", opening), ("legend", legend)):
        found[f"{name} touches itself at corners"] = touches(plane, board)
    return {name: number for name, number in found.items() if number}
