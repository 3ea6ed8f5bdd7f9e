"""A board as the fab will make it, from what its sides shall show: layers, score, proved files and their report."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import worker
from worker.engine.arrays import Srgb
from worker.engine.fabrication.board import BoardShape
from worker.engine.palette.finish_colours import FinishColours, colours_of
from worker.engine.palette.hull import Packed
from worker.engine.references.reference import FinishReference
from worker.engine.report.cautions import without_live_metal
from worker.engine.report.pictures import label_colours, labels_png, mask_pngs
from worker.engine.report.png import encode_png
from worker.engine.report.score import Basis, Score, score_separation
from worker.engine.threads import meanwhile, run_all
from worker.fab_profile import FabProfile
from worker.job_settings import Settings
from worker.kept_memory import give_back_before

if TYPE_CHECKING:  # these load shapely, which is slow
    from worker.engine.circuit.art_layers import ArtBesideCircuit
    from worker.engine.circuit.beside import BesideCircuit
    from worker.engine.circuit.rasters import CircuitSide
    from worker.engine.fabrication.fabricate import Fabrication
    from worker.engine.fabrication.far_copper import SideArt
    from worker.engine.fabrication.file_attributes import Project
    from worker.engine.fabrication.layer_files import SideName
    from worker.engine.fabrication.planes import LayerPlanes
    from worker.engine.fabrication.read_back import ReadBack
    from worker.engine.report.circuit_notes import CircuitNotes

FROM_BEHIND, THROUGH_LIGHT = "from-behind.png", "through-light.png"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadeBeside:
    """Art beside a circuit: its layers, the circuit's sides that it lies on, and its other side, if that has copper."""

    art: ArtBesideCircuit
    beside: Mapping[SideName, BesideCircuit]
    other: CircuitSide | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Made:
    """The board as the fab will make it, the score of each side with artwork, and what its sheets tell.

    circuit : what a circuit and its art are made from, where the board is one.
    """

    fabrication: Fabrication
    scores: Mapping[SideName, Score]
    colours: FinishColours
    project: Project
    settings: Settings
    references: tuple[FinishReference, ...]
    circuit: MadeBeside | None = None

    @property
    def score(self) -> Score:
        """Of the side with artwork; of the top where both have."""
        return self.scores[self.fabrication.side]


def make_board(
    art: Mapping[SideName, SideArt],
    *,
    hulls: Mapping[SideName, Packed],
    bases: Callable[[], Mapping[SideName, Basis | None]],
    shape: BoardShape,
    fab: FabProfile,
    colours: FinishColours,
    references: tuple[FinishReference, ...],
    settings: Settings,
    name: str,
    sha256: str,
    beside: Mapping[SideName, BesideCircuit] | None = None,
    threads: int,
) -> Made:
    """Layers of one or both sides within the fab's limits, and how well they show the artworks.

    Parameters
    ----------
    art : what each side with artwork shall show. hulls : of the finishes in use on that side. bases : gives
    those of the separations' scores, which may be made meanwhile, where they kept one.
    shape : as seen from the top where that has artwork, else from the bottom.
    name, sha256 : of the piece's artworks, for the project's name and its GUID.
    beside : sides of the circuit that the art shares its board with.
    """
    from worker.engine.fabrication.fabricate import fabricate
    from worker.engine.fabrication.file_attributes import Project, project_guid
    from worker.engine.fabrication.mask_alone import mask_alone_warning, stands_in, with_mask_alone
    from worker.engine.fabrication.planes import seen_labels

    usable, metal_left_out = without_live_metal(fab, settings)
    like = stands_in(fab)
    if like is not None:
        fab = with_mask_alone(fab, like)
        references = (*references, replace(references[like], finish=fab.finishes[-1].id))
        colours = colours_of(references)
    circuit = None
    if beside is not None:
        circuit = _made_beside(
            art, beside, colours, fab, settings, usable.forbid, cover_metal=metal_left_out is not None, threads=threads
        )
        fabrication = circuit.art.fabrication
    else:
        fabrication = fabricate(
            art,
            colours.lab,
            shape,
            fab,
            settings,
            forbidden=usable.forbid,
            cover_metal=metal_left_out is not None,
            threads=threads,
        )
    kept = bases()
    scores = {
        side: score_separation(
            art[side].srgb,
            made.seen,
            colours,
            hull=hulls[side],
            pitch_um=shape.pitch_um,
            viewing_distance_mm=settings.viewing_distance_mm,
            basis=kept.get(side),
            threads=threads,
        )
        for side, made in fabrication.sides.items()
    }
    written = json.dumps(settings.as_text(), sort_keys=True).encode()
    if like is not None:
        seen = {side: seen_labels(planes, fab, threads=threads) for side, planes in fabrication.planes.items()}
        said = [mask_alone_warning(fab, like, shown, side, pitch_um=shape.pitch_um) for side, shown in seen.items()]
        warnings = (*fabrication.warnings, *(text for text in said if text is not None))
        fabrication = replace(fabrication, warnings=warnings)
    project = Project(
        name=name,
        guid=project_guid(sha256.encode(), fab.toml, written),
        revision=fab.revision,
        version=worker.__version__,
    )
    return Made(
        fabrication=fabrication,
        scores=scores,
        colours=colours,
        project=project,
        settings=settings,
        references=references,
        circuit=circuit,
    )


