"""Art beside one side of a circuit: what the circuit shows of itself, which finishes art may have where, and where it
lies."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from worker.board_file import BoardFile
from worker.circuit_file import CircuitFile, GivenCircuit, Painting, refuse_board_file
from worker.engine.arrays import OUTSIDE, Labels, Srgb
from worker.engine.artwork.picture import GridPicture, WantedSize
from worker.engine.circuit.circuit import Circuit
from worker.engine.circuit.creepage import creepage_kept
from worker.engine.circuit.keep_out import MAY_COPPER, MAY_LEGEND, MAY_METAL, MAY_OPENING, art_may, without_metal_near
from worker.engine.circuit.nets import Net, Nets, find_net, read_nets
from worker.engine.circuit.painted_places import painted_places
from worker.engine.circuit.rasters import CircuitSide, SideName, board_shape, lay_circuit
from worker.engine.circuit.reading import read_circuit
from worker.engine.circuit.told_parts import told_parts
from worker.engine.fabrication.board import BoardShape, mirrored
from worker.engine.fabrication.planes import COPPER, DRAWN, LEGEND, OPENING
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.engine.palette.values import map_values
from worker.engine.report.cautions import is_hazardous
from worker.engine.separation.places import Allowed
from worker.engine.separation.result import LeftOutMark
from worker.errors import CircuitError, SettingsError
from worker.fab_profile import FabProfile
from worker.finish import LayerRecipe
from worker.job_settings import Settings

_WORDS = {"copper": MAY_COPPER, "bare_metal": MAY_METAL, "openings": MAY_OPENING, "legend": MAY_LEGEND}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BesideCircuit:
    """One side of a circuit and what art may do beside it.

    nets, net : of the circuit; the one that art may touch.
    given : uint8 (H, W), the finish that the circuit shows by itself, OUTSIDE off the board. may : see `art_may`.
    allowed : uint32 (H, W), bit i where art may bring about finish i, or the circuit shows it already.
    """

    circuit: Circuit
    said: CircuitFile
    nets: Nets
    net: Net | None
    side: CircuitSide
    given: Labels
    may: npt.NDArray[np.uint8]
    allowed: Allowed

    @property
    def shape(self) -> BoardShape:
        """The board's shape as seen from this side."""
        return self.side.shape

    def on_ground(self, srgb: Srgb, clear: npt.NDArray[np.bool_] | None, finish_srgb: Srgb) -> Srgb:
        """The artwork with the circuit's own colours where it is transparent. `finish_srgb` : uint8 (n, 3)."""
        if clear is None:
            return srgb
        there = clear & (self.given != OUTSIDE)
        out = srgb.copy()
        out[there] = finish_srgb[self.given[there]]
        return out

    def artwork_size(self, size: WantedSize, aspect: float) -> WantedSize:
        """The artwork's size: as it is asked for, else such that it covers the board."""
        if size.width_mm is not None or size.height_mm is not None:
            return size
        width, height = self.shape.size_mm
        return replace(size, width_mm=max(width, height * aspect))

    def laid(self, picture: GridPicture) -> GridPicture:
        """The artwork in its place on the board's grid, transparent round it. CircuitError where it misses the board.

        Its right and left are as seen from this side, its corner in the circuit's coordinates.
        """
        height, width = self.given.shape
        mm = self.shape.pitch_um / 1000.0
        if self.said.artwork_at is None:
            left, top = (width - picture.width_px) // 2, (height - picture.height_px) // 2
        else:
            origin_x, origin_y, right, _ = self.circuit.box_mm
            x, y = self.said.artwork_at
            from_left = x - origin_x if self.side.side == "top" else right - x - picture.width_mm
            left, top = round(from_left / mm), round(height - (y - origin_y + picture.height_mm) / mm)
        rows = slice(max(0, top), min(height, top + picture.height_px))
        columns = slice(max(0, left), min(width, left + picture.width_px))
        if rows.start >= rows.stop or columns.start >= columns.stop:
            raise CircuitError(
                f"The artwork, {picture.width_mm:.4g} x {picture.height_mm:.4g} mm at "
                f"{', '.join(f'{value:g}' for value in self.said.artwork_at or ())} mm, lies beside the board.",
                mend="The board reaches from {:g}, {:g} to {:g}, {:g} mm: place it there.".format(*self.circuit.box_mm),
                setting="circuit_file",
            )
        inner = slice(rows.start - top, rows.stop - top), slice(columns.start - left, columns.stop - left)
        srgb: Srgb = np.zeros((height, width, 3), np.uint8)
        alpha = np.zeros((height, width), np.uint8)
        srgb[rows, columns] = picture.srgb[inner]
        alpha[rows, columns] = 255 if picture.alpha is None else picture.alpha[inner]
        srgb.flags.writeable = alpha.flags.writeable = False
        return replace(picture, srgb=srgb, alpha=None if (alpha == 255).all() else alpha)

    def report(self, labels: Labels, fab: FabProfile, left_out: Sequence[LeftOutMark] = ()) -> dict[str, Any]:
        """The block `circuit` of a side's report. `left_out` : marks of the artwork that the circuit would tear."""
        mm2 = (self.shape.pitch_um / 1000.0) ** 2
        board = self.given != OUTSIDE
        art = board & (labels != self.given)
        circuit = self.circuit
        return {
            "name": circuit.name,
            "files": [
                {"name": name, "function": role.function, "said_by": said_by} for name, role, said_by in circuit.roles
            ],
            "other_files": [name for name, _ in ((circuit.job,) if circuit.job else ()) + circuit.others],
            "box_mm": dict(zip(("left", "low", "right", "high"), circuit.box_mm, strict=True)),
            "net": None if self.net is None else self.net.text,
            "fiducials": len(self.side.fiducials),
            "places": [{"kind": place.kind, "sides": list(place.sides)} for place in self.said.places],
            "art_may_mm2": {
                word: float(np.count_nonzero(board & ((self.may & bit) != 0)) * mm2) for word, bit in _WORDS.items()
            },
            "left_out": [{"finish": fab.finishes[mark.finish].id, "box_mm": self._box_mm(mark)} for mark in left_out],
            "decided_mm2": float(np.count_nonzero(board & (self.may == 0)) * mm2),
            "art_mm2": float(np.count_nonzero(art) * mm2),
            "shown_mm2": {
                finish.id: float(np.count_nonzero(board & ~art & (self.given == i)) * mm2)
                for i, finish in enumerate(fab.finishes)
            },
            "remarks": [*circuit.remarks, *_told(circuit)],
        }

    def warnings(self, left_out: Sequence[LeftOutMark]) -> list[str]:
        """What to tell of marks that are left out."""
        if not left_out:
            return []
        first = self._box_mm(left_out[0])
        x, y = (first["left"] + first["right"]) / 2.0, (first["low"] + first["high"]) / 2.0
        which = "1 mark" if len(left_out) == 1 else f"{len(left_out)} marks"
        text = (
            f"The circuit would tear {which} of the artwork, such as letters, dots or stars, left out whole: "
            f"{'' if len(left_out) == 1 else 'the first '}at x {x:.2f}, y {y:.2f} mm (circuit.left_out in the report). "
            "Where they matter, place the artwork elsewhere or make it smaller."
        )
        return [text]

    def _box_mm(self, mark: LeftOutMark) -> dict[str, float]:
        """A mark's box in the circuit's coordinates."""
        mm = self.shape.pitch_um / 1000.0
        left, _, right, high = self.circuit.box_mm
        ends = [left + mark.left * mm, left + mark.right * mm]
        if self.side.side == "bottom":
            ends = [right - mark.right * mm, right - mark.left * mm]
        return {"left": ends[0], "low": high - mark.low * mm, "right": ends[1], "high": high - mark.top * mm}


