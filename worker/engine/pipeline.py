"""The flow: artwork -> colours -> finishes -> separation -> score -> report -> files. Start reading here."""

from __future__ import annotations

import functools
import json
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, BinaryIO, Literal

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Labels, Srgb, check_array
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.grid import aspect_of, place_on_grid
from worker.engine.artwork.ground import lay_on_ground
from worker.engine.artwork.picture import Artwork, GridPicture, WantedSize
from worker.engine.fabrication.board import BoardShape, lay_on_board, plain_board, size_on_board
from worker.engine.made_board import Made, made_files, make_board
from worker.engine.palette.assignment import Assignment, assign_colours, merged_colours
from worker.engine.palette.clusters import Cluster
from worker.engine.palette.finish_colours import FinishColours, colours_from_lab, colours_of
from worker.engine.palette.hull import FINE_NODES, Packed, hull_table
from worker.engine.palette.overrides import check_finish_ids
from worker.engine.palette.shared import SharedPalette
from worker.engine.palette.tables import TableStore
from worker.engine.references.findings import fab_findings
from worker.engine.references.reference import FinishReference
from worker.engine.report.cautions import without_live_metal
from worker.engine.report.pictures import draw_pictures
from worker.engine.report.report import build_report
from worker.engine.report.score import Score, score_separation
from worker.engine.report.series_report import flicker_block
from worker.engine.report.specular import SpecularScores, score_specular
from worker.engine.report.tuning_data import PATH as TUNING_PATH
from worker.engine.report.tuning_data import TuningData, tuning_data, write_tuning_data
from worker.engine.separation.continuity import Coherence
from worker.engine.separation.edges import pinned_finishes, separate
from worker.engine.separation.places import Allowed, Places
from worker.engine.separation.result import Separation
from worker.engine.threads import meanwhile
from worker.errors import ArtworkError, SettingsError
from worker.fab_profile import FabProfile
from worker.job_settings import Settings

if TYPE_CHECKING:  # these load more than most artworks need
    from worker.board_file import BoardFile
    from worker.engine.circuit.beside import BesideCircuit
    from worker.engine.fabrication.far_copper import SideArt