def _made_beside(
    art: Mapping[SideName, SideArt],
    beside: Mapping[SideName, BesideCircuit],
    colours: FinishColours,
    fab: FabProfile,
    settings: Settings,
    forbidden: tuple[str, ...],
    *,
    cover_metal: bool,
    threads: int,
) -> MadeBeside:
    from worker.engine.circuit.art_layers import fabricate_beside
    from worker.engine.circuit.beside import other_side
    from worker.engine.circuit.creepage import creepage_kept

    other = other_side(beside) if len(art) == 1 else None
    made = fabricate_beside(
        art,
        beside,
        other,
        colours.lab,
        fab,
        viewing_distance_mm=settings.viewing_distance_mm,
        forbidden=forbidden,
        cover_metal=cover_metal,
        cover_near=creepage_kept(settings) is not None,
        threads=threads,
    )
    return MadeBeside(art=made, beside=beside, other=other)


def made_files(made: Made, *, threads: int) -> tuple[dict[str, bytes], dict[SideName, dict[str, Any]]]:
    """What lies in fabrication/, by name, read back before it is handed on; each side's block of the report about it.

    Raises ProofError.
    """
    from worker.engine.fabrication.number_place import number_place
    from worker.engine.fabrication.proving import prove
    from worker.engine.report.fabrication_block import fabrication_block
    from worker.engine.report.fault_pictures import broken_limits_png, worst_shift_png
    from worker.engine.report.order_facts import BROKEN_LIMITS, WORST_SHIFT
    from worker.engine.report.package import finished_package, place_report, proof_report

    fabrication, lab, circuit = made.fabrication, made.colours.lab, None
    if made.circuit is not None:
        files, proof, circuit = _merged_files(made, made.circuit, threads)
    else:
        traced = fabrication.traced(threads=threads)
        files = dict(fabrication.files(made.project, traced))
        give_back_before(fabrication.seen.nbytes)  # the proof draws boards whole, and the layers were packed bits
        proof = prove(fabrication, files, traced, lab, threads=threads)
        del traced
    place = number_place(fabrication.planes, fabrication.side)
    if place is not None and made.circuit is not None:
        left, low, _, _ = next(iter(made.circuit.beside.values())).circuit.box_mm
        place = replace(place, x_mm=round(place.x_mm + left, 3), y_mm=round(place.y_mm + low, 3))
    for side, one in fabrication.sides.items():
        if one.made.left.total:
            marked = broken_limits_png(fabrication.planes[side], fabrication.fab, lab, one.made.left)
            files[BROKEN_LIMITS[side]] = marked
    traced_files = dict(files)

    def package() -> dict[str, bytes]:
        return dict(
            finished_package(
                fabrication,
                made.project,
                traced_files,
                proof,
                made.settings,
                made.references,
                place=place,
                circuit=circuit,
                threads=threads,
            )
        )

    folders = {side: "seen" if len(fabrication.sides) == 1 else f"seen-{side}" for side in fabrication.sides}
    pictures: dict[str, bytes] = {}
    with meanwhile(package, threads) as packed:  # it is deflated on one thread
        for side, folder in folders.items():
            pictures |= _seen(made, side, folder, threads)
            worst = fabrication.sides[side].expected.worst.shift
            pictures[WORST_SHIFT[side]] = worst_shift_png(fabrication.planes[side], fabrication.fab, lab, worst)
        if len(fabrication.sides) == 1 and len(fabrication.planes) == 2:
            view = through_light_png(fabrication.planes, fabrication.fab, made.colours, threads=threads)
            pictures[THROUGH_LIGHT] = view
        files |= packed() | pictures
    about = {"number_place": place_report(place), "proof": proof_report(proof)}
    return files, {
        side: {
            **fabrication_block(
                fabrication, made.scores[side], files, side=side, folder=folder, circuit=circuit, threads=threads
            ),
            **about,
        }
        for side, folder in folders.items()
    }


