"""What is told of a circuit with art: to the fab in READ ME FIRST, and to the user in the report."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from worker.circuit_file import ART_ONLY, MERGED, MIXED
from worker.engine.circuit.art_contacts import ArtPart
from worker.engine.circuit.creepage import creepage_kept
from worker.engine.circuit.merge_proof import unchanged_files
from worker.engine.circuit.merged_board import MergedBoard
from worker.engine.report.cautions import DEFERRAL, is_hazardous
from worker.engine.report.circuit_notes import CircuitNotes
from worker.job_settings import Settings

LISTED = 200
"""Floating parts in the report, the largest first."""


def circuit_notes(board: MergedBoard, settings: Settings) -> CircuitNotes:
    """What to say of a board."""
    with_art = {layer.path for layer in board.layers if len(layer.rings)}
    own = {layer.name: layer.role.function for layer in board.circuit.layers}
    for drill in board.circuit.drills:
        first, last = drill.role.function.split(",")[1:3]
        own[drill.name] = drill.role.function if drill.name not in own else f"{MIXED},{first},{last}"
    new = {layer.path: layer.kind.function(layer.side) for layer in board.layers if layer.path not in own}
    merged = {MERGED + name: function for name, function in {**new, **own}.items()}
    alone = {f"{ART_ONLY}{layer.name}.gbr": layer.kind.function(layer.side) for layer in board.layers}
    return CircuitNotes(
        functions=merged | alone,
        meanings={MERGED + name: _meaning(name, board, with_art, own) for name in board.merged},
        copper_layers=len(board.circuit.copper_layers),
        lines=tuple(_lines(board, with_art)),
        block=_block(board, settings, with_art),
        left_beside=ART_ONLY,
        copper=tuple(_copper(board, side) for side in ("top", "bottom")),
    )


def _copper(board: MergedBoard, side: str) -> dict[str, Any]:
    """The art's copper of a side: of the circuit's own nobody asks which parts are islands."""
    parts = [part for part in board.contacts.parts if part.side == side]
    return {
        "side": side,
        "parts": len(parts),
        "islands_mm2": sum(part.area_mm2 for part in parts if not part.nets),
        "area_mm2": sum(part.area_mm2 for part in parts),
    }


def _meaning(name: str, board: MergedBoard, with_art: set[str], own: dict[str, str]) -> str:
    if name not in board.circuit.files():
        return "art alone: the circuit has no such file"
    if board.circuit.job is not None and name == board.circuit.job[0]:
        return "Gerber job file, written anew"
    if name in with_art:
        return "the circuit's own, with the art at its end" + (
            "; drawn are OPENINGS of the mask" if own[name].startswith("Soldermask") else ""
        )
    return "the circuit's own, unchanged"


def _lines(board: MergedBoard, with_art: set[str]) -> Iterator[str]:
    contacts = board.contacts
    yield (
        "The circuit's own data is unchanged: the art stands at the end of each file, behind a comment, and clears "
        "nothing. Drill files and profile are the circuit's own."
    )
    floating = contacts.floating
    if floating:
        area = sum(part.area_mm2 for part in floating)
        yield (
            f"{len(floating)} part{'s' if len(floating) > 1 else ''} of copper ({area:.1f} mm2) belong to no net: they "
            "are the picture. An electrical test must not take them for broken tracks."
        )
    if contacts.tied and contacts.allowed is not None:
        area = sum(part.area_mm2 for part in contacts.tied)
        net = contacts.allowed.text
        yield f"{len(contacts.tied)} parts of art copper ({area:.1f} mm2) are joined to {net} on purpose."
    if with_art - board.circuit.files().keys():
        yield "Layers that the circuit had no file for are files of the art alone."


def _block(board: MergedBoard, settings: Settings, with_art: set[str]) -> dict[str, Any]:
    """The block `circuit` of the report's block about fabrication."""
    contacts = board.contacts
    floating = contacts.floating
    nearest = contacts.nearest
    return {
        "merged": sorted(f"fabrication/{MERGED}{name}" for name in with_art),
        "unchanged": [f"fabrication/{MERGED}{name}" for name in unchanged_files(board)],
        "art_only": [f"fabrication/{ART_ONLY}{name}" for name in board.alone],
        "net": None if contacts.allowed is None else contacts.allowed.text,
        "tied": [_part(part) for part in contacts.tied[:LISTED]],
        "floating": [_part(part) for part in floating[:LISTED]],
        "floating_parts": len(floating),
        "floating_mm2": sum(part.area_mm2 for part in floating),
        "nearest": None
        if nearest is None or nearest.gap_to is None
        else {**_part(nearest), "gap_mm": nearest.gap_mm, "net": nearest.gap_to.text},
        "creepage": _creepage(settings),
    }


def _part(part: ArtPart) -> dict[str, Any]:
    x, y = part.place
    return {"side": part.side, "area_mm2": part.area_mm2, "x_mm": x, "y_mm": y}


def _creepage(settings: Settings) -> str | None:
    """What distance bare art metal keeps at a hazardous voltage, and who decides."""
    if not is_hazardous(settings):
        return None
    kept = creepage_kept(settings)
    if kept is None:
        return "Art has no bare metal at this voltage. A licensed engineer decides on spacing. " + DEFERRAL
    return (
        f"Bare art metal keeps {kept.text} from copper and openings of the circuit. That is no design: a licensed "
        f"engineer decides. {DEFERRAL}"
    )
