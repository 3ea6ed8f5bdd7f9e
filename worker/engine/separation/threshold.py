"""The threshold route: hard regions, without rims and specks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Labels, Srgb
from worker.engine.separation.places import Allowed, Places, obey_places
from worker.engine.separation.rims import dissolve_rims
from worker.engine.separation.specks import remove_specks, smallest_areas


def threshold(
    labels: Labels,
    srgb: Srgb,
    *,
    cluster_ids: Labels,
    distances: npt.NDArray[np.float64],
    places: Places,
    features_mm: Sequence[float],
    pitch_um: float,
    source_px_per_px: float,
    repeated: bool,
    clean_up: bool,
    threads: int = 1,
) -> Labels:
    """Hard regions that the fab can make, as far as single parts go.

    Parameters
    ----------
    labels : uint8 (H, W)
        Finish of each pixel by its colour; 255 outside the board.
    srgb : uint8 (H, W, 3), encoded sRGB
        The artwork on the grid.
    cluster_ids, distances
        For places whose nearest finish is not allowed; see `obey_places`.
    features_mm : smallest feature of each finish of the profile.
    source_px_per_px, repeated : how the artwork was enlarged; see `dissolve_rims`.
    clean_up : bool
        Dissolve rims and remove specks.
    """
    frozen = places.frozen_pixels

    def without_rims(labels: Labels, allowed: Allowed | None) -> Labels:
        if not clean_up:
            return labels
        return dissolve_rims(
            labels,
            srgb,
            source_px_per_px=source_px_per_px,
            repeated=repeated,
            allowed=allowed,
            frozen=frozen,
            threads=threads,
        )

    obeyed = without_rims(obey_places(labels, cluster_ids, distances, places), places.allowed)
    if places.given is not None:
        # Takes a while to load, and most artworks have the board to themselves.
        from worker.engine.separation.cut_strokes import without_scraps

        # a rim is no stroke that anything could cut
        wished = without_rims(labels, None)
        obeyed = without_scraps(obeyed, wished, places.given, features_mm, pitch_um=pitch_um)
    if not clean_up:
        return obeyed
    least = smallest_areas(features_mm, pitch_um)
    return remove_specks(obeyed, least, allowed=places.allowed, frozen=frozen, threads=threads)
