"""The files of a circuit with art: the circuit's own, with the art put in, and the art alone to be taken away.

`merged/` is what a fab gets: every file that the circuit has, those without art as they were, byte for byte, and a new
job file. `art-only/` is for whoever goes on designing: the art of each layer in the circuit's own coordinates.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from worker.circuit_file import ART_ONLY, MERGED
from worker.engine.circuit.art_contacts import ArtContacts, check_contacts, find_contacts
from worker.engine.circuit.art_layers import ArtBesideCircuit
from worker.engine.circuit.art_polygons import art_polygons, in_mm, without_holes
from worker.engine.circuit.beside import BesideCircuit
from worker.engine.circuit.circuit import Circuit, CircuitLayer
from worker.engine.circuit.drawn_shapes import Polygons
from worker.engine.circuit.merging import ArtAreas, merged_gerber
from worker.engine.fabrication.digits import mm_text
from worker.engine.fabrication.drawing_dxf import assembly_dxf
from worker.engine.fabrication.drawing_svg import DrawnLayer, assembly_svg
from worker.engine.fabrication.file_attributes import Polarity, Project
from worker.engine.fabrication.gerber import PROFILE_LINE_NM, gerber_header
from worker.engine.fabrication.grid import points_nm
from worker.engine.fabrication.job_file import LayerFile, gerber_job
from worker.engine.fabrication.layer_files import JOB_FILE, LAYER_KINDS, LayerKind, SideName, TracedSide, traced_sides
from worker.engine.fabrication.planes import COPPER
from worker.engine.fabrication.rings import Rings, layer_rings
from worker.fab_profile import FabProfile

_CIRCUIT_KIND = {"copper": "Copper", "solder-mask": "Soldermask", "legend": "Legend"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArtLayer:
    """The art of one layer of one side, in Gerber's words.

    rings : of its contours, as seen from the top. areas : the same in the circuit's coordinates, by what they belong
    to. layer : the circuit's own layer; None where it has none. path : of the file that holds both, in merged/.
    """

    kind: LayerKind
    side: SideName
    rings: Rings
    areas: tuple[ArtAreas, ...]
    layer: CircuitLayer | None
    path: str

    @property
    def name(self) -> str:
        """Layer and side in words."""
        return f"{self.kind.name}-{self.side}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MergedBoard:
    """A circuit's files with art.

    traced : the art's contours, as seen from the top. layers : of every side with artwork; all of its layers, those
    too that have no art. contacts : what the art copper touches. origin_nm : where the grid's lower left corner lies.
    merged, alone : files by name, without their folder.
    """

    circuit: Circuit
    traced: Mapping[SideName, TracedSide]
    layers: tuple[ArtLayer, ...]
    contacts: ArtContacts
    origin_nm: tuple[int, int]
    merged: Mapping[str, bytes]
    alone: Mapping[str, bytes]

    def files(self) -> Iterator[tuple[str, bytes]]:
        """Path, with its folder, and bytes of every file."""
        yield from ((MERGED + name, data) for name, data in self.merged.items())
        yield from ((ART_ONLY + name, data) for name, data in self.alone.items())


def merge_board(
    made: ArtBesideCircuit, beside: Mapping[SideName, BesideCircuit], fab: FabProfile, project: Project, *, threads: int
) -> MergedBoard:
    """Put the art into the circuit's files.

    Raises
    ------
    ProofError
        Art copper touches what it may not, or comes too near to it.
    CircuitError
        A file of the circuit can't be written on in.
    """
    one = next(iter(beside.values()))
    circuit = one.circuit
    left, low, _, _ = circuit.box_mm
    origin_nm = round(left * 1e6), round(low * 1e6)
    traced = traced_sides(made.additions, fab, threads=threads)
    rings = {
        (kind.name, side): layer_rings(contours.contours, kind.bit)
        for side, contours in traced.items()
        for kind in LAYER_KINDS
    }
    copper = {side: art_polygons(rings["copper", side], origin_nm) for side in traced}
    contacts = find_contacts(one.nets, {side: in_mm(polygons) for side, polygons in copper.items()}, one.net)
    check_contacts(contacts, fab.limits["copper", "gap_mm"].value_mm)
    layers = []
    for side in traced:
        for kind in LAYER_KINDS:
            layer = circuit.layer(_CIRCUIT_KIND[kind.name], side)
            mine = rings[kind.name, side]
            areas = (
                _copper_areas(copper[side], contacts, side)
                if kind.bit == COPPER
                else (ArtAreas(polygons=without_holes(art_polygons(mine, origin_nm))),)
            )
            layers.append(
                ArtLayer(
                    kind=kind,
                    side=side,
                    rings=mine,
                    areas=areas,
                    layer=layer,
                    path=layer.name if layer is not None else _free_name(f"{kind.name}-{side}.gbr", circuit),
                )
            )
    pixel_nm = next(iter(traced.values())).contours.grid.pitch_nm
    return MergedBoard(
        circuit=circuit,
        traced=traced,
        layers=tuple(layers),
        contacts=contacts,
        origin_nm=origin_nm,
        merged=dict(_merged(circuit, layers, fab, project, pixel_nm)),
        alone=dict(_alone(circuit, layers, origin_nm, project, pixel_nm)),
    )


def _free_name(name: str, circuit: Circuit) -> str:
    taken = circuit.files()
    return next(tried for i in range(len(taken) + 1) if (tried := f"{'art-' * i}{name}") not in taken)


def _copper_areas(polygons: Polygons, contacts: ArtContacts, side: SideName) -> tuple[ArtAreas, ...]:
    """Art copper that floats has no electrical function; what belongs to the net is a conductor of it."""
    tied = np.array([bool(contacts.parts[part].nets) for part in contacts.members[side].tolist()], np.bool_)
    net = contacts.allowed.names[0] if contacts.allowed is not None and contacts.allowed.names else ""
    groups = (
        ArtAreas(polygons=without_holes(polygons[~tied]), function="NonConductor"),
        ArtAreas(polygons=without_holes(polygons[tied]), function="Conductor", net=net),
    )
    return tuple(group for group in groups if len(group.polygons))


def _function(layer: ArtLayer) -> str:
    """Value of .FileFunction."""
    return layer.layer.role.function if layer.layer is not None else layer.kind.function(layer.side)


def _merged(
    circuit: Circuit, layers: list[ArtLayer], fab: FabProfile, project: Project, pixel_nm: int
) -> Iterator[tuple[str, bytes]]:
    """Every file of the circuit, with the art; new ones for layers that it lacks; and the job file."""
    art = {layer.path: layer for layer in layers}
    listed = [
        LayerFile(path=layer.name, function=layer.role.function, polarity=_polarity(layer.role.kind))
        for layer in circuit.layers
    ]
    job_name = JOB_FILE if circuit.job is None else circuit.job[0]
    for name, data in circuit.files().items():
        if name in art:
            yield name, merged_gerber(data, art[name].areas, name=name, pixel_nm=pixel_nm)
        elif name != job_name:
            yield name, data
    for layer in layers:
        if layer.layer is None and len(layer.rings):
            function = _function(layer)
            yield layer.path, art_gerber(layer, function, project, pixel_nm)
            listed.append(LayerFile(path=layer.path, function=function, polarity=layer.kind.polarity))
    left, low, right, high = circuit.box_mm
    size = {"width_nm": round((right - left) * 1e6), "height_nm": round((high - low) * 1e6)}
    yield job_name, gerber_job(listed, fab, project=project, **size)


def _polarity(kind: str) -> Polarity:
    return "Negative" if kind == "Soldermask" else "Positive"


def art_gerber(layer: ArtLayer, function: str, project: Project, pixel_nm: int) -> bytes:
    """A file that holds the art of one layer alone."""
    head = gerber_header(project, function, layer.kind.polarity, f"{layer.name}, art alone")
    # A file of areas needs no aperture, but some readers take one without for the old format that lacks them.
    empty = f"{head}%ADD10C,{mm_text(PROFILE_LINE_NM)}*%\nM02*\n".encode("ascii")
    return merged_gerber(empty, layer.areas, name=layer.name, pixel_nm=pixel_nm)


def _alone(
    circuit: Circuit, layers: list[ArtLayer], origin_nm: tuple[int, int], project: Project, pixel_nm: int
) -> Iterator[tuple[str, bytes]]:
    """The art as Gerber for each layer, and all of it as SVG and DXF, with the board's outline to place it by."""
    for layer in layers:
        if len(layer.rings):
            yield f"{layer.name}.gbr", art_gerber(layer, layer.kind.function(layer.side), project, pixel_nm)
    drawn = [DrawnLayer(name=layer.name, rings=layer.rings) for layer in layers]
    grid = layers[0].rings.contours.grid
    there = [points_nm(ring) for ring in circuit.outline]
    on_grid = [ring - np.array(origin_nm, np.int64) for ring in there]
    title = f"{project.name}: art beside {circuit.name}"
    yield "art.svg", b"".join(assembly_svg(drawn, on_grid, (), grid=grid, title=title, origin_nm=origin_nm))
    yield "art.dxf", b"".join(assembly_dxf(drawn, there, (), grid=grid, origin_nm=origin_nm))
