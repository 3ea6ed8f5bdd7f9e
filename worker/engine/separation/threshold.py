"""The threshold route: hard regions, without rims and specks."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels, Srgb
from worker.engine.separation.places import Allowed, Places, obey_places
from worker.engine.separation.result import LeftOutMark
from worker.engine.separation.rims import dissolve_rims
from worker.engine.separation.specks import remove_specks, smallest_areas

_FRAME = 2.0
"""Times what layers keep from the edge, the picture's frame is so wide: a circuit's own areas end about there, too (our
own; no source)."""


def threshold(
    labels: Labels,
    srgb: Srgb,
    *,
    whole: Labels | None = None,
    cluster_ids: Labels,
    distances: npt.NDArray[np.float64],
    places: Places,
    features_mm: Sequence[float],
    edge_mm: float,
    pitch_um: float,
    source_px_per_px: float,
    repeated: bool,
    clean_up: bool,
    threads: int = 1,
) -> tuple[Labels, tuple[LeftOutMark, ...]]:
    """Hard regions that the fab can make, as far as single parts go; and the marks that were left out of them whole.

    Parameters
    ----------
    labels : uint8 (H, W)
        Finish of each pixel by its colour; 255 outside the board. It may be written over.
    srgb : uint8 (H, W, 3), encoded sRGB
        The artwork on the grid.
    whole : uint8 (H, W)
        Beside what is given: the same with holes as if they were board.
    cluster_ids, distances
        For places whose nearest finish is not allowed; see `obey_places`.
    features_mm : smallest feature of each finish of the profile. edge_mm : what layers keep from the board's edge.
    source_px_per_px, repeated : how the artwork was enlarged; see `dissolve_rims`.
    clean_up : bool
        Dissolve rims and remove specks.
    """
    frozen = places.frozen_pixels

    def without_rims(labels: Labels, allowed: Allowed | None, *, in_place: bool = False) -> Labels:
        if not clean_up:
            return labels
        return dissolve_rims(
            labels,
            srgb,
            source_px_per_px=source_px_per_px,
            repeated=repeated,
            allowed=allowed,
            frozen=frozen,
            in_place=in_place,
            threads=threads,
        )

    def obeying(labels: Labels, ids: Labels) -> Labels:
        obeyed = obey_places(labels, ids, distances, places)
        return without_rims(obeyed, places.allowed, in_place=obeyed is not labels or places.given is None)

    marks: tuple[LeftOutMark, ...] = ()
    obeyed = obeying(labels, cluster_ids)
    if places.given is not None:
        # These take a while to load, and most artworks have the board to themselves.
        from worker.engine.separation.cut_strokes import without_scraps
        from worker.engine.separation.torn_marks import without_torn_marks

        given, off = places.given, labels == OUTSIDE
        # a rim is no stroke that anything could cut
        wished = without_rims(labels if whole is None else whole, None)
        obeyed = without_scraps(obeyed, wished, given, features_mm, pitch_um=pitch_um)
        legible = without_torn_marks(
            obeyed,
            wished,
            given,
            cluster_ids,
            feature_px=max(1, math.ceil(max(features_mm) * 1000.0 / pitch_um)),
            frame_px=_FRAME * edge_mm * 1000.0 / pitch_um,
        )
        if legible is not None:
            marks, there = legible.marks, legible.there
            bare = obeying(np.where(off, np.uint8(OUTSIDE), legible.labels), legible.cluster_ids)
            if (bare != given)[there & ~off].any():  # the ground is art itself, and goes on
                obeyed = without_scraps(bare, legible.labels, given, features_mm, pitch_um=pitch_um)
            else:
                obeyed = np.where(there, bare, obeyed)
    if clean_up:
        least = smallest_areas(features_mm, pitch_um)
        obeyed = remove_specks(obeyed, least, allowed=places.allowed, frozen=frozen, in_place=True, threads=threads)
    return obeyed, marks
