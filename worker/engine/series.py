"""Series: ordered artworks, or the frames of an animation, as boards that keep still where the art does."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, BinaryIO, cast

import numpy as np
from PIL import Image

from worker.board_file import BoardFile
from worker.engine.arrays import Alpha
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.flatness import is_flat
from worker.engine.artwork.frames import known_animation, read_frames
from worker.engine.artwork.picture import Artwork, WantedSize
from worker.engine.palette.shared import SharedPalette, read_palette, write_palette
from worker.engine.palette.tables import TableStore
from worker.engine.pipeline import Conversion, Progress, convert
from worker.engine.report.animation import frame_png
from worker.engine.report.pictures import label_colours
from worker.engine.separation.continuity import STILL_DELTA_E, Coherence, Previous
from worker.engine.separation.edges import choose_edges
from worker.engine.shared_palette import PaletteMaking, coarse_size
from worker.errors import ArtworkError, MaskwrightError
from worker.fab_profile import FabProfile
from worker.job import FRAME_FILE
from worker.job_settings import Settings

Frame = Artwork | ArtworkError
Opened = Callable[[], BinaryIO]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameFile:
    """A piece's artwork that lies in a file of its own: how messages name it, and how it is opened."""

    name: str
    open: Opened


class Animation:
    """The frames of a GIF, APNG, WebP or TIFF, decoded anew each time that they are gone through.

    Raises ArtworkError where the file is none of these, or too long or large.
    """

    def __init__(self, data: bytes, *, name: str) -> None:
        self.data = data
        self.name = name
        self.file = known_animation(data, name=name)

    def __len__(self) -> int:
        return self.file.frames

    def __iter__(self) -> Iterator[Frame]:
        return read_frames(self.data, name=self.name)


SeriesArt = Animation | Sequence[FrameFile]
"""The artworks of a series, in order."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesPlan:
    """What was decided for all pieces: palette, scaling, route, and the silhouette of all together."""

    palette: SharedPalette
    flat: bool
    edges: str
    reason: str
    silhouette: Alpha | None

    def coherence(self, previous: Previous | None, still: float) -> Coherence:
        """For a piece after `previous`."""
        return Coherence(
            flat=self.flat,
            edges=cast(Any, self.edges),
            reason=self.reason,
            still=still,
            silhouette=self.silhouette,
            previous=previous,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """A piece of a series, numbered from 0: what was made of it, or what is wrong with it."""

    number: int
    name: str
    conversion: Conversion | None
    error: MaskwrightError | None

    def files(self, *, full_size: bool = False) -> Iterator[tuple[str, bytes]]:
        """Path and bytes of every file of the piece: those of a conversion, and its frame of the animation."""
        assert self.conversion is not None
        yield FRAME_FILE, piece_frame(self.conversion)
        yield from self.conversion.files(full_size=full_size)


def convert_series(
    art: SeriesArt,
    fab: FabProfile,
    settings: Settings,
    *,
    still: float = STILL_DELTA_E,
    board_file: BoardFile | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
    progress: Callable[[int, int], None] = lambda done, of: None,
    stages: Progress | None = None,
) -> Iterator[Piece]:
    """Turn ordered artworks into a series of boards, one after the other, in memory that does not grow with them.

    All share centre, palette, route and, with `board = silhouette`, an outline that all artworks fit into. Where the
    art is the same as in the piece before, finishes and dots stay. A bad artwork stops no other: the next piece
    follows on the last one that was made.

    Parameters
    ----------
    art : an Animation, or files in order.
    still : colours whose CIEDE2000 is at most this are the same.
    progress : called with (done, of) artworks or pieces, once for the palette and once for the boards.
    stages : called with (stage, done, of) of each piece.

    Raises
    ------
    ArtworkError
        None of the artworks can be read.
    """
    settings = replace(settings, palette="shared")
    plan = plan_series(art, fab, settings, tables=tables, threads=threads, progress=progress)
    previous: Previous | None = None
    for number, frame in enumerate(art):
        progress(number, len(art))
        name = frame.name if isinstance(frame, FrameFile | Artwork) else f"piece {number + 1}"
        try:
            conversion = convert_piece(
                frame,
                plan,
                previous,
                fab,
                settings,
                still=still,
                board_file=board_file,
                tables=tables,
                threads=threads,
                progress=stages,
            )
        except MaskwrightError as error:
            yield Piece(number=number, name=name, conversion=None, error=error)
            continue
        previous = conversion.separation.following
        yield Piece(number=number, name=name, conversion=conversion, error=None)
    progress(len(art), len(art))


def plan_series(
    art: Iterable[FrameFile | Frame],
    fab: FabProfile,
    settings: Settings,
    *,
    tables: TableStore | None = None,
    threads: int = 1,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> SeriesPlan:
    """What holds for all pieces, from all artworks that can be read. Raises ArtworkError where none can."""
    count = len(cast(Any, art))
    making = PaletteMaking(fab, settings, of=count, threads=threads)
    outlined = settings.board.kind == "silhouette"
    size = coarse_size(settings)
    if outlined:  # a drawing is then needed as large as it will be
        size = replace(size, pitch_um=settings.pitch_um)
    flat = True
    silhouette: Alpha | None = None
    read = 0
    why: MaskwrightError | None = None
    for number, frame in enumerate(art):
        progress(number, count)
        try:
            artwork = opened_frame(frame, size)
            making.add(artwork, size)
        except MaskwrightError as error:
            why = why or error
            continue
        read += 1
        flat = flat and is_flat(artwork.srgb)
        if outlined:
            silhouette = _together(silhouette, artwork)
    progress(count, count)
    if not read:
        raise ArtworkError(
            "No artwork of the series can be read." + (f" The first: {why.what}" if why else ""),
            mend=why.mend if why else "Give at least one artwork.",
        )
    palette, active = making.finish(tables)
    edges, reason = choose_edges(_Scaled(flat=flat, pitch_um=settings.pitch_um), settings, fab, active)
    return SeriesPlan(palette=palette, flat=flat, edges=edges, reason=reason, silhouette=silhouette)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scaled:
    flat: bool
    pitch_um: float


def opened_frame(frame: FrameFile | Frame, size: WantedSize) -> Artwork:
    """A piece's artwork, decoded. Raises ArtworkError."""
    if isinstance(frame, ArtworkError):
        raise frame
    if isinstance(frame, Artwork):
        return frame
    with frame.open() as source:
        return read_artwork(source, name=frame.name, size=size)


