"""A piece with an artwork on each side: both sides as one job each, then one board of the two.

Each artwork is drawn as it is seen from outside its side. Both share outline, cut-outs and holes, which the bottom sees
mirrored.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, BinaryIO

from worker.board_file import BoardFile
from worker.engine.fabrication.board import mirrored
from worker.engine.made_board import FROM_BEHIND, THROUGH_LIGHT, Made, made_files, make_board, view_files
from worker.engine.palette.shared import SharedPalette
from worker.engine.palette.tables import TableStore
from worker.engine.pipeline import STAGES, Conversion, Progress, StageClock, json_file, judge, part_artwork
from worker.engine.report.cautions import without_live_metal
from worker.fab_profile import FabProfile, check_two_sided
from worker.job_settings import Settings

if TYPE_CHECKING:  # these load shapely, which is slow
    from worker.engine.circuit.beside import BesideCircuit
    from worker.engine.fabrication.far_copper import Settlement
    from worker.engine.fabrication.layer_files import SideName
    from worker.engine.fabrication.planes import LayerPlanes

_PER_SIDE = STAGES.index("layers")
_OF = _PER_SIDE + len(STAGES)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoSides:
    """Everything that was made of a piece. `files` gives every file of the result.

    planes : the layers that the views show: as they will be made where fabrication files were asked for, else as the
    masks ask for them. report : of the piece, but for what `files` adds.
    """

    sides: Mapping[SideName, Conversion]
    planes: Mapping[SideName, LayerPlanes]
    made: Made | None
    report: dict[str, Any]
    threads: int
    clock: StageClock

    def files(self, *, full_size: bool = False) -> Iterator[tuple[str, bytes]]:
        """Path and bytes: top/, bottom/, views/, fabrication/ if it was asked for, and report.json last."""
        front = self.sides["top"]
        with self.clock("files"):
            views = dict(view_files(self.planes, front.fab, front.colours, threads=self.threads))
        for side, conversion in self.sides.items():
            yield from ((f"{side}/{path}", data) for path, data in conversion.side_files(full_size=full_size))
        yield from ((f"views/{name}", data) for name, data in views.items())
        made: dict[str, bytes] = {}
        blocks: dict[SideName, dict[str, Any]] = {}
        if self.made is not None:
            with self.clock("proof"):
                made, blocks = made_files(self.made, threads=self.threads)
        listed = [f"fabrication/{name}" for name in made]
        yield from zip(listed, made.values(), strict=True)
        for side, conversion in self.sides.items():
            path, data = conversion.report_file(blocks.get(side))
            yield f"{side}/{path}", data
        yield "report.json", json_file({**self.report, "fabrication": listed, "stages": self._seconds()})

    def _seconds(self) -> dict[str, float]:
        """Of every stage, both sides together."""
        clocks = [*(conversion.clock for conversion in self.sides.values()), self.clock]
        return {
            stage: sum(clock.seconds.get(stage, 0.0) for clock in clocks)
            for stage in STAGES
            if any(stage in clock.seconds for clock in clocks)
        }


def convert_two_sides(
    top: BinaryIO | bytes,
    bottom: BinaryIO | bytes,
    fab: FabProfile,
    settings: Settings,
    *,
    names: tuple[str, str] = ("top", "bottom"),
    board_file: BoardFile | None = None,
    palette: SharedPalette | None = None,
    beside: Mapping[SideName, BesideCircuit] | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
    progress: Progress | None = None,
) -> TwoSides:
    """Turn two artworks into the two sides of one board.

    Parameters
    ----------
    top, bottom : as in `pipeline.convert`, each as it is seen from outside its side. The top's gives the outline; the
        bottom's must have the same proportions.
    names : how reports and messages name the two artworks.
    beside : both sides of the circuit that the art shares its board with, in place of `board_file`.

    Raises
    ------
    ArtworkError, FabProfileError, SettingsError, OverrideError, BoardError, CircuitError,
    ImpossiblePlaceError
    """
    check_two_sided(fab)
    from worker.engine.report.piece_report import build_piece_report

    front = judge(
        part_artwork(
            top,
            fab,
            settings,
            name=names[0],
            side="top",
            board_file=board_file,
            palette=palette,
            beside=None if beside is None else beside["top"],
            tables=tables,
            threads=threads,
            clock=StageClock(progress, of=_OF),
        )
    )
    behind = judge(
        part_artwork(
            bottom,
            fab,
            settings,
            name=names[1],
            side="bottom",
            shape=mirrored(front.shape),
            palette=palette,
            beside=None if beside is None else beside["bottom"],
            tables=tables,
            threads=threads,
            clock=StageClock(progress, before=_PER_SIDE, of=_OF),
        )
    )
    sides: dict[SideName, Conversion] = {"top": front, "bottom": behind}
    for conversion in sides.values():
        conversion.clock.progress = None  # from here on the piece tells how far it is
    clock = StageClock(progress, before=_PER_SIDE, of=_OF)
    made = None
    with clock("layers"):
        if settings.fabrication:
            made = _made(sides, threads)
            sides = {side: replace(one, score=replace(one.score, basis=None)) for side, one in sides.items()}
            planes, settled = made.fabrication.planes, made.fabrication.settlements
        else:
            planes, settled = _asked(sides)
    report = build_piece_report(
        {side: conversion.report for side, conversion in sides.items()},
        settled,
        views=(f"views/{FROM_BEHIND}", f"views/{THROUGH_LIGHT}"),
        warnings=made.fabrication.warnings if made is not None else (),
    )
    return TwoSides(sides=sides, planes=planes, made=made, report=report, threads=threads, clock=clock)


def _made(sides: Mapping[SideName, Conversion], threads: int) -> Made:
    front = sides["top"]
    return make_board(
        {side: conversion.art for side, conversion in sides.items()},
        hulls={side: conversion.hull for side, conversion in sides.items()},
        bases=lambda: {side: conversion.score.basis for side, conversion in sides.items()},
        shape=front.shape,
        fab=front.fab,
        colours=front.colours,
        references=front.references,
        settings=front.settings,
        name=front.report["artwork"]["name"],
        sha256=" ".join(conversion.report["artwork"]["sha256"] for conversion in sides.values()),
        beside={side: one.beside for side, one in sides.items() if one.beside is not None} or None,
        threads=threads,
    )


def _asked(sides: Mapping[SideName, Conversion]) -> tuple[dict[SideName, LayerPlanes], tuple[Settlement, ...]]:
    """The layers that the masks of both sides ask for, with no regard to the fab's limits."""
    from worker.engine.fabrication.far_copper import OTHER, asked_planes, demand_on, settle_conflicts

    front = sides["top"]
    fab, pitch_um = front.fab, front.shape.pitch_um
    usable, _ = without_live_metal(fab, front.settings)
    art = {side: conversion.art for side, conversion in sides.items()}
    labels, settled = settle_conflicts(art, fab, front.colours.lab, forbidden=usable.forbid, pitch_um=pitch_um)
    planes = {
        side: asked_planes(labels[side], demand_on(labels[OTHER[side]], fab), fab, pitch_um=pitch_um) for side in art
    }
    return planes, settled