STAGES = ("artwork", "colours", "finishes", "separation", "score", "layers", "files", "proof")

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conversion:
    """Everything that was made of one artwork. `files` draws the pictures and gives every file of the result.

    drawn : the side's pictures by path, where they were drawn beside the layers.
    """

    fab: FabProfile
    settings: Settings
    side: Literal["top", "bottom"]
    colours: FinishColours
    references: tuple[FinishReference, ...]
    background: str
    picture: GridPicture
    shape: BoardShape
    beside: BesideCircuit | None
    clusters: tuple[Cluster, ...]
    cluster_of: Labels
    separation: Separation
    pinned: Labels | None
    hull: Packed
    score: Score
    specular: SpecularScores | None
    tuning: TuningData
    made: Made | None
    report: dict[str, Any]
    threads: int
    clock: StageClock
    drawn: Mapping[str, bytes] | None = None

    @property
    def masks(self) -> dict[str, npt.NDArray[np.bool_]]:
        """bool (H, W) for every finish of the profile, true where it is: together an exact partition of the board."""
        return {finish.id: self.separation.finish_mask(i) for i, finish in enumerate(self.fab.finishes)}

    @property
    def preview(self) -> Srgb:
        """uint8 (H, W, 3), encoded sRGB: the board in the finishes' reference colours, white outside it."""
        palette = np.full((256, 3), 255, dtype=np.uint8)
        palette[: len(self.colours)] = self.colours.srgb
        return palette[self.separation.labels]

    @property
    def art(self) -> SideArt:
        """What the fab is asked for: the finishes, and the artwork on its ground, which they are to look like."""
        background = self.colours.ids.index(self.background)
        srgb, _ = _on_ground(self.picture, self.colours, background, self.beside)
        return _side_art(srgb, self.separation, self.colours, self.pinned)

    def files(self, *, full_size: bool = False) -> Iterator[tuple[str, bytes]]:
        """Path and bytes of every file: masks, labels, pictures, and last report.json, which times the others."""
        yield from self.side_files(full_size=full_size)
        block = None
        if self.made is not None:
            with self.clock("proof"):
                made, blocks = made_files(self.made, threads=self.threads)
            yield from ((f"fabrication/{name}", data) for name, data in made.items())
            block = blocks[self.side]
        yield self.report_file(block)

    def side_files(self, *, full_size: bool = False) -> Iterator[tuple[str, bytes]]:
        """Those of `files` that show this side: masks, labels, pictures, and what previews are made from."""
        with self.clock("files"):
            drawn = self.drawn if self.drawn is not None and not full_size else self._pictures(full_size=full_size)
            tuning = write_tuning_data(self.tuning)
        yield from drawn.items()
        yield TUNING_PATH, tuning

    def with_pictures(self) -> Conversion:
        """The same with the side's pictures, drawn now: beside other stages, where a core would wait."""
        with self.clock.aside("files"):
            return replace(self, drawn=self._pictures(full_size=False))

    def _pictures(self, *, full_size: bool) -> dict[str, bytes]:
        drawn = draw_pictures(
            picture=self.picture,
            fab=self.fab,
            separation=self.separation,
            score=self.score,
            reference_lab=self.colours.lab,
            background=self.background,
            threads=self.threads,
            full_size=full_size,
        )
        if self.specular is not None:
            drawn |= self.specular.previews(self.separation.labels, self.picture.pitch_um)
        return drawn

    def report_file(self, fabrication: dict[str, Any] | None) -> tuple[str, bytes]:
        """report.json, with the seconds of all stages so far. `fabrication` : its block of that name."""
        report = {**self.report, **({} if fabrication is None else {"fabrication": fabrication})}
        return "report.json", json_file({**report, "stages": self.clock.seconds})


def json_file(content: dict[str, Any]) -> bytes:
    """JSON as people read it."""
    return (json.dumps(content, indent=2, ensure_ascii=False) + "\n").encode()


class StageClock:
    """Seconds of each stage, and word of them to whoever watches. What `progress` raises stops the job."""

    def __init__(self, progress: Progress | None, *, before: int = 0, of: int = len(STAGES)) -> None:
        """`before` : how many stages of the job are done before the first one here, `of` all that it has."""
        self.seconds: dict[str, float] = {}
        self.progress = progress
        self._before = before
        self._of = of

    @contextmanager
    def __call__(self, stage: str) -> Iterator[None]:
        """Time a stage, and tell when it begins and ends."""
        self._tell(stage, 0)
        with self.aside(stage):
            yield
        self._tell(stage, 1)

    @contextmanager
    def aside(self, stage: str) -> Iterator[None]:
        """Time a stage that runs beside others."""
        began = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[stage] = self.seconds.get(stage, 0.0) + time.perf_counter() - began

    def told(self, stage: str) -> None:
        """Tell of a stage that runs beside those after it."""
        self._tell(stage, 0)
        self._tell(stage, 1)

    def _tell(self, stage: str, done: int) -> None:
        if self.progress is not None:
            self.progress(stage, self._before + STAGES.index(stage) + done, self._of)


