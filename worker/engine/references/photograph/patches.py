"""One patch in, its light out: the mean of what is left when the darkest and lightest fifth of the pixels are cut off.

The trimmed mean withstands defective pixels and dust (4 % of defective pixels cost a plain mean more than one
CIEDE2000, see DEVELOPERS.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats
from worker.engine.references.photograph.picture import CameraPicture
from worker.errors import PhotographError

INNER = 0.6
"""Share of a patch's width that is read: its edges are blurred, and corners are marked by hand."""
TRIM = 0.2
MIN_PIXELS = 100
_LEAST_LIGHT = 0.02  # of the full scale: below it, a quarter's difference is noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchLight:
    """What was read of one patch.

    `light` is nominal light (float64 (3,), 0 to 1: as if the tone curve were that of sRGB), `at` its middle in pixels,
    `clipped` and `empty` the shares of its pixels with a channel at the highest and at the lowest code, `unevenness`
    the largest difference between its quarters over its light.
    """

    light: Floats
    at: Floats
    pixels: int
    clipped: float
    empty: float
    unevenness: float


def patch_light(picture: CameraPicture, corners: Floats, nominal: Floats, what: str) -> PatchLight:
    """Read the patch inside these corners, float64 (4, 2) in pixels.

    Raises PhotographError where it reaches out of the photograph, or has fewer than MIN_PIXELS pixels.
    """
    codes, quarter = _inside(picture, corners, what)
    light = nominal[codes]
    return PatchLight(
        light=trimmed_mean(light),
        at=corners.mean(axis=0),
        pixels=len(codes),
        clipped=float(np.mean((codes >= 0.995 * picture.full_scale).any(axis=1))),
        empty=float(np.mean((codes == 0).any(axis=1))),
        unevenness=_unevenness(light, quarter),
    )


def trimmed_mean(light: Floats) -> Floats:
    """Mean of each column without its lowest and its highest fifth."""
    cut = int(TRIM * len(light))
    return np.asarray(np.sort(light, axis=0)[cut : len(light) - cut].mean(axis=0))


def _inside(picture: CameraPicture, corners: Floats, what: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """The codes (n, 3) of the pixels inside the corners, and in which quarter each lies."""
    import cv2

    height, width = picture.samples.shape[:2]
    low, high = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int) + 1
    if low.min() < 0 or high[0] > width or high[1] > height:
        raise PhotographError(
            f"{picture.name}: {what} lies out of the picture, at {corners[0, 0]:.0f},{corners[0, 1]:.0f}.",
            mend="Show the whole coupon, chart and surround, or mark the right corners.",
        )
    box = picture.samples[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(box.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.rint((corners - low) * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    rows, columns = np.nonzero(mask)
    if len(rows) < MIN_PIXELS:
        raise PhotographError(
            f"{picture.name}: {what} has {len(rows)} pixels to read; {MIN_PIXELS} are the least.",
            mend="Go nearer, or take the photograph with more pixels.",
        )
    middle = corners.mean(axis=0) - low
    quarter = 2 * (rows > middle[1]).astype(np.int64) + (columns > middle[0])
    return box[rows, columns].astype(np.int64), quarter


def _unevenness(light: Floats, quarter: npt.NDArray[np.int64]) -> float:
    means = np.array([trimmed_mean(light[quarter == i]) for i in range(4) if np.any(quarter == i)])
    return float(np.max((means.max(axis=0) - means.min(axis=0)) / (means.mean(axis=0) + _LEAST_LIGHT)))