def _together(silhouette: Alpha | None, artwork: Artwork) -> Alpha:
    """The opacity of all artworks so far; one of another size has no part in it, and its piece will say so."""
    height, width = artwork.srgb.shape[:2]
    alpha = np.full((height, width), 255, dtype=np.uint8) if artwork.alpha is None else artwork.alpha
    if silhouette is None:
        return alpha
    return np.maximum(silhouette, alpha) if silhouette.shape == alpha.shape else silhouette


def convert_piece(
    frame: FrameFile | Frame,
    plan: SeriesPlan,
    previous: Previous | None,
    fab: FabProfile,
    settings: Settings,
    *,
    still: float = STILL_DELTA_E,
    board_file: BoardFile | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
    progress: Progress | None = None,
) -> Conversion:
    """One piece, by the plan of all and what is known of the piece before it.

    Raises as `pipeline.convert` does, and ArtworkError for an artwork of another size than those before.
    """
    if isinstance(frame, ArtworkError):
        raise frame
    return convert(
        frame if isinstance(frame, Artwork) else _all_of(frame),
        fab,
        settings,
        name=frame.name,
        board_file=board_file,
        palette=plan.palette,
        coherence=plan.coherence(previous, still),
        tables=tables,
        threads=threads,
        progress=progress,
    )


def _all_of(frame: FrameFile) -> bytes:
    with frame.open() as source:
        return source.read()


def piece_frame(conversion: Conversion) -> bytes:
    """PNG bytes: a piece's artwork with its board beside it, as the animation shows it."""
    return frame_png(
        conversion.picture,
        conversion.separation.labels,
        label_colours(conversion.colours.lab),
        conversion.colours.ids.index(conversion.background),
        threads=conversion.threads,
    )


def artwork_png(artwork: Artwork) -> bytes:
    """A decoded artwork as a PNG file, transparency included."""
    pixels = artwork.srgb if artwork.alpha is None else np.dstack([artwork.srgb, artwork.alpha])
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG", compress_level=1)
    return out.getvalue()


_VERSION = 1


def write_plan(plan: SeriesPlan) -> bytes:
    """A plan as a file: the palette, and NumPy arrays, in a ZIP."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("palette.npz", write_palette(plan.palette))
        about = {"version": _VERSION, "flat": plan.flat, "edges": plan.edges, "reason": plan.reason}
        archive.writestr("about.json", json.dumps(about))
        if plan.silhouette is not None:
            kept = io.BytesIO()
            np.save(kept, plan.silhouette)
            archive.writestr("silhouette.npy", kept.getvalue())
    return out.getvalue()


def read_plan(data: bytes) -> SeriesPlan:
    """What `write_plan` wrote. Raises ArtworkError."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            about = json.loads(archive.read("about.json"))
            if about["version"] != _VERSION:
                raise ValueError(f"its version is {about['version']}")
            silhouette = None
            if "silhouette.npy" in archive.namelist():
                silhouette = np.load(io.BytesIO(archive.read("silhouette.npy")), allow_pickle=False)
            return SeriesPlan(
                palette=read_palette(archive.read("palette.npz")),
                flat=about["flat"],
                edges=about["edges"],
                reason=about["reason"],
                silhouette=silhouette,
            )
    except (KeyError, ValueError, OSError, zipfile.BadZipFile) as error:
        raise ArtworkError(
            f"The plan of the series can't be read: {error}.", mend="Ask for the series again."
        ) from error
