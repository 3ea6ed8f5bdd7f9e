"""Pictures for somebody who looks closely: artwork, board, clusters and error on one grid, and what the eye sees."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from worker.engine.arrays import OUTSIDE, DeltaE, Float32s, Labels, Srgb
from worker.engine.artwork.ground import lay_on_ground
from worker.engine.artwork.picture import GridPicture
from worker.engine.artwork.resample import resample
from worker.engine.colorimetry import D65_WHITE, xyz_to_linear_rgb
from worker.engine.encoded_light import encoded
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.hull import Packed
from worker.engine.report.colour_scale import scale_indices
from worker.engine.report.comparison import average_blocks
from worker.engine.report.pictures import label_colours, labels_png
from worker.engine.report.png import encode_png
from worker.engine.report.score import Score
from worker.engine.vision import see

MOST_PX = 16_000_000
"""A board of more pixels is shown in part of them: each `step_px` by `step_px` by one."""
WORST = 8
_APART = 0.08
"""Of the longer side: worst places lie at least so far from one another."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LookPictures:
    """PNG bytes by name, and what is to be known of them.

    step_px : how many pixels of the grid one of artwork.png, board.png and clusters.png is wide. worst : the highest
    errors, the highest first, with places in pixels of the grid.
    """

    files: dict[str, bytes]
    step_px: int
    width_px: int
    height_px: int
    worst: tuple[dict[str, Any], ...]


def look_pictures(
    *,
    picture: GridPicture,
    labels: Labels,
    cluster_of: Labels,
    colours: FinishColours,
    background: int,
    hull: Packed,
    score: Score,
    as_seen: bool = True,
    threads: int = 1,
) -> LookPictures:
    """Draw them.

    Parameters
    ----------
    labels, cluster_of : uint8 (H, W), the finish and the cluster of each pixel, 255 where there is none.
    background : the finish that shows through transparent places. as_seen : whether eye-*.png are drawn.

    Returns
    -------
    artwork.png, sRGB; board.png, the labels in their colours; clusters.png, grey, a cluster's id; error.png, grey, the
    error in 239ths of 20 CIEDE2000 and 251 off the board, a pixel for each block of the score; eye-artwork.png and
    eye-board.png, sRGB, both as the eye's channels pass them at the viewing distance.
    """
    height, width = labels.shape
    step = max(1, math.ceil(math.sqrt(height * width / MOST_PX)))
    srgb, _ = lay_on_ground(picture.srgb, picture.alpha, colours.srgb[background])
    shown = labels[step // 2 :: step, step // 2 :: step]
    art = srgb
    if step > 1:
        art, _ = resample(
            srgb, None, height_px=shown.shape[0], width_px=shown.shape[1], keep_edges=True, threads=threads
        )
    error = _on_board(score.error_map, labels, score.error_map_step_px)
    seen = _as_seen(srgb, labels, colours, hull, score, threads) if as_seen else ()

    def png(pixels: Labels | Srgb) -> bytes:
        return encode_png(np.ascontiguousarray(pixels), palette=None, bits=8, pixels_per_metre=None)

    files = {
        "artwork.png": png(art),
        "board.png": labels_png(np.ascontiguousarray(shown), label_colours(colours.lab), picture.pitch_um * step),
        "clusters.png": png(cluster_of[step // 2 :: step, step // 2 :: step]),
        "error.png": png(scale_indices(error)),
        **dict(zip(("eye-artwork.png", "eye-board.png"), map(png, seen), strict=False)),
    }
    worst = worst_places(error, score.error_map_step_px, labels, cluster_of)
    return LookPictures(
        files=files, step_px=step, width_px=shown.shape[1], height_px=shown.shape[0], worst=tuple(worst)
    )


def worst_places(error: DeltaE, step: int, labels: Labels, cluster_of: Labels) -> list[dict[str, Any]]:
    """The highest blocks of an error map, float32 (h, w), NaN off the board; each far from those before it."""
    left = np.where(np.isnan(error), np.float32(-1.0), error)
    rows, columns = np.ogrid[: left.shape[0], : left.shape[1]]
    apart = max(2.0, _APART * max(left.shape))
    found: list[dict[str, Any]] = []
    while len(found) < WORST:
        row, column = divmod(int(left.argmax()), left.shape[1])
        value = float(left[row, column])
        if value <= 0.0:
            break
        y = min(row * step + step // 2, labels.shape[0] - 1)
        x = min(column * step + step // 2, labels.shape[1] - 1)
        found.append(
            {
                "x_px": x,
                "y_px": y,
                "delta_e": value,
                "finish": int(labels[y, x]),
                "cluster": int(cluster_of[y, x]),
            }
        )
        left[(rows - row) ** 2 + (columns - column) ** 2 < apart * apart] = -1.0
    return found


def _on_board(error: DeltaE, labels: Labels, step: int) -> DeltaE:
    """The error map with NaN where a block has no board at its middle."""
    rows = np.minimum(np.arange(error.shape[0]) * step + step // 2, labels.shape[0] - 1)
    columns = np.minimum(np.arange(error.shape[1]) * step + step // 2, labels.shape[1] - 1)
    return np.where(labels[np.ix_(rows, columns)] == OUTSIDE, np.float32(np.nan), error)


def _as_seen(
    srgb: Srgb, labels: Labels, colours: FinishColours, hull: Packed, score: Score, threads: int
) -> tuple[Srgb, Srgb]:
    step = score.error_map_step_px
    averages = average_blocks(srgb, labels, colours.linear_rgb, hull, step, threads=threads)

    def picture(xyz: Float32s) -> Srgb:
        seen = see(xyz, working_ppd=score.pixels_per_degree / step, step=step, threads=threads)
        light = np.moveaxis(seen.light, 0, -1) * D65_WHITE
        grey = np.clip(light[..., 1:2], 0.0, 1.0)
        away = xyz_to_linear_rgb(light) - grey
        # What the screen can't show goes towards the grey of its luminance; cut off by channels, hues would turn.
        least = grey / np.maximum(-away.min(axis=-1, keepdims=True), 1e-9)
        most = (1.0 - grey) / np.maximum(away.max(axis=-1, keepdims=True), 1e-9)
        shown = np.clip(grey + away * np.minimum(1.0, np.minimum(least, most)), 0.0, 1.0)
        return encoded(np.ascontiguousarray(shown, dtype=np.float32), threads=threads)

    return picture(averages.artwork), picture(averages.board)
