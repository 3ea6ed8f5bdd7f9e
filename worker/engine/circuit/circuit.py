"""A circuit as its files have it: layers, holes and outline, in the circuit's own coordinates (mm, y upward)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from worker.circuit_file import Role
from worker.engine.fabrication.board import Ring
from worker.engine.fabrication.gerber_reader import ReadDrill, ReadLayer

SaidBy = Literal["the file", "the job file", "the user"]
LARGEST_MM = 1000.0
"""Of a board."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CircuitLayer:
    """A Gerber file of the circuit.

    name, data : the file. role : what it is, as `said_by` says. drawing : as the reader understands it, with
    `functions` and `nets` of its objects; None for files that are carried along and not looked at.
    """

    name: str
    data: bytes
    role: Role
    said_by: SaidBy
    drawing: ReadLayer | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CircuitDrill:
    """The plated or the unplated holes of a drill file, which may hold both. See `CircuitLayer`."""

    name: str
    data: bytes
    role: Role
    said_by: SaidBy
    drill: ReadDrill

    @property
    def plated(self) -> bool:
        """Whether its holes are plated."""
        return self.role.kind == "Plated"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Circuit:
    """A working circuit.

    name : how messages call it. outline : the board's edge and its cut-outs, outer ring first and counter-clockwise,
    cut-outs clockwise. job : the job file's name and bytes, if there is one. others : files that are no layers.
    remarks : what the reader said of the files, each with its file's name.
    """

    name: str
    layers: tuple[CircuitLayer, ...]
    drills: tuple[CircuitDrill, ...]
    outline: tuple[Ring, ...]
    job: tuple[str, bytes] | None
    others: tuple[tuple[str, bytes], ...]
    remarks: tuple[str, ...]

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Left, low, right, high of the outline."""
        (left, low), (right, high) = self.outline[0].min(axis=0).tolist(), self.outline[0].max(axis=0).tolist()
        return left, low, right, high

    @property
    def copper_layers(self) -> tuple[CircuitLayer, ...]:
        """From the top to the bottom."""
        copper = [layer for layer in self.layers if layer.role.kind == "Copper"]
        return tuple(sorted(copper, key=lambda layer: int(layer.role.function.split(",")[1][1:])))

    def find(self, kind: str, side: str = "") -> Iterator[CircuitLayer]:
        """Layers of a kind, such as "Soldermask", on a side: "top" or "bottom"."""
        return (layer for layer in self.layers if layer.role.kind == kind and side in ("", layer.role.side))

    def layer(self, kind: str, side: str = "") -> CircuitLayer | None:
        """The layer of a kind on a side, if there is one; of copper the outer one."""
        return next(self.find(kind, side), None)

    @property
    def roles(self) -> tuple[tuple[str, Role, SaidBy], ...]:
        """Name, role and who says so, of every layer and drill file."""
        layers = tuple((layer.name, layer.role, layer.said_by) for layer in self.layers)
        return (*layers, *((drill.name, drill.role, drill.said_by) for drill in self.drills))

    def files(self) -> dict[str, bytes]:
        """Every file that was given, by name, as it was given."""
        job = (self.job,) if self.job is not None else ()
        layers = [(layer.name, layer.data) for layer in self.layers]
        return dict([*layers, *((drill.name, drill.data) for drill in self.drills), *job, *self.others])