def convert(
    source: BinaryIO | bytes | Artwork,
    fab: FabProfile,
    settings: Settings,
    *,
    name: str = "artwork",
    side: Literal["top", "bottom"] = "top",
    board: npt.NDArray[np.bool_] | None = None,
    board_file: BoardFile | None = None,
    shape: BoardShape | None = None,
    allowed: Allowed | None = None,
    frozen: Labels | None = None,
    palette: SharedPalette | None = None,
    coherence: Coherence | None = None,
    beside: BesideCircuit | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
    progress: Progress | None = None,
) -> Conversion:
    """Turn an artwork into one mask per finish, with its error score.

    Parameters
    ----------
    source : binary file object, bytes or Artwork
        PNG, JPEG, TIFF, WebP, BMP, GIF or SVG; or one that was decoded already, as a frame of an animation.
    name : str
        How the report and messages name the artwork.
    board : bool (H, W) or None
        Where there is board, on the grid; elsewhere pixels are outside, in no mask. The shape cuts off more.
    board_file : BoardFile or None
        Outline, cut-outs and holes.
    shape : BoardShape or None
        The board's shape where it is known already: of the other side, mirrored. In place of `board_file`.
    allowed : uint32 (H, W) or None
        Bit i set where finish i of the profile may stand.
    frozen : uint8 (H, W) or None
        Finish of places that are decided already, 255 where they are free.
    palette : SharedPalette or None
        Of many artworks, from `shared_palette`: one art colour gets one finish on all.
    coherence : Coherence or None
        Of a piece of a series; see `series.convert_series`.
    beside : BesideCircuit or None
        The circuit that the art shares its board with, this side of it; in place of shape, board, allowed and frozen.
    tables : TableStore or None
        Where tables are kept between jobs.
    progress : called with (stage, done, of); what it raises stops the job.

    Raises
    ------
    ArtworkError, FabProfileError, SettingsError, OverrideError, BoardError, CircuitError, ImpossiblePlaceError,
    ArrayError
    """
    clock = StageClock(progress)
    parted = part_artwork(
        source,
        fab,
        settings,
        name=name,
        side=side,
        board=board,
        board_file=board_file,
        shape=shape,
        allowed=allowed,
        frozen=frozen,
        palette=palette,
        coherence=coherence,
        beside=beside,
        tables=tables,
        threads=threads,
        clock=clock,
    )
    if not settings.fabrication:
        return judge(parted)
    layers = functools.partial(
        make_board,
        {side: _side_art(parted.srgb, parted.separation, parted.colours, parted.pinned)},
        hulls={side: parted.hull},
        shape=parted.shape,
        fab=fab,
        colours=parted.colours,
        references=parted.references,
        settings=parted.settings,
        name=name,
        sha256=parted.artwork.sha256,
        beside=None if beside is None else {side: beside},
        threads=threads,
    )
    score = functools.partial(judge, parted, aside=threads > 1)
    del parted  # the artwork as it was read, and stretched, is let go with its score
    with meanwhile(score, threads) as judged:
        del score
        if threads > 1:
            clock.told("score")
        with meanwhile(lambda: judged().with_pictures(), threads) as drawn:
            with clock("layers"):
                made = layers(bases=lambda: {side: judged().score.basis})
            conversion = drawn()
    return replace(conversion, made=made, score=replace(conversion.score, basis=None))


def _side_art(srgb: Srgb, separation: Separation, colours: FinishColours, pinned: Labels | None) -> SideArt:
    from worker.engine.fabrication.border_warnings import wanted_colours
    from worker.engine.fabrication.far_copper import SideArt

    labels, dithered = separation.labels, separation.edges == "dither"
    judged = functools.partial(wanted_colours, srgb, labels, colours.srgb, dithered=dithered, pinned=pinned)
    return SideArt(labels=labels, srgb=srgb, judged=judged, other=separation.other)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parted:
    """An artwork parted into finishes, and all that its score and report are made from; fields as in `Conversion`.

    srgb : uint8 (H, W, 3), the artwork on its ground. said : what is to be warned of so far.
    """

    fab: FabProfile
    settings: Settings
    side: Literal["top", "bottom"]
    colours: FinishColours
    references: tuple[FinishReference, ...]
    background: str
    artwork: Artwork
    picture: GridPicture
    srgb: Srgb
    shape: BoardShape
    beside: BesideCircuit | None
    assignment: Assignment
    separation: Separation
    pinned: Labels | None
    hull: Packed
    palette: SharedPalette | None
    coherent: bool
    said: tuple[str, ...]
    threads: int
    clock: StageClock


