"""comparison.png: artwork, board and error side by side, for a glance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Alpha, Float32s, Labels, Srgb
from worker.engine.artwork.ground import lay_on_ground
from worker.engine.artwork.picture import GridPicture
from worker.engine.artwork.resample import resample
from worker.engine.report.colour_scale import scale_indices, scale_palette
from worker.engine.report.error_picture import BAR_HEIGHT_PX, scale_bar
from worker.engine.report.lettering import lettering, line_height_px
from worker.engine.report.scaling import enlarge, shrink_labels, shrink_map
from worker.engine.report.score import Score

LONGEST_PX = 2048
_SHORTEST_LONG_SIDE_PX = 320
_NARROWEST_CELL_PX = 340
_MARGIN_PX = 16
_TEXT_PX = 16
_CAPTION_PX = line_height_px(_TEXT_PX) + 4
_PANELS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """How the panels stand: each `height_px` by `width_px`, made from the grid by `factor` where it is enlarged."""

    columns: int
    rows: int
    height_px: int
    width_px: int
    factor: int

    @property
    def cell_px(self) -> tuple[int, int]:
        """Height and width of a panel with its caption, without the margin."""
        return self.height_px + _CAPTION_PX, max(self.width_px, _NARROWEST_CELL_PX)

    @property
    def canvas_px(self) -> tuple[int, int]:
        height, width = self.cell_px
        return (
            self.rows * (height + _MARGIN_PX) + BAR_HEIGHT_PX + _MARGIN_PX,
            self.columns * (width + _MARGIN_PX) + _MARGIN_PX,
        )


def side_by_side(
    picture: GridPicture,
    labels: Labels,
    colours: Srgb,
    background: int,
    score: Score,
    *,
    threads: int = 1,
    full_size: bool = False,
) -> Srgb:
    """Artwork, board and error with captions.

    Parameters
    ----------
    picture, labels : GridPicture, uint8 (H, W)
        The artwork on the grid, and the finish of each pixel.
    colours : uint8 (256, 3)
        Encoded sRGB of each label.
    background : int
        The label whose colour shows through transparent places of the artwork.
    full_size : bool
        Panels at grid size, in place of a long side of at most 2,048 px.

    Returns
    -------
    uint8 (h, w, 3), encoded sRGB
    """
    layout = _layout(picture.height_px, picture.width_px, full_size=full_size)
    size = {"height_px": layout.height_px // layout.factor, "width_px": layout.width_px // layout.factor}
    srgb, alpha = resample(picture.srgb, picture.alpha, **size, keep_edges=True, threads=threads)
    art, _ = lay_on_ground(srgb, alpha, colours[background])
    board = shrink_labels(labels, colours, **size, threads=threads)
    error = scale_palette()[scale_indices(_error_panel(score, picture, layout))]
    canvas = np.full((*layout.canvas_px, 3), 255, dtype=np.uint8)
    mean, p95 = score.s_cielab.mean, score.s_cielab.p95
    captions = ("artwork", "board", f"error: mean {mean:.2f}, 95th percentile {p95:.2f}")
    panels = (enlarge(art, layout.factor), enlarge(board, layout.factor), error)
    for place, (panel, caption) in enumerate(zip(panels, captions, strict=True)):
        _put(canvas, layout, place, panel, caption)
    bar_width = layout.cell_px[1]
    bar = scale_palette()[scale_bar(bar_width, score.viewing_distance_mm)]
    canvas[-_MARGIN_PX - BAR_HEIGHT_PX : -_MARGIN_PX, -_MARGIN_PX - bar_width : -_MARGIN_PX] = bar
    return canvas


def _layout(height: int, width: int, *, full_size: bool) -> _Layout:
    """Side by side, or stacked where that shows twice as much; small pictures enlarged by a whole factor."""
    columns = 1 if _scale(height, width, 1) > 2 * _scale(height, width, _PANELS) else _PANELS
    rows = _PANELS // columns
    scale = _scale(height, width, columns)
    wanted = -(-_SHORTEST_LONG_SIDE_PX // max(height, width))
    factor = max(1, min(int(scale), wanted))
    shrink = 1.0 if full_size else min(scale, 1.0)
    return _Layout(
        columns=columns,
        rows=rows,
        height_px=max(1, int(height * shrink)) * factor,
        width_px=max(1, int(width * shrink)) * factor,
        factor=factor,
    )


def _scale(height: int, width: int, columns: int) -> float:
    """By how much the panels may be scaled in so many columns, before the picture's long side is too long."""
    rows = _PANELS // columns
    wide = (LONGEST_PX - _MARGIN_PX) / columns - _MARGIN_PX
    high = (LONGEST_PX - _MARGIN_PX - BAR_HEIGHT_PX) / rows - _MARGIN_PX - _CAPTION_PX
    return min(wide / width, high / height)


def _error_panel(score: Score, picture: GridPicture, layout: _Layout) -> Float32s:
    """The error map at the panel's size: means where it is finer, the nearest value where it is coarser."""
    values = score.error_map
    if values.shape[0] >= layout.height_px and values.shape[1] >= layout.width_px:
        return shrink_map(values, height_px=layout.height_px, width_px=layout.width_px)
    rows = _nearest(layout.height_px, picture.height_px, score.error_map_step_px, values.shape[0])
    columns = _nearest(layout.width_px, picture.width_px, score.error_map_step_px, values.shape[1])
    return np.asarray(values[np.ix_(rows, columns)])


def _nearest(panel_px: int, grid_px: int, step_px: int, cells: int) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """The error map's cell under the middle of each panel pixel."""
    middles = (np.arange(panel_px) + 0.5) * (grid_px / panel_px / step_px)
    return np.minimum(middles.astype(np.intp), cells - 1)


def _put(canvas: Srgb, layout: _Layout, place: int, panel: Srgb, caption: str) -> None:
    height, width = layout.cell_px
    row, column = divmod(place, layout.columns)
    top, left = _MARGIN_PX + row * (height + _MARGIN_PX), _MARGIN_PX + column * (width + _MARGIN_PX)
    _write(canvas[top : top + _CAPTION_PX, left : left + width], lettering(caption, _TEXT_PX))
    top += _CAPTION_PX
    canvas[top : top + panel.shape[0], left : left + panel.shape[1]] = panel


def _write(place: Srgb, cover: Alpha) -> None:
    """Write black over white; what does not fit is cut off."""
    cut = cover[: place.shape[0], : place.shape[1]]
    place[: cut.shape[0], : cut.shape[1]] = 255 - cut[:, :, None]
