"""Which route an artwork takes: threshold or dither; and the separation itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels, Srgb
from worker.engine.artwork.picture import GridPicture
from worker.engine.palette.assignment import NO_CLUSTER, Assignment
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.tables import TableStore
from worker.engine.separation.cells import cell_size_px
from worker.engine.separation.continuity import Coherence, Kept, flicker, following, kept_places
from worker.engine.separation.dither import dither
from worker.engine.separation.places import REACHES, Places, check_places
from worker.engine.separation.result import LeftOutMark, Separation
from worker.engine.separation.threshold import threshold
from worker.engine.vision import pixels_per_degree
from worker.errors import ImpossiblePlaceError
from worker.fab_profile import FabProfile
from worker.job_settings import Settings

LEAST_CELLS_PER_DEGREE = 26.0
"""Coarser dots are seen as dots: on photographs, dithering then scores no better than hard regions."""
CALMER = (0.0008, 0.0006, 0.0008)
"""Where too much flickers beside what changes, less of it is decided anew: turn by turn, until so much is left."""


class Scaled(Protocol):
    """What is known of a picture on the grid, or will be of all pieces of a series."""

    @property
    def flat(self) -> bool:
        """Whether it is flat art."""

    @property
    def pitch_um(self) -> float:
        """The size of its pixels."""


def choose_edges(
    picture: Scaled, settings: Settings, fab: FabProfile, active: tuple[int, ...]
) -> tuple[Literal["threshold", "dither"], str]:
    """The route and the reason for it, in a sentence."""
    if settings.edges != "auto":
        return settings.edges, f"{settings.edges} was asked for."
    if len(active) < 2:
        return "threshold", "Only one finish is in use, so there is nothing to mix."
    if picture.flat:
        return "threshold", "The artwork is flat: few colours cover most of it, and hard regions keep its edges sharp."
    cell_mm = cell_size_px(fab, active, picture.pitch_um) * picture.pitch_um / 1000.0
    seen = pixels_per_degree(settings.viewing_distance_mm, cell_mm * 1000.0)
    figures = (
        f"the smallest dot, {cell_mm:.3g} mm, is seen from {settings.viewing_distance_mm:g} mm at {seen:.0f} dots per "
        f"degree"
    )
    if seen >= LEAST_CELLS_PER_DEGREE:
        return (
            "dither",
            f"The artwork has gradients or texture, and {figures}, fine enough to mix ({LEAST_CELLS_PER_DEGREE:g}).",
        )
    return (
        "threshold",
        f"The artwork has gradients or texture, but {figures}, too coarse to mix ({LEAST_CELLS_PER_DEGREE:g}).",
    )


def separate(
    picture: GridPicture,
    assignment: Assignment,
    fab: FabProfile,
    colours: FinishColours,
    settings: Settings,
    *,
    background: int,
    clear: npt.NDArray[np.bool_] | None,
    board: npt.NDArray[np.bool_] | None,
    places: Places,
    coherence: Coherence | None = None,
    art: Srgb | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
) -> Separation:
    """One finish per pixel.

    Parameters
    ----------
    clear : bool (H, W) or None
        Transparent pixels: they stand in the background finish.
    board : bool (H, W) or None
        Where there is board; OUTSIDE elsewhere in the result.
    places : what may or must stand where.
    coherence, art : of a piece of a series; with `art`, uint8 (H, W, 3), its artwork on its ground.
    """
    check_places(places, assignment.cluster_ids.shape, len(colours), picture.pitch_um)
    if coherence is None:
        route, reason = choose_edges(picture, settings, fab, assignment.active)
    else:
        route, reason = coherence.edges, coherence.reason
    # One artwork by itself: a piece of a series would not stay still, and beside a circuit art is laid down otherwise.
    two = settings.fabrication and settings.clean_up and coherence is None and places.given is None
    if settings.quality == "best":
        reason += _what_best_does(route, two_designs=two)
    size = 1 if route == "threshold" else cell_size_px(fab, assignment.active, picture.pitch_um)

    marks: tuple[LeftOutMark, ...] = ()

    def decide(places: Places, *, clean_up: bool = settings.clean_up) -> Labels:
        nonlocal marks
        places = _with_clear(places, clear, background)
        if route == "dither":
            labels, _ = dither(
                assignment.srgb,
                fab,
                colours,
                assignment.active,
                places=places,
                wanted=pinned_finishes(assignment),
                pitch_um=picture.pitch_um,
                viewing_distance_mm=settings.viewing_distance_mm if settings.quality == "best" else None,
                tables=tables,
                threads=threads,
            )
            return labels
        labels = assignment.labels(threads=threads)
        whole = None
        if board is not None:
            if places.given is not None:
                from worker.engine.separation.torn_marks import artwork_in_holes

                whole = artwork_in_holes(labels, assignment, ~board, clear)
            labels[~board] = OUTSIDE
        labels, marks = threshold(
            labels,
            assignment.srgb,
            whole=whole,
            cluster_ids=assignment.cluster_ids,
            distances=assignment.distances,
            places=places,
            features_mm=[finish.smallest_feature_mm for finish in fab.finishes],
            edge_mm=max(fab.limits["edge", name].value_mm for name in ("routed_mm", "mask_mm", "legend_mm")),
            pitch_um=picture.pitch_um,
            source_px_per_px=picture.source_px_per_px,
            repeated=picture.flat,
            clean_up=clean_up,
            threads=threads,
        )
        return labels

    kept = None if coherence is None or art is None else kept_places(coherence, art, size)
    if kept is None:
        labels = decide(places)
    else:
        assert coherence is not None and art is not None
        labels, kept = _decide_around(kept, places, size, decide)
        for turn, most in enumerate(CALMER, 1):
            calm = kept.calmed(coherence, labels, art, size, most=most, certain=turn == len(CALMER))
            if calm is None:
                break
            labels, kept = _decide_around(calm, places, size, decide)
    if board is not None:
        labels[~board] = OUTSIDE
    labels.setflags(write=False)
    other = None
    if two and route == "threshold" and settings.quality == "best":
        other = decide(places, clean_up=False)
        if board is not None:
            other[~board] = OUTSIDE
        other.setflags(write=False)
    made = Separation(labels=labels, edges=route, reason=reason, cell_px=size, warnings=(), left_out=marks, other=other)
    if coherence is None or art is None:
        return made
    now = following(kept, coherence.previous, labels, art)
    still = None if coherence.previous is None else flicker(coherence.previous, now, size)
    return replace(made, following=now, flicker=still)


def _what_best_does(route: Literal["threshold", "dither"], *, two_designs: bool) -> str:
    if route == "dither":
        return " Dots were then moved as long as the eye gains by it (quality best)."
    if two_designs:
        return (
            " The board's layers are made of this and of every pixel's nearest finish, at each place of the one that "
            "looks more like the artwork (quality best)."
        )
    return " Quality best changes nothing in these masks: hard regions have no dots to move."


def _decide_around(kept: Kept, places: Places, size: int, decide: Callable[[Places], Labels]) -> tuple[Labels, Kept]:
    """Decide what isn't kept. Where the layer rules leave no way around what is, less of it is kept."""
    for reach in REACHES:
        try:
            return decide(_with_kept(places, kept)), kept
        except ImpossiblePlaceError as error:
            if not error.cells:
                raise
            kept = kept.loosened(error.cells, size, reach)
    return decide(places), Kept(frozen=np.full_like(kept.frozen, OUTSIDE))


