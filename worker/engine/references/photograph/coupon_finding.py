"""Find the coupon: a four-sided piece on the surround, turned so that the patches of one finish have one colour."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.engine.references.photograph.chart_finding import reduced
from worker.engine.references.photograph.orientation import SAME, UNIT_SQUARE, coupon_lies
from worker.engine.references.photograph.picture import CameraPicture
from worker.engine.references.photograph.places import as_quad, seen_at, to_pixels
from worker.errors import PhotographError
from worker.patch_map import PatchMap, Quad, clockwise

_SIDE_PX = 1600
_THRESHOLDS = (24.0, 14.0, 40.0, 60.0)
_MIN_SHARE = 0.01  # of the picture
_FILLED = 0.95  # of the quad by what was found

ASK = "Mark it: --corners with four x,y in pixels, clockwise from the coupon's own upper left corner."


def find_coupon(picture: CameraPicture, patch_map: PatchMap, chart: Quad) -> Quad:
    """The coupon's corners in pixels, in the order of the patch map's.

    Raises PhotographError where nothing four-sided beside the chart has its patches where the map says.
    """
    for quad in _pieces(picture, chart):
        lies = [lie for lie in coupon_lies(picture, quad, patch_map) if not lie.mirrored]
        if len(lies) > 1 and 1.0 - lies[0].fit < min(SAME, 0.5 * (1.0 - lies[1].fit)):
            return lies[0].corners
    raise PhotographError(f"{picture.name}: the coupon was not found.", mend=ASK)


def _pieces(picture: CameraPicture, chart: Quad) -> Iterator[Quad]:
    """Four-sided pieces that stand out from the surround and don't hold the chart."""
    import cv2

    small, scale = reduced(picture, _SIDE_PX, 5)
    surround = np.median(np.concatenate([small[0], small[-1], small[:, 0], small[:, -1]]), axis=0)
    distance = np.abs(small.astype(np.float32) - surround.astype(np.float32)).max(axis=2)
    chart_middle = seen_at(to_pixels(UNIT_SQUARE, chart, "chart"), [(0.5, 0.5)])[0] * scale
    for threshold in _THRESHOLDS:
        mask = cv2.morphologyEx((distance > threshold).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
        outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for outline in sorted(outlines, key=cv2.contourArea, reverse=True):
            if cv2.contourArea(outline) < _MIN_SHARE * mask.size:
                break
            if cv2.pointPolygonTest(outline, (float(chart_middle[0]), float(chart_middle[1])), False) < 0:
                corners = _corners(np.asarray(outline, dtype=np.int32))
                if corners is not None and clockwise(corners):
                    yield as_quad((np.array(corners) + 0.5) / scale - 0.5)


def _corners(outline: npt.NDArray[np.int32]) -> Quad | None:
    """The corners of a four-sided outline, clockwise: where straight lines through its sides meet."""
    import cv2

    hull = cv2.convexHull(outline)
    length = cv2.arcLength(hull, True)
    simpler = (cv2.approxPolyDP(hull, share * length, True) for share in (0.02, 0.03, 0.05, 0.08))
    rough = next((quad for quad in simpler if len(quad) == 4), None)
    if rough is None or cv2.contourArea(outline) < _FILLED * cv2.contourArea(rough):
        return None
    corners = rough[:, 0].astype(np.float64)
    if cv2.contourArea(rough, True) < 0.0:
        corners = corners[::-1]
    points = outline[:, 0].astype(np.float64)
    sides = [_side(points, corners[i], corners[(i + 1) % 4]) for i in range(4)]
    lines = [line for line in sides if line is not None]
    if len(lines) < 4:
        return None
    met = [np.cross(lines[i - 1], lines[i]) for i in range(4)]
    return as_quad([point[:2] / point[2] for point in met])


def _side(points: Floats, start: Floats, end: Floats) -> Floats | None:
    """The line (a, b, c), a x + b y + c = 0, through the outline's points along the middle of one side."""
    import cv2

    along = end - start
    length = float(np.hypot(*along))
    along = along / length
    off = points - start
    place, aside = off @ along, off @ np.array([-along[1], along[0]])
    near = points[(np.abs(aside) < 0.03 * length + 3.0) & (place > 0.1 * length) & (place < 0.9 * length)]
    if len(near) < 8:
        return None
    x_step, y_step, x, y = cv2.fitLine(near.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel().astype(float)
    return np.array([-y_step, x_step, y_step * x - x_step * y])
