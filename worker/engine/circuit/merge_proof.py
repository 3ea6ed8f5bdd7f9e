"""Proof of a circuit's files with art: read back by a reader that we did not write, and compared with both of them.

Each layer is drawn three times, as the circuit has it, with the art, and as the art alone. The three must fit at every
pixel: outside the art nothing differs (XOR = 0), inside it everything is drawn; but for pixels whose centre lies on the
art's own contour (`fabrication.undecided`). Files without art must be the circuit's, byte for byte.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.circuit_file import ART_ONLY, MERGED
from worker.engine.arrays import Floats
from worker.engine.circuit.merged_board import ArtLayer, MergedBoard
from worker.engine.circuit.rasters import CircuitSide
from worker.engine.circuit.reading import with_attributes
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.fabrication.as_written import stack_as_written
from worker.engine.fabrication.fabricate import Fabrication
from worker.engine.fabrication.gerber_reader import ReadLayer, read_gerber, shifted
from worker.engine.fabrication.grid import NM_PER_MM, Grid
from worker.engine.fabrication.layer_drawing import Window, draw_layers
from worker.engine.fabrication.layer_files import SideName
from worker.engine.fabrication.planes import BOARD, DRAWN
from worker.engine.fabrication.proof_picture import ProofPicture
from worker.engine.fabrication.read_back import REPORT_IT, ReadBack, ReadFile, reader_version
from worker.engine.fabrication.rings import Rings
from worker.engine.fabrication.simplify import FINE_PX
from worker.engine.fabrication.stack_colours import stack_lab
from worker.engine.fabrication.undecided import undecided_pixels
from worker.errors import ProofError, ReturnedFileError

Drawing = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawn:
    """A layer as its file with the art draws it."""

    layer: ArtLayer
    dark: Drawing
    undecided_px: int
    files: tuple[ReadFile, ...]


def prove_merged(
    board: MergedBoard, fabrication: Fabrication, other: CircuitSide | None, lab: Floats, *, threads: int = 1
) -> ReadBack:
    """Read the files with art back, and the art alone.

    Parameters
    ----------
    other : the circuit's side without artwork, for its picture.
    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes, for the pictures.

    Raises
    ------
    ProofError
        Where anything differs.
    """
    _check_bytes(board)
    grid = next(iter(board.traced.values())).contours.grid
    written = {side: stack_as_written(one.contours, threads=threads) for side, one in board.traced.items()}
    stack_srgb = lab_to_srgb(stack_lab(fabrication.fab, lab))
    pictures: dict[str, ProofPicture] = {}
    found: list[ReadFile] = []
    undecided = compared = 0
    on_board = {side: _from_the_top(fabrication.shape_from(side).board, side) for side in fabrication.planes}
    for side in board.traced:
        stack = np.uint8(BOARD) * on_board[side]
        for layer in (one for one in board.layers if one.side == side):
            drawn = _prove_layer(board, layer, (written[side] & layer.kind.bit) != 0, grid)
            stack |= np.uint8(layer.kind.bit) * drawn.dark
            found += drawn.files
            undecided += drawn.undecided_px
            compared += drawn.dark.size * len(drawn.files)
        pictures[side] = _picture(stack, grid, stack_srgb)
    if other is not None:
        stack = _from_the_top(other.stack & np.uint8(DRAWN), other.side) | np.uint8(BOARD) * on_board[other.side]
        pictures[other.side] = _picture(stack, grid, stack_srgb)
    return ReadBack(
        reader=reader_version("gerbonara"),
        renderer=reader_version("resvg_py"),
        whole=True,
        share=1.0,
        windows=1,
        compared_px=compared,
        undecided_px=undecided,
        tolerance_px=FINE_PX,
        files=tuple(found),
        pictures={
            name: pictures[name].srgb(mirrored=name == "bottom") for name in ("top", "bottom") if name in pictures
        },
    )


def _from_the_top(plane: npt.NDArray[np.generic], side: SideName) -> npt.NDArray[np.uint8]:
    return np.ascontiguousarray(plane[:, ::-1] if side == "bottom" else plane).astype(np.uint8)


def _picture(stack: npt.NDArray[np.uint8], grid: Grid, stack_srgb: npt.NDArray[np.uint8]) -> ProofPicture:
    picture = ProofPicture(grid, stack_srgb)
    picture.put(stack, _whole(grid))
    return picture


def _whole(grid: Grid) -> Window:
    return Window(left=0, top=0, right=grid.width_px, bottom=grid.height_px)


def _check_bytes(board: MergedBoard) -> None:
    """Files without art are the circuit's; those with art begin and end as the circuit's do."""
    with_art = {layer.path for layer in board.layers if len(layer.rings)}
    job = board.circuit.job[0] if board.circuit.job is not None else ""
    for name, data in board.circuit.files().items():
        now = board.merged.get(name, b"")
        same = now == data if name not in with_art else _holds(now, data)
        if not same and name != job:
            raise ProofError(f"{name} is no longer as the circuit has it.", mend=REPORT_IT)


def _holds(now: bytes, before: bytes) -> bool:
    """Whether a text is the other one with something put in at one place."""
    added = len(now) - len(before)
    if added <= 0:
        return False
    differs = np.frombuffer(now, np.uint8)[: len(before)] != np.frombuffer(before, np.uint8)
    head = int(np.argmax(differs)) if differs.any() else len(before)
    return now[head + added :] == before[head:]


def _prove_layer(board: MergedBoard, layer: ArtLayer, art: Drawing, grid: Grid) -> _Drawn:
    paths = [MERGED + layer.path] * (layer.path in board.merged)
    paths += [f"{ART_ONLY}{layer.name}.gbr"] * (len(layer.rings) > 0)
    contents = dict(board.files())
    read = [_read(contents[path], path, board, layer) for path in paths]
    circuit = [] if layer.layer is None or layer.layer.drawing is None else [_moved(layer.layer.drawing, board)]
    drawings = draw_layers([*circuit, *read], grid, _whole(grid))
    nothing = np.zeros((grid.height_px, grid.width_px), np.bool_)
    before = drawings[0] if circuit else nothing
    undecided = _undecided(layer.rings, art.shape)
    for path, dark in zip(paths, drawings[len(circuit) :], strict=True):
        wanted = art | before if path.startswith(MERGED) else art
        wrong = (dark != wanted) & ~undecided
        if wrong.any():
            raise _differs(path, dark, wrong, board, grid)
    return _Drawn(
        layer=layer,
        dark=drawings[len(circuit)] if paths and paths[0].startswith(MERGED) else before,
        undecided_px=int(np.count_nonzero(undecided)) * len(paths),
        files=tuple(_facts(path, one, board) for path, one in zip(paths, read, strict=True)),
    )


def _read(data: bytes, path: str, board: MergedBoard, layer: ArtLayer) -> ReadLayer:
    try:
        read = read_gerber(with_attributes(data, name=path), name=path)
    except ReturnedFileError as error:
        raise ProofError(f"{path}, with the art, can't be read: {error.what}", mend=REPORT_IT) from error
    before = () if layer.layer is None or layer.layer.drawing is None else layer.layer.drawing.remarks
    if len(read.remarks) > len(before) or read.open_regions:
        said = read.remarks[-1] if read.remarks else f"{read.open_regions} open regions"
        raise ProofError(f"{path}, with the art, draws a complaint of its reader: {said}.", mend=REPORT_IT)
    return _moved(read, board)


def _moved(read: ReadLayer, board: MergedBoard) -> ReadLayer:
    """A layer on the grid: its lower left corner is the grid's origin."""
    return shifted(read, -board.origin_nm[0] / NM_PER_MM, -board.origin_nm[1] / NM_PER_MM)


