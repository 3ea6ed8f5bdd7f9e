"""Proof: every file of a package read back by a reader that we did not write, and compared with what it was made from.

A layer's file is drawn by resvg from what gerbonara reads in it, and must show the same pixels as the contours do,
but for pixels whose centre lies on a contour (`undecided.py`). The contours in turn may differ from the planes only at
pixels whose centre is within the contours' tolerance of a plane's edge. So a fault of the tracer, of the simplifier or
of the writer can't pass unseen. Profile, scores and drill files are compared as numbers.

gerbonara reads some 100,000 corners a second. So very large packages are read and drawn by them in windows: the densest
one, then others drawn at random by the files' own hashes, until `MOST_CORNERS` are read. The share is stated. All of
the board is drawn from the files' text by our own hand (`scanned_drawing.py`), and must be the same at every pixel.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats, Srgb
from worker.engine.fabrication.drill import DrilledHole
from worker.engine.fabrication.gerber_reader import ReadHole, ReadLayer, read_gerber
from worker.engine.fabrication.gerber_sampling import ScannedGerber, cut_to_window, scan_gerber
from worker.engine.fabrication.grid import NM_PER_MM, Grid, Points
from worker.engine.fabrication.layer_drawing import Window, draw_layers, in_pixels, windows_of
from worker.engine.fabrication.planes import BOARD, COPPER, DRAWN, LEGEND, OPENING, Stack
from worker.engine.fabrication.proof_picture import ProofPicture
from worker.engine.fabrication.raster import rasterise
from worker.engine.fabrication.read_outline import board_layer, board_rings, check_drill, check_profile, check_scores
from worker.engine.fabrication.scanned_drawing import draw_scanned
from worker.engine.fabrication.undecided import undecided_pixels
from worker.engine.threads import row_strips, run_all
from worker.errors import ProofError

MOST_CORNERS = 500_000
"""Of all layers together: above that, windows are read. (Some five seconds.)"""
MOST_PIXELS = 60_000_000
"""Of all sides together, likewise."""
WINDOW_PX = 512
_ROUNDING_MM = 5e-7  # the reader gives mm as floating-point numbers
REPORT_IT = "Nothing was published. Please report it, with the artwork and the settings."
_BIT_OF = {"Copper": COPPER, "Soldermask": OPENING, "Legend": LEGEND}
_SIDE_OF = {"Top": "top", "Bot": "bottom"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WrittenFile:
    """A file of the package. function : value of .FileFunction. polarity : of .FilePolarity; None for a drill file."""

    path: str
    function: str
    polarity: str | None
    data: bytes

    @property
    def layer(self) -> tuple[str, int] | None:
        """Side and bit of a copper, solder mask or legend file."""
        words = self.function.split(",")
        bit = _BIT_OF.get(words[0])
        return None if bit is None else (_SIDE_OF[words[-1]], bit)

    @property
    def corners(self) -> int:
        """How many coordinates it has, about."""
        return self.data.count(b"D01*") + self.data.count(b"D03*")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideAsMade:
    """What one side's files were made from, seen from the top as in the files.

    planes : uint8 (H, W), the layer planes, hatch lines cut. written : uint8 (H, W), as the contours draw them
    (`as_written.stack_as_written`).
    """

    planes: Stack
    written: Stack


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadFile:
    """What was found in one file. extent_mm : left, low, right, high of all that it draws; None where it is empty."""

    path: str
    function: str
    objects: int
    extent_mm: tuple[float, float, float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadBack:
    """The proof. What does not hold raises, so this says how much was looked at.

    whole : every pixel of every layer. share : of the grid's pixels. windows : how many, of window_px each.
    compared_px : pixels of all layers. undecided_px : of these, how many lie on a contour. pictures : uint8 (h, w, 3)
    of each side, encoded sRGB, seen from outside; drawn from the files, outside of windows by our own hand.
    """

    reader: str
    renderer: str
    whole: bool
    share: float
    windows: int
    compared_px: int
    undecided_px: int
    tolerance_px: float
    files: tuple[ReadFile, ...]
    pictures: Mapping[str, Srgb]

    def text(self) -> str:
        """What was proved, in one sentence."""
        how = (
            "on the whole board"
            if self.whole
            else f"in {self.windows} areas, {100.0 * self.share:.3g} % of the board, and elsewhere by Maskwright's own "
            "reader"
        )
        return (
            f"{len(self.files)} files read back by {self.reader} and drawn by {self.renderer}, {how}: all pixels as "
            f"drawn, none farther than {self.tolerance_px:g} px from an edge of its layer differs."
        )


def read_back(
    files: Sequence[WrittenFile],
    sides: Mapping[str, SideAsMade],
    *,
    grid: Grid,
    tolerance_px: float,
    outlines: Sequence[Points],
    holes: Sequence[DrilledHole],
    scores: Sequence[Points] = (),
    stack_srgb: npt.NDArray[np.uint8],
    most_corners: int = MOST_CORNERS,
    threads: int = 1,
) -> ReadBack:
    """Prove a package; ProofError, naming file, place and what differs, where it does not hold.

    Parameters
    ----------
    files : all Gerber and drill files of the package.
    sides : "top" and "bottom", or one of them.
    tolerance_px : of the contours, as `simplify` got it.
    outlines : of the profile, int64 (n, 2) nm. holes : all of them. scores : lines, int64 (2, 2) nm.
    stack_srgb : uint8 (256, 3), encoded sRGB of each stack, for the pictures (`stack_colours.stack_lab`).
    """
    for name, side in sides.items():
        check_planes(side, tolerance_px, name)
    layers = [file for file in files if file.layer is not None]
    others, lines, drilled = _check_others(files, grid, outlines, holes, scores)
    pixels = grid.height_px * grid.width_px
    whole = sum(file.corners for file in layers) <= most_corners and pixels * len(sides) <= MOST_PIXELS
    proof = _Proof(layers, sides, grid, stack_srgb)
    windows = (
        proof.whole(board_layer(lines, drilled))
        if whole
        else proof.windows(most_corners, board_rings(lines, drilled), threads)
    )
    compared = sum(window.width * window.height for window in windows)
    return ReadBack(
        reader=reader_version("gerbonara"),
        renderer=reader_version("resvg_py"),
        whole=whole,
        share=1.0 if whole else compared / pixels,
        windows=len(windows),
        compared_px=proof.compared_px,
        undecided_px=proof.undecided_px,
        tolerance_px=tolerance_px,
        files=(*proof.found, *others),
        pictures={name: picture.srgb(mirrored=name == "bottom") for name, picture in proof.pictures.items()},
    )


def reader_version(module: str) -> str:
    """Name and version of a library that reads or draws."""
    from importlib.metadata import version

    return f"{module} {version(module)}"


def check_planes(side: SideAsMade, tolerance_px: float, name: str) -> None:
    """ProofError where the contours differ from the planes beyond the tolerance."""
    row, column, bit = _first_far_pixel(side.planes, side.written, np.uint8(DRAWN), tolerance_px >= 0.5)
    if row >= 0:
        layer = {COPPER: "copper", OPENING: "mask opening", LEGEND: "legend"}[int(bit)]
        raise ProofError(
            f"The contours of the {name} {layer} differ from their plane at column {column}, row {row}, farther than "
            f"{tolerance_px:g} px from an edge.",
            mend=REPORT_IT,
        )


@njit(cache=True, nogil=True, error_model="numpy")
def _first_far_pixel(planes: Stack, written: Stack, mask: np.uint8, near_counts: bool) -> tuple[int, int, int]:
    """Row, column and bit of the first pixel that differs with no other value beside it or at its corners; else -1.

    A pixel's centre is 0.5 px from an edge beside it and 0.71 px from one at its corner: below 0.5 none may differ.
    """
    height, width = planes.shape
    for r in range(height):
        for c in range(width):
            differing = (planes[r, c] ^ written[r, c]) & mask
            if differing == 0:
                continue
            near = np.uint8(0)
            for y in range(r - 1, r + 2):
                for x in range(c - 1, c + 2):
                    beside = planes[y, x] if 0 <= y < height and 0 <= x < width else np.uint8(0)
                    near |= beside ^ planes[r, c]
            far = differing & ~near if near_counts else differing
            if far:
                return r, c, far & -far
    return -1, -1, 0


def _check_others(
    files: Sequence[WrittenFile],
    grid: Grid,
    outlines: Sequence[Points],
    holes: Sequence[DrilledHole],
    scores: Sequence[Points],
) -> tuple[list[ReadFile], list[list[tuple[int, int]]], list[ReadHole]]:
    """Profile, scores and drill files, and what they draw: closed lines in nm, and holes."""
    found: list[ReadFile] = []
    lines: list[list[tuple[int, int]]] = []
    drilled: list[ReadHole] = []
    scored = 0
    for file in files:
        if file.function.startswith("Profile"):
            read = read_gerber(file.data, name=file.path)
            _check_head(read, file, grid)
            lines = check_profile(read, outlines)
            found.append(_facts(file, read, len(lines)))
        elif file.function.startswith("Vcut"):
            read = read_gerber(file.data, name=file.path)
            _check_head(read, file, grid)
            scored = check_scores(read, scores)
            found.append(_facts(file, read, scored))
        elif file.polarity is None:
            mine = check_drill(file.data, file.path, file.function, holes)
            found.append(ReadFile(path=file.path, function=file.function, objects=len(mine), extent_mm=None))
            drilled += mine
    if not lines:
        raise ProofError("The package has no profile.", mend=REPORT_IT)
    if scored != len(scores):
        raise ProofError(f"The package has {scored} of {len(scores)} scores.", mend=REPORT_IT)
    if len(drilled) != len(holes):
        raise ProofError(f"The package has {len(drilled)} of {len(holes)} holes.", mend=REPORT_IT)
    return found, lines, drilled


def _facts(file: WrittenFile, read: ReadLayer, objects: int) -> ReadFile:
    extent = None
    if len(read.boxes):
        low, high = read.boxes[:, :2].min(axis=0), read.boxes[:, 2:].max(axis=0)
        extent = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return ReadFile(path=file.path, function=file.function, objects=objects, extent_mm=extent)


def _check_head(read: ReadLayer, file: WrittenFile, grid: Grid) -> None:
    """What a file says of itself, and that the reader had nothing to complain about."""
    wanted = {".FileFunction": file.function, ".FilePolarity": file.polarity or ""}
    faults = [
        f"it says {read.attribute(name)!r} for {name}, not {value!r}"
        for name, value in wanted.items()
        if read.attribute(name) != value
    ]
    faults += [f"the reader says: {remark}" for remark in read.remarks[:3]]
    if not read.attribute(".SameCoordinates"):
        faults.append("it does not say .SameCoordinates")
    if read.unit != "mm":
        faults.append(f"its unit is {read.unit!r}, not mm")
    if read.open_regions:
        faults.append(f"{read.open_regions} areas are not closed")
    if file.layer is not None and len(read.lines):
        faults.append(f"{len(read.lines)} strokes are drawn, where only areas are")
    if faults:
        raise ProofError(f"{file.path}: {'; '.join(faults)}.", mend=REPORT_IT)
    if file.layer is not None:
        _check_extent(_facts(file, read, 0), grid)


def _check_extent(fact: ReadFile, grid: Grid) -> None:
    if fact.extent_mm is None:
        return
    left, low, right, high = fact.extent_mm
    beyond = max(-left, -low, right - grid.width_nm / NM_PER_MM, high - grid.height_nm / NM_PER_MM)
    if beyond > _ROUNDING_MM:
        raise ProofError(f"{fact.path} draws {beyond:.6f} mm outside the board's grid.", mend=REPORT_IT)


class _Proof:
    """The layers' pixels, window by window."""

    def __init__(
        self,
        layers: Sequence[WrittenFile],
        sides: Mapping[str, SideAsMade],
        grid: Grid,
        stack_srgb: npt.NDArray[np.uint8],
    ) -> None:
        self.layers = layers
        self.sides = sides
        self.grid = grid
        self.pictures = {name: ProofPicture(grid, stack_srgb) for name in sides}
        self.found: list[ReadFile] = []
        self.compared_px = self.undecided_px = 0

    def whole(self, board: ReadLayer) -> list[Window]:
        """Read all of every file, and draw the pictures."""
        read = [read_gerber(file.data, name=file.path) for file in self.layers]
        for file, layer in zip(self.layers, read, strict=True):
            _check_head(layer, file, self.grid)
            self.found.append(_facts(file, layer, layer.regions + layer.flashes))
        window = Window(left=0, top=0, right=self.grid.width_px, bottom=self.grid.height_px)
        drawn = self.compare(read, window)
        (there,) = draw_layers([board], self.grid, window)
        for name, stack in self._stacks(drawn).items():
            self.pictures[name].put(stack | there * np.uint8(BOARD), window)
        return [window]

    def windows(self, most_corners: int, board: Sequence[Floats], threads: int) -> list[Window]:
        """Draw all of it by our own hand; read windows until so many corners are read, one window at least."""
        scanned = [scan_gerber(file.data, name=file.path) for file in self.layers]
        self.found += [_scanned_facts(file, scan) for file, scan in zip(self.layers, scanned, strict=True)]
        for fact in self.found:
            _check_extent(fact, self.grid)
        self._draw_scanned(scanned, board, threads)
        done: list[Window] = []
        corners, pixels = 0, 0
        for window in self._order(scanned):
            box = _box_nm(window, self.grid)
            cut = [cut_to_window(scan, box) for scan in scanned]
            corners += sum(data.count(b"D01*") + data.count(b"D03*") for data in cut)
            pixels += window.width * window.height * len(self.sides)
            if done and (corners > most_corners or pixels > MOST_PIXELS):
                break
            read = [read_gerber(data, name=file.path) for data, file in zip(cut, self.layers, strict=True)]
            for file, layer in zip(self.layers, read, strict=True):
                _check_head(layer, file, self.grid)
            self.compare(read, window)
            done.append(window)
        return done

    def _order(self, scanned: Sequence[ScannedGerber]) -> Iterator[Window]:
        """The window with most objects, then the others as the files' hashes have it."""
        windows = windows_of(self.grid, WINDOW_PX)
        across = -(-self.grid.width_px // WINDOW_PX)
        counts = np.zeros(len(windows), np.int64)
        for scan in scanned:
            middle = (scan.boxes[:, :2] + scan.boxes[:, 2:])[scan.kinds != 0] // (2 * self.grid.pitch_nm)
            column, row = middle[:, 0] // WINDOW_PX, (self.grid.height_px - 1 - middle[:, 1]) // WINDOW_PX
            inside = (column >= 0) & (column < across) & (row >= 0) & (row < len(windows) // across)
            np.add.at(counts, row[inside] * across + column[inside], 1)
        digest = hashlib.sha256(b"".join(hashlib.sha256(file.data).digest() for file in self.layers)).digest()
        rng = np.random.default_rng(int.from_bytes(digest[:8], "big"))
        densest = int(counts.argmax())
        yield windows[densest]
        yield from (windows[i] for i in rng.permutation(len(windows)) if i != densest)

    def _draw_scanned(self, scanned: Sequence[ScannedGerber], board: Sequence[Floats], threads: int) -> None:
        """Draw the files' text strip by strip: every pixel must be as the contours have it. Draw the pictures."""
        grid = self.grid
        there = rasterise(
            [board],
            height_px=grid.height_px,
            width_px=grid.width_px,
            pitch_mm=grid.pitch_nm / NM_PER_MM,
            threads=threads,
        )
        for top, past in row_strips(grid.height_px, WINDOW_PX):
            strip = Window(left=0, top=top, right=grid.width_px, bottom=past)
            drawn = [np.zeros((strip.height, strip.width), np.uint8) for _ in scanned]
            run_all(
                draw_scanned, [(scan, grid, out, top, 1) for scan, out in zip(scanned, drawn, strict=True)], threads
            )
            layers = [out.view(np.bool_) for out in drawn]
            for file, dark in zip(self.layers, layers, strict=True):
                self._raise_if_wrong(file.path, dark, dark != self._wanted(file, strip), strip)
            for name, stack in self._stacks(layers).items():
                self.pictures[name].put(stack | there[strip.place] * np.uint8(BOARD), strip)

    def compare(self, read: Sequence[ReadLayer], window: Window) -> list[npt.NDArray[np.bool_]]:
        """Draw every layer in a window, and compare it."""
        drawn = draw_layers(read, self.grid, window)
        for file, layer, dark in zip(self.layers, read, drawn, strict=True):
            undecided = undecided_pixels(in_pixels(layer, self.grid, window), layer.starts, dark.shape)
            self.compared_px += dark.size
            self.undecided_px += int(undecided.sum())
            self._raise_if_wrong(file.path, dark, (dark != self._wanted(file, window)) & ~undecided, window)
        return drawn

    def _wanted(self, file: WrittenFile, window: Window) -> npt.NDArray[np.bool_]:
        assert file.layer is not None
        name, bit = file.layer
        return np.asarray((self.sides[name].written[window.place] & bit) != 0)

    def _stacks(self, drawn: Sequence[npt.NDArray[np.bool_]]) -> dict[str, Stack]:
        """The bits of each side's layers."""
        stacks = {name: np.zeros(drawn[0].shape, np.uint8) for name in self.sides}
        for file, dark in zip(self.layers, drawn, strict=True):
            assert file.layer is not None
            name, bit = file.layer
            stacks[name] |= dark * np.uint8(bit)
        return stacks

    def _raise_if_wrong(
        self, path: str, dark: npt.NDArray[np.bool_], wrong: npt.NDArray[np.bool_], window: Window
    ) -> None:
        if not wrong.any():
            return
        row, column = (int(v[0]) for v in np.nonzero(wrong))
        pitch = self.grid.pitch_nm / NM_PER_MM
        x, y = (window.left + column + 0.5) * pitch, (self.grid.height_px - window.top - row - 0.5) * pitch
        there = "drawn, and should not be" if dark[row, column] else "not drawn, and should be"
        raise ProofError(
            f"{path}, read back, differs from its layer at {int(wrong.sum())} pixels, the first at {x:.3f}, "
            f"{y:.3f} mm ({there}).",
            mend=REPORT_IT,
        )


def _scanned_facts(file: WrittenFile, scan: ScannedGerber) -> ReadFile:
    extent = scan.extent_nm
    return ReadFile(
        path=file.path,
        function=file.function,
        objects=int((scan.kinds != 0).sum()),
        extent_mm=None
        if extent is None
        else (extent[0] / NM_PER_MM, extent[1] / NM_PER_MM, extent[2] / NM_PER_MM, extent[3] / NM_PER_MM),
    )


def _box_nm(window: Window, grid: Grid) -> tuple[int, int, int, int]:
    low, high = (grid.height_px - window.bottom) * grid.pitch_nm, (grid.height_px - window.top) * grid.pitch_nm
    return window.left * grid.pitch_nm, low, window.right * grid.pitch_nm, high