def _merged_files(made: Made, circuit: MadeBeside, threads: int) -> tuple[dict[str, bytes], ReadBack, CircuitNotes]:
    """A circuit's files with the art in them, their proof, and what to say of them."""
    from worker.engine.circuit.circuit_sheet import circuit_notes
    from worker.engine.circuit.merge_proof import prove_merged
    from worker.engine.circuit.merged_board import merge_board

    board = merge_board(circuit.art, circuit.beside, made.fabrication.fab, made.project, threads=threads)
    proof = prove_merged(board, made.fabrication, circuit.other, made.colours.lab, threads=threads)
    return dict(board.files()), proof, circuit_notes(board, made.settings)


def view_files(
    planes: Mapping[SideName, LayerPlanes], fab: FabProfile, colours: FinishColours, *, threads: int
) -> Iterator[tuple[str, bytes]]:
    """Name and PNG bytes of the views of a board's layers: from behind, and against the light."""
    from worker.engine.report.views import from_behind

    yield FROM_BEHIND, _picture(from_behind(planes, fab, colours.lab, threads=threads))
    yield THROUGH_LIGHT, through_light_png(planes, fab, colours, threads=threads)


def through_light_png(
    planes: Mapping[SideName, LayerPlanes], fab: FabProfile, colours: FinishColours, *, threads: int
) -> bytes:
    """The view of a board's layers against the light."""
    from worker.engine.report.views import through_light

    return _picture(through_light(planes, fab, colours.lab, threads=threads))


def _seen(made: Made, side: SideName, folder: str, threads: int) -> dict[str, bytes]:
    finishes, seen = made.fabrication.fab.finishes, made.fabrication.sides[side].seen
    pitch_um = made.fabrication.shape.pitch_um
    masks = mask_pngs(seen, len(finishes), pitch_um, threads=threads)
    files = {f"{folder}/{finish.id}.png": b"" for finish in finishes} | {f"{folder}.png": b""}

    def draw(name: str, drawn: Callable[[], bytes]) -> None:
        files[name] = drawn()

    board = functools.partial(labels_png, seen, label_colours(made.colours.lab), pitch_um)
    run_all(draw, [(f"{folder}.png", board), *zip(list(files)[:-1], masks, strict=True)], threads)
    return files


def _picture(srgb: Srgb) -> bytes:
    return encode_png(srgb, palette=None, bits=8, pixels_per_metre=None)