def _undecided(rings: Rings, shape: tuple[int, ...]) -> Drawing:
    loops = list(rings)
    if not loops:
        return np.zeros(shape, np.bool_)
    starts = np.concatenate([[0], np.cumsum([len(loop) for loop in loops])]).astype(np.int64)
    return undecided_pixels(np.concatenate(loops).astype(np.float64), starts, (shape[0], shape[1]))


def _differs(path: str, dark: Drawing, wrong: Drawing, board: MergedBoard, grid: Grid) -> ProofError:
    row, column = (int(v[0]) for v in np.nonzero(wrong))
    pitch = grid.pitch_nm / NM_PER_MM
    x = board.origin_nm[0] / NM_PER_MM + (column + 0.5) * pitch
    y = board.origin_nm[1] / NM_PER_MM + (grid.height_px - row - 0.5) * pitch
    there = "drawn, and should not be" if dark[row, column] else "not drawn, and should be"
    return ProofError(
        f"{path}, read back, differs from the circuit with its art at {int(wrong.sum())} pixels, the first at {x:.3f}, "
        f"{y:.3f} mm ({there}).",
        mend=REPORT_IT,
    )


def _facts(path: str, read: ReadLayer, board: MergedBoard) -> ReadFile:
    x, y = (value / NM_PER_MM for value in board.origin_nm)
    extent = None
    if len(read.boxes):
        low, high = read.boxes[:, :2].min(axis=0), read.boxes[:, 2:].max(axis=0)
        extent = (float(low[0] + x), float(low[1] + y), float(high[0] + x), float(high[1] + y))
    return ReadFile(path=path, function=read.attribute(".FileFunction"), objects=len(read.areas), extent_mm=extent)


def unchanged_files(board: MergedBoard) -> list[str]:
    """Names of the circuit's files that are as they were, byte for byte."""
    return [name for name, data in board.circuit.files().items() if board.merged.get(name) == data]
