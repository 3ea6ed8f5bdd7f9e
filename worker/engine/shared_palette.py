"""The palette step: the colours of many artworks to one palette, which `pipeline.convert` then takes for each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from worker.engine.arrays import Srgb
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.grid import size_of
from worker.engine.artwork.ground import lay_on_ground
from worker.engine.artwork.picture import Artwork, WantedSize
from worker.engine.palette.cluster_count import PIXELS, choose_cluster_count
from worker.engine.palette.contrast import lightness_line, stretch_lightness
from worker.engine.palette.finish_colours import FinishColours, colours_from_lab, colours_of
from worker.engine.palette.histogram import Histogram
from worker.engine.palette.overrides import check_finish_ids, choose_finishes
from worker.engine.palette.shared import Gathering, SharedPalette, stretched_histogram, thin
from worker.engine.palette.tables import TableStore, nearest_finish_table
from worker.engine.references.findings import fab_findings
from worker.engine.report.cautions import without_live_metal
from worker.errors import MaskwrightError
from worker.fab_profile import FabProfile
from worker.job_settings import Settings

SAMPLES = 30
"""So many artworks, evenly taken, say how many clusters `auto` makes."""
_SVG_PITCH_UM = 100.0
"""A drawing has no pixels of its own: it is drawn as coarsely as a board can be."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PaletteArtwork:
    """One of the artworks of a palette: how messages name it, how it is opened, and the settings of its job."""

    name: str
    open: Callable[[], BinaryIO]
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PaletteStep:
    """The palette, and the artworks that could not be read: their own jobs will say so. By name, what is wrong."""

    palette: SharedPalette
    failed: tuple[tuple[str, MaskwrightError], ...]


def shared_palette(
    artworks: Sequence[PaletteArtwork],
    fab: FabProfile,
    settings: Settings,
    *,
    tables: TableStore | None = None,
    threads: int = 1,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> PaletteStep:
    """One palette for many artworks.

    Each counts the same, whatever its size. How many clusters `auto` makes is chosen for all, and which finishes
    `max_finishes` leaves. An artwork that can't be read is left out.

    Parameters
    ----------
    settings : what is said of all; an artwork's own give its size.
    progress : called with (done, of) artworks; what it raises stops the step.
    """
    making = PaletteMaking(fab, settings, of=len(artworks), threads=threads)
    failed: list[tuple[str, MaskwrightError]] = []
    for number, artwork in enumerate(artworks):
        progress(number, len(artworks))
        size = coarse_size(artwork.settings)
        try:
            with closing(artwork.open()) as source:
                picture = read_artwork(source, name=artwork.name, size=size)
            making.add(picture, size)
        except MaskwrightError as error:
            failed.append((artwork.name, error))
    progress(len(artworks), len(artworks))
    palette, _ = making.finish(tables)
    return PaletteStep(palette=palette, failed=tuple(failed))


def coarse_size(settings: Settings) -> WantedSize:
    """The size of an artwork as it is read for its colours alone."""
    return WantedSize(width_mm=settings.width_mm, height_mm=settings.height_mm, pitch_um=_SVG_PITCH_UM)


class PaletteMaking:
    """A palette while it is made, artwork after artwork, in memory that does not grow."""

    def __init__(self, fab: FabProfile, settings: Settings, *, of: int, threads: int = 1) -> None:
        """`of` : how many artworks there will be."""
        check_finish_ids(fab, settings)
        self.settings = settings
        self.fab = fab
        self.colours = colours_of(fab_findings(fab, settings.viewing_conditions).references)
        self.background = self.colours.ids.index(settings.background or fab.background)
        self.threads = threads
        self._gathering = Gathering()
        self._number = 0
        self._wanted = {of * i // SAMPLES for i in range(SAMPLES)}
        self._most = PIXELS // min(of or 1, SAMPLES)
        self._samples: list[tuple[Srgb, float]] = []

    def add(self, artwork: Artwork, size: WantedSize) -> None:
        """Count an artwork. Raises SettingsError where its size is not known."""
        number, self._number = self._number, self._number + 1
        grid = size_of(artwork, size)
        srgb, clear = lay_on_ground(artwork.srgb, artwork.alpha, self.colours.srgb[self.background])
        self._gathering.add(np.ascontiguousarray(srgb), clear, threads=self.threads)
        if number in self._wanted:
            small = thin(srgb, self._most)
            self._samples.append((small, grid.width_mm * 1000.0 / small.shape[1]))

    def finish(self, tables: TableStore | None) -> tuple[SharedPalette, tuple[int, ...]]:
        """The palette, and the finishes in use by their places in the profile; none where nothing was added."""
        gathering, colours, settings = self._gathering, self.colours, self.settings
        histogram = gathering.histogram()
        pinned = {pin.finish for pin in settings.pins}
        needed = {i for i, finish in enumerate(colours.ids) if finish in pinned}
        needed |= {self.background} if gathering.clear else set()
        count: int | None = None
        active: tuple[int, ...] = ()
        if self._samples:
            usable, _ = without_live_metal(self.fab, settings)
            active = choose_finishes(histogram, colours.lab, colours.ids, usable, frozenset(needed))
            chosen = colours_from_lab(tuple(colours.ids[i] for i in active), colours.lab[list(active)])
            if len(histogram.bins):
                count = _count(histogram, self._samples, chosen, settings, tables, self.threads)
        palette = SharedPalette(histogram=histogram, artworks=gathering.artworks, count=count, clear=gathering.clear)
        return palette, active


def _count(
    histogram: Histogram,
    samples: Sequence[tuple[Srgb, float]],
    chosen: FinishColours,
    settings: Settings,
    tables: TableStore | None,
    threads: int,
) -> int | None:
    """How many clusters `auto` makes of all artworks."""
    if settings.assignment == "contrast":
        slope, offset = lightness_line(histogram, chosen.lab, settings.contrast)
        histogram = stretched_histogram(histogram, slope, offset)
        samples = [(stretch_lightness(srgb, slope, offset, threads=threads), pitch) for srgb, pitch in samples]
    return choose_cluster_count(
        samples,
        histogram,
        nearest_finish_table(chosen, tables=tables, threads=threads),
        chosen,
        viewing_distance_mm=settings.viewing_distance_mm,
        tables=tables,
    )
