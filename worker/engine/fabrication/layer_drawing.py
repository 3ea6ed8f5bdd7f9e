"""A layer that was read from its file, drawn in pixels by resvg: at the pixels' centres, without anti-aliasing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from worker.engine.artwork.file_facts import load_vips
from worker.engine.fabrication.gerber_reader import ReadLayer
from worker.engine.fabrication.grid import NM_PER_MM, Grid
from worker.errors import ProofError

MOST_PIXELS = 9_000_000
"""Of one drawing: resvg needs some 20 bytes for each while it draws three layers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Pixels of a grid: columns left to right, rows top to bottom, the last ones left out."""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def width(self) -> int:
        """Columns."""
        return self.right - self.left

    @property
    def height(self) -> int:
        """Rows."""
        return self.bottom - self.top

    @property
    def place(self) -> tuple[slice, slice]:
        """Where it lies in an array of the grid."""
        return slice(self.top, self.bottom), slice(self.left, self.right)

    def box_mm(self, grid: Grid) -> tuple[float, float, float, float]:
        """Left, low, right, high in mm, y upward."""
        pitch = grid.pitch_nm / NM_PER_MM
        low, high = (grid.height_px - self.bottom) * pitch, (grid.height_px - self.top) * pitch
        return self.left * pitch, low, self.right * pitch, high


def windows_of(grid: Grid, side_px: int) -> list[Window]:
    """The grid in squares of this side, those at its right and lower edges smaller."""
    return [
        Window(left=x, top=y, right=min(x + side_px, grid.width_px), bottom=min(y + side_px, grid.height_px))
        for y in range(0, grid.height_px, side_px)
        for x in range(0, grid.width_px, side_px)
    ]


def draw_layers(layers: Sequence[ReadLayer], grid: Grid, window: Window) -> list[npt.NDArray[np.bool_]]:
    """For each layer a bool (height, width): where it is dark in a window of the grid.

    Three layers go into one drawing, red, green and blue, as most of the time goes into its pixels.
    """
    out = [np.zeros((window.height, window.width), np.bool_) for _ in layers]
    rows = max(1, MOST_PIXELS // window.width)
    for top in range(window.top, window.bottom, rows):
        part = Window(left=window.left, top=top, right=window.right, bottom=min(top + rows, window.bottom))
        seen = [(i, layer, chosen) for i, layer in enumerate(layers) if len(chosen := _near(layer, part.box_mm(grid)))]
        for first in range(0, len(seen), 3):
            some = seen[first : first + 3]
            drawn = drawn_svg("".join(_svg([(layer, chosen) for _, layer, chosen in some], grid, part)))
            for channel, (i, *_) in enumerate(some):
                out[i][top - window.top : part.bottom - window.top] = drawn[..., channel] > 127
    return out


def _near(layer: ReadLayer, box_mm: tuple[float, float, float, float]) -> npt.NDArray[np.int64]:
    """Numbers of the objects that may be seen in a box."""
    left, low, right, high = box_mm
    boxes = layer.boxes
    near = (boxes[:, 0] <= right) & (boxes[:, 2] >= left) & (boxes[:, 1] <= high) & (boxes[:, 3] >= low)
    return np.flatnonzero(near)


def drawn_svg(svg: str) -> npt.NDArray[np.uint8]:
    """uint8 (H, W, 4): what a drawing shows. ProofError where it can't be drawn."""
    import resvg_py

    try:
        png = bytes(resvg_py.svg_to_bytes(svg_string=svg, skip_system_fonts=True, shape_rendering="crisp_edges"))
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a panic of the renderer is no Exception
        raise ProofError(
            f"What was read from a fabrication file can't be drawn: {error}.",
            mend="Please report it, with the artwork and the settings.",
        ) from error
    image = load_vips().Image.pngload_buffer(png, access="sequential")
    if image.bands == 3:
        image = image.addalpha()
    return np.frombuffer(image.write_to_memory(), np.uint8).reshape(image.height, image.width, 4)


def _svg(layers: Sequence[tuple[ReadLayer, npt.NDArray[np.int64]]], grid: Grid, window: Window) -> Iterator[str]:
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{window.width}" height="{window.height}">'
        f'<rect width="{window.width}" height="{window.height}" fill="#000"/>'
    )
    for (layer, chosen), colour in zip(layers, ("#f00", "#0f0", "#00f"), strict=False):
        # The renderer draws a group on a picture of its own, no larger than what is in it, and rounds from its corner:
        # what is black and everywhere makes an edge on pixels' centres fall to one side in all layers.
        yield f'<g color="{colour}" style="mix-blend-mode:lighten">'
        yield f'<rect width="{window.width}" height="{window.height}" fill="#000"/>'
        yield from _layer_svg(layer, grid, window, chosen)
        yield "</g>"
    yield "</svg>"


def _layer_svg(layer: ReadLayer, grid: Grid, window: Window, chosen: npt.NDArray[np.int64]) -> Iterator[str]:
    points, starts = in_pixels(layer, grid, window), layer.starts
    scale = NM_PER_MM / grid.pitch_nm
    to_pixels = f"matrix({scale!r} 0 0 {-scale!r} {-window.left} {grid.height_px - window.top})"
    for first, past in _runs(layer, chosen):
        dark, numbers = layer.dark[chosen[first]], layer.areas[chosen[first:past]]
        if numbers[0] >= 0:
            yield '<path fill="currentColor" d="' if dark else '<path fill="#000" d="'
            for number in numbers.tolist():
                ring = points[starts[number] : starts[number + 1]]
                yield ("M" + "%.4f %.4f " * len(ring) + "Z") % tuple(ring.ravel().tolist())
            yield '"/>'
        else:
            yield f'<g transform="{to_pixels}" stroke-linecap="round">'
            yield from (layer.drawings[i] for i in chosen[first:past].tolist())
            yield "</g>"


def _runs(layer: ReadLayer, chosen: npt.NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """From where to where objects of one polarity and kind follow each other."""
    kind = layer.dark[chosen] * 2 + (layer.areas[chosen] >= 0)
    return pairwise(np.flatnonzero(np.diff(kind, prepend=-1, append=-1)).tolist())


def in_pixels(layer: ReadLayer, grid: Grid, window: Window) -> npt.NDArray[np.float64]:
    """The layer's corners in the window's pixels, y downward, every area the same way round.

    Areas of one path are filled by the non-zero rule, so two that overlap must not cancel. Where an area cuts into
    itself to leave out a hole, the hole runs the other way round and stays open.
    """
    scale = NM_PER_MM / grid.pitch_nm
    points = np.empty_like(layer.points)
    points[:, 0] = layer.points[:, 0] * scale - window.left
    points[:, 1] = grid.height_px - layer.points[:, 1] * scale - window.top
    return _one_way_round(points, layer.starts)


def _one_way_round(points: npt.NDArray[np.float64], starts: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    if not len(points):
        return points
    following = np.arange(1, len(points) + 1)
    following[starts[1:] - 1] = starts[:-1]
    x, y = points[:, 0], points[:, 1]
    areas = np.add.reduceat(x * y[following] - x[following] * y, starts[:-1])
    sizes = np.diff(starts)
    backward = np.repeat(areas < 0.0, sizes)
    place = np.arange(len(points))
    mirrored = np.repeat(starts[:-1] + starts[1:] - 1, sizes) - place
    return np.asarray(points[np.where(backward, mirrored, place)])
