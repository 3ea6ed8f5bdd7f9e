"""Every picture of a result as PNG bytes: masks, labels, preview, thumbnail, error, comparison."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from worker.engine.arrays import OUTSIDE, Lab, Labels, Srgb
from worker.engine.artwork.picture import GridPicture
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.report.error_picture import error_png
from worker.engine.report.png import encode_mask, encode_png, mask_rows
from worker.engine.report.scaling import shrink_labels
from worker.engine.report.score import Score
from worker.engine.report.side_by_side import side_by_side
from worker.engine.separation.result import Separation
from worker.engine.threads import run_all
from worker.fab_profile import FabProfile

THUMBNAIL_PX = 160


def draw_pictures(
    *,
    picture: GridPicture,
    fab: FabProfile,
    separation: Separation,
    score: Score,
    reference_lab: Lab,
    background: str,
    threads: int = 1,
    full_size: bool = False,
) -> dict[str, bytes]:
    """Draw all pictures of a result.

    Parameters
    ----------
    reference_lab : float64 (n, 3)
        CIELAB (D65/2 degree) of each finish of `fab`, as used for scoring.
    background : str
        Id of the finish that shows through transparent places of the artwork.
    threads : int
        How many pictures are drawn at the same time. The bytes do not depend on it.
    full_size : bool
        The comparison at grid size, in place of a long side of at most 2,048 px.

    Returns
    -------
    dict
        PNG bytes by name, in the order of the output layout: masks/<finish id>.png, labels.png, preview.png,
        thumbnail.png, error.png, comparison.png. The masks are 1 bit deep, white where the finish is. labels.png is
        indexed by the finish's place in the profile, 255 outside the board; as its palette holds the finishes'
        colours, it is the preview too.
    """
    labels, pitch_um = separation.labels, picture.pitch_um
    colours = label_colours(reference_lab)
    index = [finish.id for finish in fab.finishes].index(background)
    files = {f"masks/{finish.id}.png": b"" for finish in fab.finishes}
    files |= {"labels.png": b"", "preview.png": b"", "thumbnail.png": b"", "error.png": b""}

    def draw(name: str, drawn: Callable[[], bytes]) -> None:
        files[name] = drawn()

    masks = [
        (f"masks/{finish.id}.png", drawn)
        for finish, drawn in zip(
            fab.finishes, mask_pngs(labels, len(fab.finishes), pitch_um, threads=threads), strict=True
        )
    ]
    board = ("labels.png", partial(labels_png, labels, colours, pitch_um))
    run_all(draw, [board, *masks, ("error.png", partial(error_png, score, pitch_um))], threads)
    files["preview.png"] = files["labels.png"]
    files["thumbnail.png"] = thumbnail_png(labels, colours, threads=threads)
    glance = side_by_side(picture, labels, colours, index, score, threads=threads, full_size=full_size)
    files["comparison.png"] = encode_png(glance, palette=None, bits=8, pixels_per_metre=None)
    return files


def label_colours(reference_lab: Lab) -> Srgb:
    """uint8 (256, 3): encoded sRGB of each label, black where there is no such finish, white outside the board."""
    colours = np.zeros((256, 3), dtype=np.uint8)
    colours[: len(reference_lab)] = lab_to_srgb(reference_lab)
    colours[OUTSIDE] = 255
    return colours


def mask_png(labels: Labels, finish_index: int, pitch_um: float) -> bytes:
    """A 1-bit PNG, white where this finish is, with its physical resolution."""
    mask = (labels == finish_index).view(np.uint8)
    return encode_png(mask, palette=None, bits=1, pixels_per_metre=pixels_per_metre(pitch_um))


def mask_pngs(labels: Labels, count: int, pitch_um: float, *, threads: int = 1) -> list[Callable[[], bytes]]:
    """What gives `mask_png` of each finish of so many: rows of all are packed at once, and deflated when called."""
    per_metre, width = pixels_per_metre(pitch_um), labels.shape[1]
    return [partial(encode_mask, rows, width, per_metre) for rows in mask_rows(labels, count, threads=threads)]


def labels_png(labels: Labels, colours: Srgb, pitch_um: float) -> bytes:
    """An 8-bit indexed PNG of the labels in their colours, with its physical resolution."""
    return encode_png(labels, palette=colours.tobytes(), bits=8, pixels_per_metre=pixels_per_metre(pitch_um))


def thumbnail_png(labels: Labels, colours: Srgb, *, threads: int = 1) -> bytes:
    """The board in at most THUMBNAIL_PX a side, for lists of many."""
    factor = min(1.0, THUMBNAIL_PX / max(labels.shape))
    height, width = (max(1, round(side * factor)) for side in labels.shape)
    small = shrink_labels(labels, colours, height_px=height, width_px=width, threads=threads)
    return encode_png(small, palette=None, bits=8, pixels_per_metre=None)


def pixels_per_metre(pitch_um: float) -> int:
    """The whole number of pixels per metre that a PNG's pHYs chunk states (ISO/IEC 15948)."""
    return round(1e6 / pitch_um)