def check_beside(settings: Settings, fab: FabProfile, circuit: Circuit, board_file: BoardFile | None = None) -> None:
    """SettingsError or CircuitError where what is asked for can't be had beside a circuit."""
    if board_file is not None:
        refuse_board_file(board_file.name)
    edge = "The circuit's own profile is the board's edge, and stays as it is: leave it out."
    bridges = (
        "Bridges could join nets. Beside a circuit art copper stays as it is drawn, and the report lists every part "
        "that floats with its area and place: leave it out."
    )
    unseen = "Unseen copper is the circuit's, and stays as it is; hatched finishes are hatched anyway: leave it out."
    refused = {
        "board": (settings.board.text() != "rectangle", edge),
        "round_corners": (settings.round_corners, edge),
        "islands": (settings.islands != "leave", bridges),
        "hatch": (settings.hatch, unseen),
    }
    for name, (wrong, mend) in refused.items():
        if wrong:
            raise SettingsError(
                f"Setting {name} is {settings.as_text()[name]!r}, and there is a circuit.", mend=mend, setting=name
            )
    if len(circuit.copper_layers) > 1 and fab.stack_up["sides"] != 2:
        raise CircuitError(
            f"{circuit.name} has {len(circuit.copper_layers)} copper layers, and the profile {fab.id} one side.",
            mend="Choose a profile of a board with two sides.",
            setting="fab",
        )


def carrying_circuit(settings: Settings, circuit: Circuit) -> Settings:
    """The settings of a piece that carries a circuit, for its cautions: with what the user says that it includes, and
    with what the circuit's files tell. A battery of which nobody says the kind may be a coin cell."""
    told = ["circuit", *told_parts(circuit)]
    if "battery" in told and "coin-cell" not in told and not {"battery", "coin-cell"} & set(settings.includes):
        told.append("coin-cell")
    return replace(settings, includes=tuple(dict.fromkeys((*settings.includes, *told))))


