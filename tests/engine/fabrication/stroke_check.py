"""Which strokes of an art are one part still, and how far a picture is from another as seen: outside the engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt
from skimage.color import deltaE_ciede2000, xyz2lab

from tests.engine.fabrication.stress_art import PITCH_UM, Stroke
from worker.engine.colorimetry import LINEAR_RGB_TO_XYZ
from worker.fab_profile import FabProfile

Labels = npt.NDArray[np.uint8]
_PX = PITCH_UM / 1000.0


def is_one_part(labels: Labels, stroke: Stroke, finish: int, limit_mm: float) -> bool:
    """Whether one 4-connected part of the finish, among the pixels near the stroke, follows its whole middle line.

    Near: within half of the stroke's width, or of the limit, and 0.06 mm. It follows the line where it comes within
    half of the limit of every point of it; the ends may be shorter by the limit.
    """
    reach = max(limit_mm, stroke.width_mm) / 2 + 0.06
    low = np.maximum(np.floor((stroke.path.min(0) - reach) / _PX).astype(int) - 2, 0)
    high = np.ceil((stroke.path.max(0) + reach) / _PX).astype(int) + 3
    window = labels[low[1] : high[1], low[0] : high[0]]
    line = stroke.path / _PX - 0.5 - low
    band = np.zeros(window.shape, np.uint8)
    points = np.rint(line * 16).astype(np.int32)
    cv2.polylines(band, [points], False, 1, thickness=round(2 * reach / _PX), lineType=cv2.LINE_8, shift=4)
    count, parts = cv2.connectedComponents(((window == finish) & (band > 0)).astype(np.uint8), connectivity=4)
    lengths = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(stroke.path, axis=0), axis=1)))
    cut = min(limit_mm, 0.3 * lengths[-1])
    along = np.arange(cut, lengths[-1] - cut + 1e-9, 0.02)
    x, y = (np.interp(along, lengths, line[:, i]) for i in (0, 1))
    rows = np.clip(np.rint(y).astype(int), 0, window.shape[0] - 1)
    columns = np.clip(np.rint(x).astype(int), 0, window.shape[1] - 1)
    for part in range(1, count):
        away = cv2.distanceTransform((parts != part).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        if (away[rows, columns] <= limit_mm / 2 / _PX).all():
            return True
    return False


def as_separated(strokes: Sequence[Stroke], truth: Labels, labels: Labels) -> list[Stroke]:
    """The strokes as a separation shows them: of the finish that most of the middle line has, on that of most of the
    ground. A colour of the art may lie nearer to another finish than to the one that it was drawn for."""
    grounds = {i: int(np.bincount(labels[truth == i]).argmax()) for i in {stroke.ground for stroke in strokes}}
    out = []
    for stroke in strokes:
        along = np.linspace(0, len(stroke.path) - 1, 200)
        x, y = (np.interp(along, np.arange(len(stroke.path)), stroke.path[:, i]) / _PX - 0.5 for i in (0, 1))
        shown = labels[np.rint(y).astype(int), np.rint(x).astype(int)]
        out.append(replace(stroke, finish=int(np.bincount(shown).argmax()), ground=grounds[stroke.ground]))
    return out


def limit_mm(stroke: Stroke, fab: FabProfile) -> float:
    """What the fab asks of such a stroke: the gap between metal parts, where it is bare laminate on bare metal."""
    recipe, ground = fab.finishes[stroke.finish].recipe, fab.finishes[stroke.ground].recipe
    apart = recipe.mask_opening and ground.mask_opening and recipe.copper == "none" and ground.copper != "none"
    return fab.limits["copper", "metal_gap_mm" if apart else "line_mm"].value_mm


def kept_strokes(before: Labels, after: Labels, strokes: Sequence[Stroke], fab: FabProfile) -> tuple[int, int, int]:
    """How many strokes of at least 60 % of the limit were one part before, are one part of their own finish still, and
    are one part of one other finish than their ground's."""
    finishes = [int(i) for i in np.unique(after)]
    counted = own = other = 0
    for stroke in strokes:
        limit = limit_mm(stroke, fab)
        if stroke.width_mm < 0.6 * limit or not is_one_part(before, stroke, stroke.finish, limit):
            continue
        counted += 1
        if is_one_part(after, stroke, stroke.finish, limit):
            own += 1
        elif any(is_one_part(after, stroke, i, limit) for i in finishes if i not in (stroke.ground, stroke.finish)):
            other += 1
    return counted, own, other


def seen_error(one_linear: npt.NDArray[np.float32], two_linear: npt.NDArray[np.float32], sigma_px: float) -> float:
    """Mean CIEDE2000 of two pictures in linear light, blurred by a Gaussian: scikit-image's formulas.

    Looked at on every fourth pixel, which is fine enough for what the blur leaves.
    """
    blurred = [
        cv2.GaussianBlur(picture, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT)[2::4, 2::4]
        for picture in (one_linear, two_linear)
    ]
    one, two = (xyz2lab(picture.astype(np.float64) @ LINEAR_RGB_TO_XYZ.T) for picture in blurred)
    return float(deltaE_ciede2000(one, two).mean())
