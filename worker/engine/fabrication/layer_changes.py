"""What has changed between two packages of fabrication files, layer by layer: areas by drawing both, holes by numbers.

Both are read by one reader and drawn in one way, so what differs is in the files. Where all of a package has moved, as
its profile shows, that is said once and undone.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from worker.engine.fabrication.gerber_reader import ReadDrill, ReadHole, ReadLayer, read_drill, read_gerber, shifted
from worker.engine.fabrication.grid import NM_PER_MM, Grid
from worker.engine.fabrication.layer_drawing import Window, draw_layers
from worker.engine.fabrication.returned_files import HOLES, LAYER_NAMES, LINES
from worker.errors import ReturnedFileError

PLACES = 20
"""That are listed of each layer, the largest first."""
REMARKS = 5  # of each file
FINE_UM, COARSE_UM, MOST_PIXELS = 10.0, 20.0, 50_000_000
NARROWEST_PX = 2
"""Changes narrower than this are not counted: where the two files have other digits, edges differ by less than one."""
LARGEST_MM = 1200.0
_LINE = 'stroke-width="0.1"'
_DIGITS_MM = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One place that has changed: its middle and sides in mm from the package's origin, y upward, and its area."""

    what: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    area_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LayerChange:
    """What has changed in one layer.

    state : "same", "changed", "missing" (not among the files that came back) or "added" (not in the package).
    added_mm2, removed_mm2 : area drawn now and not before, and the other way round; of holes their own.
    count : how many places there are; places : the largest. before, after : bool (H, W), None for holes, for what is
    missing, and where both files paint the same objects.
    """

    layer: str
    state: str
    files: tuple[str | None, str | None]
    added_mm2: float = 0.0
    removed_mm2: float = 0.0
    count: int = 0
    places: tuple[Place, ...] = ()
    before: npt.NDArray[np.bool_] | None = None
    after: npt.NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changes:
    """All layers, and the grid that they were drawn on. origin_mm : where its lower left corner lies.

    moved_mm : how far all of the second package lies from the first; that was undone. remarks : what the reader
    complained about in the second package's files: there it may have understood them otherwise than a fab does.
    """

    layers: tuple[LayerChange, ...]
    remarks: tuple[str, ...]
    grid: Grid
    origin_mm: tuple[float, float]
    moved_mm: tuple[float, float]

    @property
    def narrowest_mm(self) -> float:
        """Changes narrower than this are not counted."""
        return NARROWEST_PX * self.grid.pitch_nm / NM_PER_MM

    def differing(self, *, missing_counts: bool) -> tuple[LayerChange, ...]:
        """Layers that are not the same."""
        return tuple(
            change
            for change in self.layers
            if change.state in ("changed", "added") or (missing_counts and change.state == "missing")
        )


def compare_packages(
    before: Mapping[str, tuple[str, bytes]],
    after: Mapping[str, tuple[str, bytes]],
    *,
    pitch_um: float | None = None,
) -> Changes:
    """Compare two packages: name and bytes of each layer's file, by layer (`returned_files.match_files`).

    `pitch_um` : of the grid that layers are drawn on; 10 um, or 20 um where the board is large, unless given.

    Raises
    ------
    ReturnedFileError
        A file can't be read, the two have no layer in common, or what they draw is too large to be a board.
    """
    if not set(before) & set(after):
        raise ReturnedFileError(
            f"None of the files is a layer of the package, which has: {', '.join(before) or 'none'}.",
            mend="Give the files that came back for this package.",
        )
    old, new = _read(before, "the package"), _read(after, "the files")
    remarks = tuple(f"{read.name}, {remark}" for read in new.values() for remark in read.remarks[:REMARKS])
    moved = _moved(old.get("profile"), new.get("profile"))
    new = {layer: shifted(read, -moved[0], -moved[1]) for layer, read in new.items()}
    grid, origin = _grid([*old.values(), *new.values()], pitch_um)
    to_grid = (-origin[0], -origin[1])
    old = {layer: shifted(read, *to_grid) for layer, read in old.items()}
    new = {layer: shifted(read, *to_grid) for layer, read in new.items()}
    changes = []
    for layer in LAYER_NAMES:
        if layer not in before and layer not in after:
            continue
        names = (before.get(layer, (None,))[0], after.get(layer, (None,))[0])
        if layer in HOLES:
            found = _compare_holes(layer, names, before.get(layer), after.get(layer), moved)
        else:
            found = _compare_layer(layer, names, old.get(layer), new.get(layer), grid, origin)
        changes.append(found)
    return Changes(layers=tuple(changes), remarks=remarks, grid=grid, origin_mm=origin, moved_mm=moved)