def part_artwork(
    source: BinaryIO | bytes | Artwork,
    fab: FabProfile,
    settings: Settings,
    *,
    name: str,
    side: Literal["top", "bottom"],
    board: npt.NDArray[np.bool_] | None = None,
    board_file: BoardFile | None = None,
    shape: BoardShape | None = None,
    allowed: Allowed | None = None,
    frozen: Labels | None = None,
    palette: SharedPalette | None = None,
    coherence: Coherence | None = None,
    beside: BesideCircuit | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
    clock: StageClock,
) -> Parted:
    """The stages of `convert` up to the separation, for its parameters: `judge` makes the rest but the layers."""
    check_finish_ids(fab, settings)
    if settings.fabrication:
        from worker.engine.fabrication.mask_alone import stands_in

        stands_in(fab)  # told now, not when all else is done
    if settings.palette == "shared" and palette is None:
        raise SettingsError(
            f"{name}: palette is shared, and there is no palette of many artworks.",
            mend="Ask for the artworks together, or say palette=each. In Python: make one with shared_palette.",
        )
    usable, metal_left_out = without_live_metal(fab, settings)
    findings = fab_findings(fab, settings.viewing_conditions)
    colours = colours_of(findings.references)
    background = colours.ids.index(settings.background or fab.background)
    if beside is not None:
        from worker.engine.circuit.beside import carrying_circuit, check_beside

        check_beside(settings, fab, beside.circuit, board_file)
        settings = carrying_circuit(settings, beside.circuit)
        allowed = beside.allowed
    with clock("artwork"):
        placed = place_artwork(
            source,
            fab,
            settings,
            name=name,
            board_file=board_file,
            shape=shape,
            coherence=coherence,
            beside=beside,
            threads=threads,
        )
        artwork, picture, shape = placed.artwork, placed.picture, placed.shape
        board = _cut(board, shape)
        srgb, clear = _on_ground(picture, colours, background, beside)
        outside = None if board is None else ~board
    with clock("colours"):
        assignment = assign_colours(
            srgb,
            _either(clear, outside),
            colours,
            usable,
            background=background,
            pitch_um=picture.pitch_um,
            palette=palette,
            tables=tables,
            threads=threads,
        )
    with clock("finishes"):
        active = list(assignment.active)
        used = colours_from_lab(tuple(colours.ids[i] for i in active), colours.lab[active])
        hull = hull_table(used, nodes=FINE_NODES, tables=tables)
    with clock("separation"):
        separation = separate(
            picture,
            assignment,
            fab,
            colours,
            usable,
            background=background,
            clear=clear,
            board=board,
            places=Places(allowed=allowed, frozen=frozen, given=None if beside is None else beside.given),
            coherence=coherence,
            art=srgb,
            tables=tables,
            threads=threads,
        )
    return Parted(
        fab=fab,
        settings=settings,
        side=side,
        colours=colours,
        references=tuple(findings.references),
        background=colours.ids[background],
        artwork=artwork,
        picture=picture,
        srgb=srgb,
        shape=shape,
        beside=beside,
        assignment=assignment,
        separation=separation,
        pinned=pinned_finishes(assignment) if settings.fabrication else None,
        hull=hull,
        palette=palette,
        coherent=coherence is not None,
        said=(
            *([metal_left_out] if metal_left_out else []),
            *shape.warnings,
            *assignment.warnings,
            *(finding.text for finding in findings.warnings),
        ),
        threads=threads,
        clock=clock,
    )


