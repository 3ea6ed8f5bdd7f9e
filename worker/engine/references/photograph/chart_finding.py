"""Find the chart: OpenCV's detector says about where it is, then each patch's own middle says it exactly."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.engine.references.photograph.chart import COLUMNS, PATCH_OF_PITCH, ROWS, patch_middles
from worker.engine.references.photograph.orientation import LIKE, UNIT_SQUARE, chart_lies
from worker.engine.references.photograph.picture import CameraPicture
from worker.engine.references.photograph.places import as_quad, seen_at, to_pixels
from worker.errors import PhotographError
from worker.patch_map import Quad, clockwise

MIN_FOUND = 16
"""Patches that must be found of 24: dark ones run into the chart's frame."""
_SIDES_PX = (1600, 1000, 2400)
_BLURS_PX = (5, 3, 9)
_TOLERANCE = 10


def find_chart(picture: CameraPicture) -> Quad:
    """The outer corners of the chart's patches in pixels, clockwise from the corner of the first (brown) patch.

    Raises PhotographError where no chart is found, or none whose colours are the chart's.
    """
    for side in _SIDES_PX:
        for blur in _BLURS_PX:
            small, scale = reduced(picture, side, blur)
            for box in _boxes(small):
                corners = _exact(small, box)
                if corners is not None:
                    quad = as_quad((np.array(corners) + 0.5) / scale - 0.5)
                    best = chart_lies(picture, quad)[0]
                    if best.fit >= LIKE and not best.mirrored:
                        return best.corners
    raise PhotographError(
        f"{picture.name}: no 24-patch chart was found.",
        mend="Mark it: --chart-corners with four x,y in pixels, clockwise from the outer corner of the brown patch: "
        "the outer corners of the four corner patches.",
    )


def reduced(picture: CameraPicture, side: int, blur: int) -> tuple[npt.NDArray[np.uint8], float]:
    """uint8 BGR with the longer side at most `side`, without single bad pixels; and its scale."""
    import cv2

    samples: Any = picture.samples
    if samples.dtype != np.uint8:
        samples = (np.sqrt(samples / picture.full_scale) * 255.0).astype(np.uint8)  # may be linear: lift the shadows
    samples = cv2.medianBlur(np.ascontiguousarray(samples), 3)
    scale = min(1.0, side / max(samples.shape[:2]))
    if scale < 1.0:
        samples = cv2.resize(samples, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(cv2.medianBlur(samples, blur)[..., ::-1]), scale


def _boxes(small: npt.NDArray[np.uint8]) -> list[Quad]:
    """What OpenCV's chart detector finds, as quads that go clockwise round."""
    import cv2

    detector = cv2.mcc.CCheckerDetector.create()
    detector.setColorChartType(cv2.mcc.MCC24)  # neither has a default that can be relied on
    detector.setUseDnnModel(False)
    if not detector.process(small, 1):
        return []
    return [as_quad(chart.getBox()) for chart in detector.getListColorChecker()]


def _exact(small: npt.NDArray[np.uint8], box: Quad) -> Quad | None:
    """The patches' outer corners, from the middles of the patches that can be told apart in about this box."""
    import cv2

    quad = box
    for _ in range(3):
        if not clockwise(quad):
            return None
        places = seen_at(to_pixels(UNIT_SQUARE, quad, "chart"), patch_middles())
        found = [_middle(small, places, i) for i in range(ROWS * COLUMNS)]
        kept = [i for i, middle in enumerate(found) if middle is not None]
        if len(kept) < MIN_FOUND:
            return None
        seen = np.array([found[i] for i in kept])
        # The lattice of middles needs no knowledge of how wide the patches are.
        lattice = np.column_stack(np.divmod(np.array(kept), COLUMNS))[:, ::-1].astype(np.float64)
        matrix, inliers = cv2.findHomography(lattice, seen, cv2.RANSAC, 3.0)
        if matrix is None or int(inliers.sum()) < MIN_FOUND:
            return None
        half = 0.5 * PATCH_OF_PITCH
        right, bottom = COLUMNS - 1 + half, ROWS - 1 + half
        corners = seen_at(
            np.asarray(matrix, dtype=np.float64), [(-half, -half), (right, -half), (right, bottom), (-half, bottom)]
        )
        quad = as_quad(corners)
    return quad if clockwise(quad) else None


def _middle(small: npt.NDArray[np.uint8], places: Floats, i: int) -> Floats | None:
    """The middle of the even area about the place of patch i, where it is as large as a patch."""
    import cv2

    x, y = np.rint(places[i]).astype(int)
    neighbour = places[i + 1] if i % COLUMNS < COLUMNS - 1 else places[i - 1]
    pitch = float(np.hypot(*(neighbour - places[i])))
    half = int(0.75 * pitch)
    if not (half <= x < small.shape[1] - half and half <= y < small.shape[0] - half) or half < 4:
        return None
    box = np.ascontiguousarray(small[y - half : y + half + 1, x - half : x + half + 1])
    mask = np.zeros((box.shape[0] + 2, box.shape[1] + 2), np.uint8)
    tolerance = (_TOLERANCE,) * 3
    area, *_ = cv2.floodFill(
        box,
        mask,
        (half, half),
        (0, 0, 0),
        tolerance,
        tolerance,
        4 | cv2.FLOODFILL_MASK_ONLY | cv2.FLOODFILL_FIXED_RANGE,
    )
    rows, columns = np.nonzero(mask[1:-1, 1:-1])
    if not 0.35 * pitch**2 < area < 1.1 * pitch**2 or np.ptp(rows) > 1.15 * pitch or np.ptp(columns) > 1.15 * pitch:
        return None
    return np.array([x - half + 0.5 * (columns.min() + columns.max()), y - half + 0.5 * (rows.min() + rows.max())])