def _with_kept(places: Places, kept: Kept) -> Places:
    """What is asked for comes first, then what is kept."""
    frozen = kept.frozen
    if places.allowed is not None:
        may = (places.allowed >> np.minimum(frozen, 31).astype(np.uint32)) & 1 == 1
        frozen = np.where(may, frozen, np.uint8(OUTSIDE))
    dots = frozen != OUTSIDE
    if places.frozen is not None:
        dots &= places.frozen == OUTSIDE
        frozen = np.where(places.frozen != OUTSIDE, places.frozen, frozen)
    return replace(places, frozen=frozen, dots=dots)


def _with_clear(places: Places, clear: npt.NDArray[np.bool_] | None, background: int) -> Places:
    """Transparent places are decided, where nothing else was: for what is given there, else for the background."""
    if clear is None or not clear.any():
        return places
    frozen = np.full(clear.shape, OUTSIDE, dtype=np.uint8) if places.frozen is None else places.frozen.copy()
    free = clear & (frozen == OUTSIDE)
    frozen[free] = background if places.given is None else places.given[free]
    return replace(places, frozen=frozen, dots=None if places.dots is None else places.dots & ~clear)


def pinned_finishes(assignment: Assignment) -> Labels | None:
    """uint8 (H, W): the finish of pinned pixels, OUTSIDE elsewhere."""
    if not assignment.pinned.any():
        return None
    finish = np.full(256, OUTSIDE, dtype=np.uint8)
    pinned = np.flatnonzero(assignment.pinned)
    finish[pinned] = assignment.cluster_finish[pinned]
    finish[NO_CLUSTER] = OUTSIDE
    return np.take(finish, assignment.cluster_ids)
