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
from worker.engine.artwork.picture import WantedSize
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
    check_finish_ids(fab, settings)
    colours = colours_of(fab_findings(fab, settings.viewing_conditions).references)
    background = colours.ids.index(settings.background or fab.background)
    gathering = Gathering()
    failed: list[tuple[str, MaskwrightError]] = []
    samples: list[tuple[Srgb, float]] = []
    wanted = {len(artworks) * i // SAMPLES for i in range(SAMPLES)}
    most = PIXELS // min(len(artworks) or 1, SAMPLES)
    for number, artwork in enumerate(artworks):
        progress(number, len(artworks))
        try:
            sample = _add(gathering, artwork, colours.srgb[background], most, threads)
        except MaskwrightError as error:
            failed.append((artwork.name, error))
            continue
        if number in wanted:
            samples.append(sample)
    progress(len(artworks), len(artworks))
    histogram = gathering.histogram()
    needed = {i for i, finish in enumerate(colours.ids) if finish in {pin.finish for pin in settings.pins}}
    needed |= {background} if gathering.clear else set()
    count = None
    if len(histogram.bins) and samples:
        usable, _ = without_live_metal(fab, settings)
        active = choose_finishes(histogram, colours.lab, colours.ids, usable, frozenset(needed))
        chosen = colours_from_lab(tuple(colours.ids[i] for i in active), colours.lab[list(active)])
        count = _count(histogram, samples, chosen, settings, tables, threads)
    palette = SharedPalette(histogram=histogram, artworks=gathering.artworks, count=count, clear=gathering.clear)
    return PaletteStep(palette=palette, failed=tuple(failed))


def _add(gathering: Gathering, artwork: PaletteArtwork, ground: Srgb, most: int, threads: int) -> tuple[Srgb, float]:
    """Count an artwork; its thinned picture, with the size of its pixels on the board in micrometres."""
    settings = artwork.settings
    size = WantedSize(width_mm=settings.width_mm, height_mm=settings.height_mm, pitch_um=_SVG_PITCH_UM)
    with closing(artwork.open()) as source:
        picture = read_artwork(source, name=artwork.name, size=size)
    grid = size_of(picture, size)
    srgb, clear = lay_on_ground(picture.srgb, picture.alpha, ground)
    gathering.add(np.ascontiguousarray(srgb), clear, threads=threads)
    small = thin(srgb, most)
    return small, grid.width_mm * 1000.0 / small.shape[1]


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