def _told(circuit: Circuit) -> list[str]:
    return [f"{because}: cautions for it ({part}) are shown." for part, because in told_parts(circuit).items()]


def sides_beside(
    given: GivenCircuit,
    fab: FabProfile,
    settings: Settings,
    sides: Iterable[SideName],
    *,
    circuit: Circuit | None = None,
    threads: int = 1,
) -> dict[SideName, BesideCircuit]:
    """The sides of a circuit that art goes on. Raises CircuitError, SettingsError.

    `circuit` : what is given, where it has been read already.
    """
    if circuit is None:
        circuit = read_circuit(given.files, given.said.roles, name=given.name)
    check_beside(settings, fab, circuit)
    nets = read_nets(circuit)
    net = None if given.said.net is None else find_net(nets, given.said.net)
    if net is not None and is_hazardous(settings):
        raise CircuitError(
            f"Art is to touch the net {net.text}, and the voltage is hazardous.",
            mend="Name no net: art copper of it would be live wherever it goes.",
            setting="circuit_file",
        )
    creepage = creepage_kept(settings)
    return {
        side: beside_circuit(
            circuit,
            given.said,
            side,
            fab,
            nets,
            net,
            painting=given.painting,
            pitch_um=settings.pitch_um,
            threads=threads,
            creepage_mm=None if creepage is None else creepage.mm,
        )
        for side in sides
    }


def other_side(beside: Mapping[SideName, BesideCircuit]) -> CircuitSide | None:
    """The side that has no artwork; None where the circuit has no copper there. Raises CircuitError.

    `beside` : the one with artwork.
    """
    ((side, one),) = beside.items()
    other: SideName = "bottom" if side == "top" else "top"
    if one.circuit.layer("Copper", other) is None:
        return None
    return lay_circuit(one.circuit, one.shape if side == "top" else mirrored(one.shape), other)


def beside_circuit(
    circuit: Circuit,
    said: CircuitFile,
    side: SideName,
    fab: FabProfile,
    nets: Nets,
    net: Net | None,
    *,
    painting: Painting | None = None,
    pitch_um: float,
    creepage_mm: float | None = None,
    threads: int = 1,
) -> BesideCircuit:
    """One side of a circuit, laid on the grid, with what art may do there. CircuitError.

    `net` : that it may touch. `creepage_mm` : what bare metal keeps from the circuit.
    """
    shape = board_shape(circuit, pitch_um=pitch_um, threads=threads)
    laid = lay_circuit(circuit, shape, side, nets=nets, net=net)
    left, low, _, _ = circuit.box_mm
    painted = None if painting is None else painted_places(painting, shape, threads=threads)
    if painted is not None and side == "bottom":
        painted = painted[:, ::-1]
    may = art_may(laid, fab, said, origin_mm=(left, low), painted=painted)
    if creepage_mm is not None:
        may = without_metal_near(may, laid, creepage_mm)
    given = map_values(laid.stack, nearest_finish(fab), threads=threads)
    given[~laid.shape.board] = OUTSIDE
    given.flags.writeable = False
    return BesideCircuit(
        circuit=circuit,
        said=said,
        nets=nets,
        net=net,
        side=laid,
        given=given,
        may=may,
        allowed=_allowed(laid.stack, may, given, fab),
    )


def _allowed(stack: npt.NDArray[np.uint8], may: npt.NDArray[np.uint8], given: Labels, fab: FabProfile) -> Allowed:
    """Bit i where finish i can be had by adding what may be added to what is there, or is there."""
    table = np.zeros(128, np.uint32)
    for there in range(8):
        for more in range(16):
            for i, finish in enumerate(fab.finishes):
                if _can_be(finish.recipe, there, more):
                    table[there | more << 3] |= np.uint32(1 << i)
    allowed: Allowed = table[(stack & np.uint8(DRAWN)) | (may << 3)]
    allowed |= np.uint32(1) << np.minimum(given, 31).astype(np.uint32)
    allowed[given == OUTSIDE] = 0xFFFFFFFF
    allowed.flags.writeable = False
    return allowed


def _can_be(recipe: LayerRecipe, there: int, may: int) -> bool:
    copper, opening, legend = bool(there & COPPER), bool(there & OPENING), bool(there & LEGEND)
    if recipe.legend != legend and (legend or not may & MAY_LEGEND):
        return False
    if recipe.mask_opening != opening and (opening or not may & MAY_OPENING):
        return False
    if recipe.copper in ("none", "hatch") and copper:
        return False
    if recipe.copper in ("solid", "hatch"):
        bare = recipe.mask_opening and not opening
        if not copper and not may & MAY_COPPER:
            return False
        return bool(may & MAY_METAL) or not (bare or (recipe.mask_opening and not copper))
    return True