def _read(files: Mapping[str, tuple[str, bytes]], whose: str) -> dict[str, ReadLayer]:
    read = {layer: read_gerber(data, name=name) for layer, (name, data) in files.items() if layer not in HOLES}
    for name in [name for name in LINES if name in read]:
        drawn = read[name].drawings
        lines = {i: re.sub(r'stroke-width="[^"]*"', _LINE, drawing) for i, drawing in drawn.items()}
        read[name] = replace(read[name], drawings=lines)
    for layer in read.values():
        if len(layer.boxes) and np.abs(layer.boxes).max() > 10 * LARGEST_MM:
            raise ReturnedFileError(
                f"{layer.name} of {whose} draws something {np.abs(layer.boxes).max():.0f} mm from its origin.",
                mend="A file that far out has lost its unit or format: ask for it anew.",
            )
    return read


def _extent(layers: Sequence[ReadLayer]) -> tuple[float, float, float, float] | None:
    boxes = [layer.boxes for layer in layers if len(layer.boxes)]
    if not boxes:
        return None
    every = np.concatenate(boxes)
    return (*every[:, :2].min(axis=0).tolist(), *every[:, 2:].max(axis=0).tolist())


def _moved(old: ReadLayer | None, new: ReadLayer | None) -> tuple[float, float]:
    """How far the second profile lies from the first, where both are of one size; to the micrometre."""
    one, other = (_middle_line(read) if read is not None else None for read in (old, new))
    if one is None or other is None or np.abs((other[2:] - other[:2]) - (one[2:] - one[:2])).max() > 2e-3:
        return 0.0, 0.0
    shift = (other - one)[:2].round(3)
    return (float(shift[0]), float(shift[1])) if np.abs(shift).max() > 1e-3 else (0.0, 0.0)


def _middle_line(profile: ReadLayer) -> npt.NDArray[np.float64] | None:
    """Left, low, right, high of a profile's lines, without their width; None where it isn't drawn with lines."""
    if not len(profile.lines):
        return None
    ends = profile.lines[:, :4].reshape(-1, 2)
    return np.concatenate([ends.min(axis=0), ends.max(axis=0)])


def _grid(layers: Sequence[ReadLayer], pitch_um: float | None) -> tuple[Grid, tuple[float, float]]:
    """A grid that holds everything, and where its lower left corner lies (mm)."""
    extent = _extent(layers) or (0.0, 0.0, 1.0, 1.0)
    left, low = (float(np.floor(value)) for value in extent[:2])
    width, height = max(extent[2] - left, 0.1), max(extent[3] - low, 0.1)
    if max(width, height) > LARGEST_MM:
        raise ReturnedFileError(
            f"What the files draw is {width:.0f} x {height:.0f} mm in all.",
            mend=f"A board is {LARGEST_MM:g} mm long at most: does one of them have another unit or origin?",
        )
    pitch = pitch_um or (FINE_UM if width * height / (FINE_UM / 1000.0) ** 2 <= MOST_PIXELS else COARSE_UM)
    pitch_mm = pitch / 1000.0
    grid = Grid(
        height_px=int(np.ceil(height / pitch_mm)) + 1,
        width_px=int(np.ceil(width / pitch_mm)) + 1,
        pitch_nm=round(pitch * 1000.0),
    )
    if grid.height_px * grid.width_px > 8 * MOST_PIXELS:
        raise ReturnedFileError(
            f"At {pitch:g} um this takes {grid.height_px * grid.width_px / 1e6:.0f} megapixels a layer.",
            mend="Give a coarser --pitch.",
        )
    return grid, (left, low)


def _compare_layer(
    layer: str,
    names: tuple[str | None, str | None],
    old: ReadLayer | None,
    new: ReadLayer | None,
    grid: Grid,
    origin: tuple[float, float],
) -> LayerChange:
    if new is None:
        return LayerChange(layer=layer, state="missing", files=names)
    if old is not None and _alike(old, new):
        return LayerChange(layer=layer, state="same", files=names)
    window = Window(left=0, top=0, right=grid.width_px, bottom=grid.height_px)
    blank = np.zeros((grid.height_px, grid.width_px), np.bool_)
    if old is None:
        before, (after,) = blank, draw_layers([new], grid, window)
    else:
        before, after = draw_layers([old, new], grid, window)
    added, removed = wide_parts(after & ~before), wide_parts(before & ~after)
    places = [*_places(added, "added", grid, origin), *_places(removed, "removed", grid, origin)]
    places.sort(key=lambda place: -place.area_mm2)
    state = "added" if old is None else "changed" if places else "same"
    pixel_mm2 = (grid.pitch_nm / NM_PER_MM) ** 2
    return LayerChange(
        layer=layer,
        state=state,
        files=names,
        added_mm2=int(added.sum()) * pixel_mm2,
        removed_mm2=int(removed.sum()) * pixel_mm2,
        count=len(places),
        places=tuple(places[:PLACES]),
        before=before,
        after=after,
    )


