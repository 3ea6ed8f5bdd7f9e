"""A picture of what was read and where, so that a person can see whether the marks sit right."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.references.photograph.chart import patch_corners
from worker.engine.references.photograph.flow import PatchReading, PhotographReadings
from worker.engine.references.photograph.orientation import UNIT_SQUARE
from worker.engine.references.photograph.patches import INNER
from worker.engine.references.photograph.picture import read_picture
from worker.engine.references.photograph.places import seen_at, to_pixels
from worker.engine.references.photograph.shot import Shot
from worker.patch_map import Quad

LONGER_SIDE_PX = 1600
_DARK, _LIGHT = (20, 20, 20), (255, 255, 255)


def proof_png(shot: Shot, number: int, found: PhotographReadings) -> bytes:
    """PNG of photograph `number` (from 0), at most 1600 px long.

    The chart and the coupon are framed, their first corners dotted. Every place that was read is framed, and those on
    the coupon are filled with the colour that was read, as sRGB shows it.
    """
    import cv2

    picture = read_picture(shot.data, name=shot.name)
    scale = min(1.0, LONGER_SIDE_PX / max(picture.samples.shape[:2]))
    shown = (picture.samples / (picture.full_scale / 255.0)).astype(np.uint8)
    shown = np.asarray(cv2.resize(shown, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    marks = found.quality[number].marks
    for patch in found.readings:
        if patch.photograph == number:
            _fill(shown, _scaled(patch.corners, scale), _colour(patch))
    for corners in patch_corners(INNER):
        _frame(shown, _scaled(seen_at(to_pixels(UNIT_SQUARE, marks.chart, "chart"), corners), scale), 1)
    for quad in (marks.chart, marks.coupon):
        _first_corner(shown, quad, scale)
    done, data = cv2.imencode(".png", shown[..., ::-1])
    assert done
    return bytes(data)


def _colour(patch: PatchReading) -> tuple[int, int, int]:
    red, green, blue = lab_to_srgb(np.array(patch.reading.lab))
    return int(red), int(green), int(blue)


def _scaled(corners: npt.ArrayLike, scale: float) -> npt.NDArray[np.int32]:
    at: Floats = np.asarray(corners, dtype=np.float64)
    return np.rint((at + 0.5) * scale - 0.5).astype(np.int32)


def _fill(shown: npt.NDArray[np.uint8], corners: npt.NDArray[np.int32], colour: tuple[int, int, int]) -> None:
    import cv2

    cv2.fillConvexPoly(shown, corners, colour)
    _frame(shown, corners, 1)


def _frame(shown: npt.NDArray[np.uint8], corners: npt.NDArray[np.int32], width: int) -> None:
    import cv2

    cv2.polylines(shown, [corners], True, _DARK, width + 2, cv2.LINE_AA)
    cv2.polylines(shown, [corners], True, _LIGHT, width, cv2.LINE_AA)


def _first_corner(shown: npt.NDArray[np.uint8], quad: Quad, scale: float) -> None:
    import cv2

    corners = _scaled(quad, scale)
    _frame(shown, corners, 2)
    for radius, colour in ((9, _DARK), (6, _LIGHT)):
        cv2.circle(shown, (int(corners[0, 0]), int(corners[0, 1])), radius, colour, -1, cv2.LINE_AA)
