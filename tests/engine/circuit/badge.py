"""The sample circuit and what its layout says of it, for checks that read none of its files."""

from __future__ import annotations

from pathlib import Path

import shapely

from samples.drawing import circuit_badge as layout
from samples.render_circuit import ORIGIN
from worker.engine.circuit.circuit import Circuit
from worker.engine.circuit.reading import read_circuit

FOLDER = Path(__file__).parents[3] / "samples" / "circuits" / "blinking-badge"


def badge_files() -> dict[str, bytes]:
    """By name."""
    return {path.name: path.read_bytes() for path in sorted(FOLDER.iterdir()) if path.suffix != ".md"}


def badge() -> Circuit:
    """The circuit, read."""
    return read_circuit(badge_files(), {})


def moved(geometry: shapely.Geometry) -> shapely.Geometry:
    """From the layout's coordinates into those of the files."""
    return shapely.transform(geometry, lambda points: points + ORIGIN)


def copper_of(side: str, net: str) -> shapely.Geometry:
    """A net's copper on a side, by the layout."""
    parts = [pad.area() for pad in layout.PADS if pad.on(side) and pad.net == net]
    parts += [shapely.LineString(points).buffer(layout.TRACK / 2) for on, name, points in layout.TRACKS
              if (on, name) == (side, net)]  # fmt: skip
    return moved(shapely.union_all([*parts, *([layout.ground_area(side)] if net == "GND" else [])]))