def judge(parted: Parted, *, aside: bool = False) -> Conversion:
    """Score and report of a separation. aside : whether other stages run meanwhile."""
    assignment, separation, colours, settings = parted.assignment, parted.separation, parted.colours, parted.settings
    pitch_um, distance_mm, threads = parted.picture.pitch_um, settings.viewing_distance_mm, parted.threads
    with parted.clock.aside("score") if aside else parted.clock("score"):
        score = score_separation(
            parted.srgb,
            separation.labels,
            colours,
            hull=parted.hull,
            pitch_um=pitch_um,
            viewing_distance_mm=distance_mm,
            clusters=assignment.cluster_ids,
            cluster_count=len(assignment.cluster_lab),
            stretched=assignment.srgb if assignment.stretched else None,
            keep_basis=settings.fabrication,
            threads=threads,
        )
        specular = score_specular(
            parted.srgb,
            separation.labels,
            parted.fab,
            parted.references,
            settings.viewing_conditions,
            hull=parted.hull,
            pitch_um=pitch_um,
            viewing_distance_mm=distance_mm,
            threads=threads,
        )
        tuning = tuning_data(
            parted.srgb,
            separation.labels,
            assignment.cluster_ids,
            finish_ids=colours.ids,
            reference_lab=colours.lab,
            conditions=settings.viewing_conditions.text(),
            edges=separation.edges,
            active=assignment.active,
            clusters=assignment.clusters,
            ciede2000=score.ciede2000,
            s_cielab=score.s_cielab,
            pitch_um=pitch_um,
            viewing_distance_mm=distance_mm,
            threads=threads,
        )
    report = build_report(
        picture=parted.picture,
        shape=parted.shape,
        artwork=parted.artwork,
        fab=parted.fab,
        settings=settings,
        separation=separation,
        clusters=assignment.clusters,
        score=score,
        references=parted.references,
        side=parted.side,
        merged=merged_colours(assignment.clusters),
        warnings=list(parted.said),
        threads=threads,
    )
    if specular is not None:
        report["score"]["specular"] = specular.block()
    if parted.palette is not None:
        report["palette"] = {"artworks": parted.palette.artworks, "clusters": parted.palette.count}
    if parted.coherent:
        still = separation.flicker
        report["series"] = {"stillness": None if still is None else flicker_block(still)}
    if (beside := parted.beside) is not None:
        report["circuit"] = beside.report(separation.labels, parted.fab, separation.left_out)
        report["warnings"] += [*beside.warnings(separation.left_out), *beside.nets.warnings]
    return Conversion(
        fab=parted.fab,
        settings=settings,
        side=parted.side,
        colours=colours,
        references=parted.references,
        background=parted.background,
        picture=parted.picture,
        shape=parted.shape,
        beside=beside,
        clusters=assignment.clusters,
        cluster_of=assignment.cluster_ids,
        separation=separation,
        pinned=parted.pinned,
        hull=parted.hull,
        score=score,
        specular=specular,
        tuning=tuning,
        made=None,
        report=report,
        threads=threads,
        clock=parted.clock,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedArtwork:
    """An artwork as it was read, on the board's grid, and the board's shape."""

    artwork: Artwork
    picture: GridPicture
    shape: BoardShape


def place_artwork(
    source: BinaryIO | bytes | Artwork,
    fab: FabProfile,
    settings: Settings,
    *,
    name: str,
    board_file: BoardFile | None = None,
    shape: BoardShape | None = None,
    coherence: Coherence | None = None,
    beside: BesideCircuit | None = None,
    threads: int = 1,
) -> PlacedArtwork:
    """The first steps of `convert`, for its parameters."""
    size = WantedSize(width_mm=settings.width_mm, height_mm=settings.height_mm, pitch_um=settings.pitch_um)
    if isinstance(source, Artwork):
        artwork = source
    elif beside is not None:
        artwork = _read_for_board(source, name, size, beside)
    else:
        source = _whole_file(source, settings)
        artwork = read_artwork(source, name=name, size=size)
    if beside is not None:
        size = beside.artwork_size(size, aspect_of(artwork))
    else:
        size = size if shape is None else size_on_board(artwork, size, shape)
    flat = None if coherence is None else coherence.flat
    picture = place_on_grid(artwork, size, smallest_feature_um=_smallest_um(fab), flat=flat, threads=threads)
    if beside is not None:
        return PlacedArtwork(artwork=artwork, picture=beside.laid(picture), shape=beside.shape)
    if shape is not None:
        return PlacedArtwork(artwork=artwork, picture=lay_on_board(picture, shape), shape=shape)
    svg = source if artwork.format == "SVG" and isinstance(source, bytes) else None
    outline = _outlining(picture, artwork, size, fab, coherence, threads)
    shaped, shape = _shaped(outline, settings, fab, board_file, svg, threads)
    picture = shaped if outline is picture else lay_on_board(picture, shape)
    return PlacedArtwork(artwork=artwork, picture=picture, shape=shape)


def _outlining(
    picture: GridPicture,
    artwork: Artwork,
    size: WantedSize,
    fab: FabProfile,
    coherence: Coherence | None,
    threads: int,
) -> GridPicture:
    """The picture that the board's outline is made from: of a series' silhouette, all its artworks together."""
    if coherence is None or coherence.silhouette is None:
        return picture
    if coherence.silhouette.shape != artwork.srgb.shape[:2]:
        raise of_another_size(artwork.name, artwork.srgb.shape, coherence.silhouette.shape)
    together = replace(artwork, alpha=coherence.silhouette)
    return place_on_grid(together, size, smallest_feature_um=_smallest_um(fab), flat=coherence.flat, threads=threads)


def of_another_size(name: str, found: tuple[int, ...], wanted: tuple[int, ...]) -> ArtworkError:
    """The error of a piece whose artwork, rows and columns, is not of the size of the others."""
    return ArtworkError(
        f"{name}: this artwork is {found[1]} x {found[0]} px, and those before it are {wanted[1]} x {wanted[0]} px.",
        mend="Give all pieces of a series artworks of one size.",
    )


def _shaped(
    picture: GridPicture,
    settings: Settings,
    fab: FabProfile,
    board_file: BoardFile | None,
    svg: bytes | None,
    threads: int,
) -> tuple[GridPicture, BoardShape]:
    if settings.board.text() == "rectangle" and board_file is None:
        return picture, plain_board(picture)
    from worker.engine.fabrication.board_shape import shape_board  # loads shapely, which is slow

    return shape_board(picture, settings, fab, board_file=board_file, svg=svg, threads=threads)


def _smallest_um(fab: FabProfile) -> float:
    return min(finish.smallest_feature_mm for finish in fab.finishes) * 1000.0


def _on_ground(
    picture: GridPicture, colours: FinishColours, background: int, beside: BesideCircuit | None
) -> tuple[Srgb, npt.NDArray[np.bool_] | None]:
    """The artwork over what shows through it, and where it is transparent."""
    srgb, clear = lay_on_ground(picture.srgb, picture.alpha, colours.srgb[background])
    return srgb if beside is None else beside.on_ground(srgb, clear, colours.srgb), clear


def _read_for_board(source: BinaryIO | bytes, name: str, size: WantedSize, beside: BesideCircuit) -> Artwork:
    """The artwork for a circuit's board; a drawing is drawn anew where it must be larger to cover it."""
    data = source if isinstance(source, bytes) else source.read()
    narrow = size
    if size.width_mm is None and size.height_mm is None:
        narrow = replace(size, width_mm=beside.shape.size_mm[0])
    artwork = read_artwork(data, name=name, size=narrow)
    wanted = beside.artwork_size(size, aspect_of(artwork))
    return artwork if artwork.format != "SVG" or wanted == narrow else read_artwork(data, name=name, size=wanted)


def _whole_file(source: BinaryIO | bytes, settings: Settings) -> BinaryIO | bytes:
    """The file's bytes where the board's outline is one of its paths."""
    return source if isinstance(source, bytes) or settings.board.kind != "path" else source.read()


def _cut(board: npt.NDArray[np.bool_] | None, shape: BoardShape) -> npt.NDArray[np.bool_] | None:
    """Where there is board: what was handed in, cut to the shape. None where all of the grid is."""
    if board is not None:
        check_array("board", board, dtype=np.bool_, shape=shape.board.shape)
    if shape.whole:
        return board
    return shape.board if board is None else board & shape.board


def _either(one: npt.NDArray[np.bool_] | None, other: npt.NDArray[np.bool_] | None) -> npt.NDArray[np.bool_] | None:
    if one is None or other is None:
        return other if one is None else one
    return one | other
