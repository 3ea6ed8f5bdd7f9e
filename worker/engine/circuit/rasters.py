"""A circuit laid on the board's grid: one side's layers, holes, pads and fiducial marks, as that side is seen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from worker.engine.artwork.grid_size import MAX_GRID_PIXELS
from worker.engine.artwork.margin import Margins
from worker.engine.circuit.circuit import Circuit, CircuitLayer
from worker.engine.circuit.nets import Net, Nets
from worker.engine.fabrication.board import BoardShape, Hole, mirrored
from worker.engine.fabrication.gerber_reader import ReadLayer, shifted
from worker.engine.fabrication.grid import NM_PER_UM, Grid
from worker.engine.fabrication.layer_drawing import Window, draw_layers
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING
from worker.engine.fabrication.raster import rasterise
from worker.errors import CircuitError

Mask = npt.NDArray[np.bool_]
SideName = Literal["top", "bottom"]
_PADS = ("SMDPad", "BGAPad", "ComponentPad", "ConnectorPad", "HeatsinkPad", "TestPad", "WasherPad", "CastellatedPad")
"""Functions of copper that something is soldered or pressed to (Gerber Layer Format Specification, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CircuitSide:
    """One side of a circuit on the grid of `shape`, which is seen from that side, as all arrays here.

    stack : uint8 (H, W), bits of `fabrication.planes`: what the circuit has there. BOARD is set in plated holes too,
    which lie in their pads. pads : bool (H, W), copper that something is soldered to. free_of_net : bool (H, W), copper
    of the net that art may touch; all False where none is named. fiducials : circles, (x, y, diameter) in mm from the
    grid's lower left corner.
    """

    side: SideName
    shape: BoardShape
    stack: npt.NDArray[np.uint8]
    pads: Mask
    free_of_net: Mask
    fiducials: tuple[tuple[float, float, float], ...]

    def plane(self, bit: int) -> Mask:
        """bool (H, W): where this bit is set."""
        return np.asarray((self.stack & np.uint8(bit)) != 0)


def board_shape(circuit: Circuit, *, pitch_um: float, threads: int = 1) -> BoardShape:
    """The circuit's board as seen from the top, on a grid whose lower left corner is that of the outline's box.

    Raises CircuitError where the grid would be too large.
    """
    left, low, right, high = circuit.box_mm
    mm = pitch_um / 1000.0
    width, height = (max(1, int(np.ceil((far - near) / mm - 1e-6))) for near, far in ((left, right), (low, high)))
    if width * height > MAX_GRID_PIXELS:
        raise CircuitError(
            f"At a pitch of {pitch_um:g} um the circuit's board has {width:,} x {height:,} px; the limit is "
            f"{MAX_GRID_PIXELS // 1_000_000} million.",
            mend="Choose a coarser pitch.",
        )
    outline = []
    for ring in circuit.outline:
        moved = ring - [left, low]
        moved.flags.writeable = False
        outline.append(moved)
    holes = tuple(
        Hole(
            x_mm=hole.x_mm - left,
            y_mm=hole.y_mm - low,
            diameter_mm=hole.diameter_mm,
            plated=drill.plated,
            slot_to=None if hole.slot_to is None else (hole.slot_to[0] - left, hole.slot_to[1] - low),
        )
        for drill in circuit.drills
        for hole in drill.drill.holes
    )
    drilled = shapely.unary_union([hole.polygon for hole in holes])
    board = inside(shapely.Polygon(outline[0], outline[1:]).difference(drilled), (height, width), mm, threads)
    board.flags.writeable = False
    return BoardShape(
        kind="circuit",
        outline=tuple(outline),
        holes=holes,
        board=board,
        pitch_um=pitch_um,
        margins=Margins(),
        findings=(),
        warnings=(),
    )


def inside(area: shapely.Geometry, size: tuple[int, ...], mm: float, threads: int = 1) -> Mask:
    """bool (H, W): pixels whose centre lies in an area, mm from the grid's lower left corner. `mm` : of a pixel."""
    height, width = size
    rings = [
        np.asarray(ring.coords, np.float64)[:-1]
        for part in shapely.get_parts(area)
        if part.geom_type == "Polygon"
        for ring in (part.exterior, *part.interiors)
    ]
    return rasterise([rings], height_px=height, width_px=width, pitch_mm=mm, threads=threads).view(np.bool_)


def lay_circuit(
    circuit: Circuit, shape: BoardShape, side: SideName, *, nets: Nets | None = None, net: Net | None = None
) -> CircuitSide:
    """One side of a circuit on its grid.

    Parameters
    ----------
    shape : from `board_shape`, as seen from the top.
    nets, net : of the circuit; the one that art may touch.

    Raises
    ------
    CircuitError
        The side has copper and no solder mask file; the net lies nearer than a pixel to another one.
    """
    grid = Grid(
        height_px=shape.board.shape[0], width_px=shape.board.shape[1], pitch_nm=round(shape.pitch_um * NM_PER_UM)
    )
    layers = {kind: circuit.layer(kind, side) for kind in ("Copper", "Soldermask", "Legend")}
    if layers["Copper"] is not None and layers["Soldermask"] is None:
        raise CircuitError(
            f"{circuit.name} has copper on its {side} and no solder mask file for it.",
            mend="Add it; where the whole side is covered, a file that draws nothing.",
        )
    metal = layers["Copper"]
    marked = _only(metal.drawing, _is_pad) if metal is not None and metal.drawing is not None else None
    drawings = [None if layer is None else layer.drawing for layer in layers.values()]
    copper, opening, legend, soldered = _drawn([*drawings, marked], circuit, grid)
    on_board = inside(shape.polygon, shape.board.shape, shape.pitch_um / 1000.0)
    for hole in shape.holes:
        if not hole.plated:
            on_board &= ~inside(hole.polygon, shape.board.shape, shape.pitch_um / 1000.0)
    stack = BOARD * on_board.astype(np.uint8)
    for plane, bit in ((copper, COPPER), (opening, OPENING), (legend, LEGEND)):
        stack |= np.uint8(bit) * (plane & on_board)
    pads = copper & (opening | soldered)
    net_copper = _net_copper(nets, net, copper, shape, circuit, side)
    marks = _fiducials(layers["Copper"], circuit)
    turned = side == "bottom"
    width_mm = grid.width_nm / 1e6
    return CircuitSide(
        side=side,
        shape=mirrored(shape) if turned else shape,
        stack=_seen(stack, turned),
        pads=_seen(pads, turned),
        free_of_net=_seen(net_copper, turned),
        fiducials=tuple((width_mm - x, y, size) for x, y, size in marks) if turned else marks,
    )


def _seen(plane: npt.NDArray[Any], turned: bool) -> npt.NDArray[Any]:
    """What the top sees, as its side sees it."""
    seen = np.ascontiguousarray(plane[:, ::-1]) if turned else plane
    seen.flags.writeable = False
    return seen


def _drawn(drawings: Sequence[ReadLayer | None], circuit: Circuit, grid: Grid) -> list[Mask]:
    """For each drawing a bool (H, W): where it is dark, as seen from the top."""
    left, low, _, _ = circuit.box_mm
    window = Window(left=0, top=0, right=grid.width_px, bottom=grid.height_px)
    there = [shifted(drawing, -left, -low) for drawing in drawings if drawing is not None]
    drawn = iter(draw_layers(there, grid, window))
    return [np.zeros((grid.height_px, grid.width_px), np.bool_) if each is None else next(drawn) for each in drawings]


def _is_pad(function: str) -> bool:
    return function.split(",")[0] in _PADS


def _only(drawing: ReadLayer, wanted: Callable[[str], bool]) -> ReadLayer:
    """The layer without dark objects of other functions; what is cleared stays cleared, in its order."""
    kept = np.flatnonzero(~drawing.dark | np.array([wanted(each) for each in drawing.functions], np.bool_))
    return replace(
        drawing,
        dark=drawing.dark[kept],
        boxes=drawing.boxes[kept],
        areas=drawing.areas[kept],
        drawings={place: drawing.drawings[i] for place, i in enumerate(kept.tolist()) if i in drawing.drawings},
    )


def _net_copper(
    nets: Nets | None, net: Net | None, copper: Mask, shape: BoardShape, circuit: Circuit, side: SideName
) -> Mask:
    """bool (H, W): connected parts of the side's copper that belong to a net, as seen from the top."""
    if net is None or nets is None:
        return np.zeros_like(copper)
    left, low, _, high = circuit.box_mm
    mm = shape.pitch_um / 1000.0
    here = nets.on_layer(nets.outer(side))
    moved = shapely.transform(nets.polygons[here], lambda points: points - [left, low])
    mine = nets.of[here] == net.number
    own, others = (inside(shapely.unary_union(moved[which]), copper.shape, mm) & copper for which in (mine, ~mine))
    _, parts = cv2.connectedComponents(copper.view(np.uint8), connectivity=8)
    of_net = np.zeros(int(parts.max()) + 1, np.bool_)
    of_net[parts[own]] = True
    of_net[0] = False
    shared = np.unique(parts[others & of_net[parts]])
    if len(shared):
        y, x = np.argwhere((parts == shared[0]) & others)[0].tolist()
        raise CircuitError(
            f"On the {side} of {circuit.name} copper of {net.text} and of another net are nearer than a pixel, near "
            f"{left + x * mm:.2f}, {high - y * mm:.2f} mm.",
            mend="Choose a finer pitch, or name no net.",
        )
    out: Mask = of_net[parts]
    return out


def _fiducials(layer: CircuitLayer | None, circuit: Circuit) -> tuple[tuple[float, float, float], ...]:
    """Centre and diameter of every mark, mm from the grid's lower left corner, as seen from the top."""
    if layer is None or layer.drawing is None:
        return ()
    left, low, _, _ = circuit.box_mm
    found = []
    for function, box in zip(layer.drawing.functions, layer.drawing.boxes.tolist(), strict=True):
        if function.split(",")[0] == "FiducialPad":
            x, y = (box[0] + box[2]) / 2.0 - left, (box[1] + box[3]) / 2.0 - low
            found.append((x, y, max(box[2] - box[0], box[3] - box[1])))
    return tuple(found)
