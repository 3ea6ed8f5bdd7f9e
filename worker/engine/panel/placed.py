"""A piece on the panel: quarter turns and whole nanometres, so that what is laid there is an exact copy."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import Polygon

from worker.engine.arrays import Floats
from worker.engine.fabrication.board import Hole
from worker.engine.fabrication.grid import NM_PER_MM, Points, nanometres
from worker.engine.panel.packing import Place
from worker.engine.panel.piece import FreePlace, Piece

_TURNS = (((1, 0), (0, 1)), ((0, -1), (1, 0)), ((-1, 0), (0, -1)), ((0, 1), (-1, 0)))
"""Rows of the matrix of each quarter turn, counter-clockwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A quarter turn about the origin, then a step of whole nanometres."""

    turn: int
    x_nm: int
    y_nm: int

    @classmethod
    def of(cls, place: Place) -> Move:
        """The move that a place stands for."""
        return cls(turn=place.turn % 4, x_nm=nanometres(place.x_mm), y_nm=nanometres(place.y_mm))

    def points(self, points: Points) -> Points:
        """int64 (n, 2) nm, moved."""
        return np.asarray(points @ np.array(_TURNS[self.turn], np.int64).T + [self.x_nm, self.y_nm])

    def point_mm(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """A point in mm, moved, on whole nanometres."""
        moved = self.points(np.array([[nanometres(x_mm), nanometres(y_mm)]], np.int64))[0]
        return float(moved[0]) / NM_PER_MM, float(moved[1]) / NM_PER_MM

    def back(self, points: Floats) -> Floats:
        """Points of the panel, float64 (n, 2) nm, in the piece's own frame."""
        x, y = points[:, 0] - self.x_nm, points[:, 1] - self.y_nm
        for _ in range(self.turn):
            x, y = y, -x
        return np.stack([x, y], axis=1)

    def hole(self, hole: Hole) -> Hole:
        """A hole or slot, moved."""
        x, y = self.point_mm(hole.x_mm, hole.y_mm)
        return replace(hole, x_mm=x, y_mm=y, slot_to=None if hole.slot_to is None else self.point_mm(*hole.slot_to))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedPiece:
    """A piece on the panel. number : in the order of the series."""

    piece: Piece
    number: int
    move: Move
    outline: Polygon
    rings: tuple[Points, ...]

    @property
    def holes(self) -> tuple[Hole, ...]:
        """Its drilled holes and slots, moved."""
        return tuple(
            self.move.hole(
                Hole(
                    x_mm=hole.x_mm,
                    y_mm=hole.y_mm,
                    diameter_mm=hole.diameter_mm,
                    plated=plated,
                    slot_to=hole.slot_to,
                )
            )
            for hole, plated in self.piece.holes
        )

    @property
    def free(self) -> FreePlace | None:
        """Its free place, moved."""
        free = self.piece.free
        if free is None:
            return None
        x, y = self.move.point_mm(free.x_mm, free.y_mm)
        across, up = free.width_mm, free.height_mm
        if self.move.turn % 2:
            across, up = up, across
        return replace(free, x_mm=x, y_mm=y, width_mm=across, height_mm=up)


def placed_piece(piece: Piece, number: int, place: Place) -> PlacedPiece:
    """A piece laid at a place."""
    move = Move.of(place)
    rings = tuple(move.points(ring) for ring in piece.rings)
    return PlacedPiece(piece=piece, number=number, move=move, outline=Polygon(rings[0] / NM_PER_MM), rings=rings)