def _alike(old: ReadLayer, new: ReadLayer) -> bool:
    """Whether both paint the same objects in the same order, but for the last digits of coordinates."""
    if old.drawings or new.drawings or old.points.shape != new.points.shape:
        return False
    same = (old.starts, old.dark, old.areas), (new.starts, new.dark, new.areas)
    if not all(np.array_equal(one, other) for one, other in zip(*same, strict=True)):
        return False
    return not len(old.points) or float(np.abs(old.points - new.points).max()) <= _DIGITS_MM


def wide_parts(differing: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """What is at least NARROWEST_PX wide: the pixels of all squares of that side that lie in it."""
    out = np.zeros_like(differing)
    if min(differing.shape) < NARROWEST_PX:
        return out
    squares = differing[:-1, :-1] & differing[1:, :-1] & differing[:-1, 1:] & differing[1:, 1:]
    for y, x in ((0, 0), (0, 1), (1, 0), (1, 1)):
        out[y : y + squares.shape[0], x : x + squares.shape[1]] |= squares
    return out


def _places(part: npt.NDArray[np.bool_], what: str, grid: Grid, origin: tuple[float, float]) -> list[Place]:
    """Its connected parts, in mm."""
    import cv2

    if not part.any():
        return []
    _, _, found, _ = cv2.connectedComponentsWithStats(part.view(np.uint8), connectivity=8)
    mm = grid.pitch_nm / NM_PER_MM
    return [
        Place(
            what=what,
            x_mm=round(origin[0] + (left + width / 2.0) * mm, 4),
            y_mm=round(origin[1] + (grid.height_px - top - height / 2.0) * mm, 4),
            width_mm=width * mm,
            height_mm=height * mm,
            area_mm2=area * mm * mm,
        )
        for left, top, width, height, area in found[1:].tolist()
    ]


def _compare_holes(
    layer: str,
    names: tuple[str | None, str | None],
    old: tuple[str, bytes] | None,
    new: tuple[str, bytes] | None,
    moved: tuple[float, float],
) -> LayerChange:
    if new is None:
        return LayerChange(layer=layer, state="missing", files=names)
    one = _holes(read_drill(old[1], name=old[0]), (0.0, 0.0)) if old else {}
    other = _holes(read_drill(new[1], name=new[0]), moved)
    gone = Counter({key: len(holes) - len(other.get(key, [])) for key, holes in one.items()})
    come = Counter({key: len(holes) - len(one.get(key, [])) for key, holes in other.items()})
    removed = [one[key][0] for key, count in gone.items() for _ in range(max(0, count))]
    added = [other[key][0] for key, count in come.items() for _ in range(max(0, count))]
    places = [_hole_place(hole, "added") for hole in added] + [_hole_place(hole, "removed") for hole in removed]
    places.sort(key=lambda place: -place.area_mm2)
    state = "added" if old is None else "changed" if places else "same"
    return LayerChange(
        layer=layer,
        state=state,
        files=names,
        added_mm2=sum(_hole_place(hole, "").area_mm2 for hole in added),
        removed_mm2=sum(_hole_place(hole, "").area_mm2 for hole in removed),
        count=len(places),
        places=tuple(places[:PLACES]),
    )


def _holes(read: ReadDrill, moved: tuple[float, float]) -> dict[tuple[int, ...], list[ReadHole]]:
    """Holes by place, diameter and other end, in micrometres, so that other digits don't count."""
    out: dict[tuple[int, ...], list[ReadHole]] = {}
    for hole in read.holes:
        ends = [(hole.x_mm - moved[0], hole.y_mm - moved[1])]
        if hole.slot_to is not None:
            ends.append((hole.slot_to[0] - moved[0], hole.slot_to[1] - moved[1]))
        ends.sort()
        key = tuple(round(value / _DIGITS_MM) for end in ends for value in end)
        moved_hole = ReadHole(
            x_mm=ends[0][0],
            y_mm=ends[0][1],
            diameter_mm=hole.diameter_mm,
            slot_to=ends[1] if len(ends) > 1 else None,
        )
        out.setdefault((*key, round(hole.diameter_mm / _DIGITS_MM)), []).append(moved_hole)
    return out


def _hole_place(hole: ReadHole, what: str) -> Place:
    x, y = hole.slot_to or (hole.x_mm, hole.y_mm)
    run = float(np.hypot(x - hole.x_mm, y - hole.y_mm))
    return Place(
        what=what,
        x_mm=round((hole.x_mm + x) / 2.0, 4),
        y_mm=round((hole.y_mm + y) / 2.0, 4),
        width_mm=abs(x - hole.x_mm) + hole.diameter_mm,
        height_mm=abs(y - hole.y_mm) + hole.diameter_mm,
        area_mm2=float(np.pi) * hole.diameter_mm**2 / 4.0 + run * hole.diameter_mm,
    )
