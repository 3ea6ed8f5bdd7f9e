"""What must or may stand at a place: `allowed` and `frozen`, checked at the separation's door."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels, check_array
from worker.errors import ArrayError, ImpossiblePlaceError

Allowed = npt.NDArray[np.uint32]
"""uint32 (H, W): bit i set where finish i may stand."""

REACHES = (1, 2, 4, 8, 16, *(4,) * 27)
"""So far around, in cells, less is kept with each try: first wider and wider; then different places may be stuck one
after the other."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Per place, which finishes may stand there, and which places are decided already.

    allowed : uint32 (H, W) or None, bit i for finish i; None allows all. frozen : uint8 (H, W) or None, the finish of
    a decided place, OUTSIDE where it is free. dots : bool (H, W) or None, frozen places that are part of a mixture, as
    those kept from an earlier piece of a series; others are solid. given : uint8 (H, W) or None, the finish of a place
    where nothing is drawn, as of the circuit that the art lies beside; always allowed.
    """

    allowed: Allowed | None = None
    frozen: Labels | None = None
    dots: npt.NDArray[np.bool_] | None = None
    given: Labels | None = None

    @property
    def frozen_pixels(self) -> npt.NDArray[np.bool_] | None:
        return None if self.frozen is None else self.frozen != OUTSIDE


def place_name(y: int, x: int, pitch_um: float) -> str:
    """How messages name a pixel: its distance from the upper left corner in mm, and its row and column."""
    return (
        f"{(x + 0.5) * pitch_um / 1000.0:.3f} mm from the left and {(y + 0.5) * pitch_um / 1000.0:.3f} mm from the top "
        f"(row {y}, column {x})"
    )


def check_places(places: Places, shape: tuple[int, int], count: int, pitch_um: float) -> None:
    """Raise ArrayError or ImpossiblePlaceError where `places` can't be obeyed, naming the first such place."""
    if places.allowed is not None:
        check_array("allowed", places.allowed, dtype=np.uint32, shape=shape)
        empty = (places.allowed & np.uint32((1 << count) - 1)) == 0
        if places.frozen is not None:
            empty &= places.frozen == OUTSIDE
        if empty.any():
            y, x = (int(i) for i in np.argwhere(empty)[0])
            raise ImpossiblePlaceError(
                f"No finish is allowed at {int(empty.sum())} places, the first {place_name(y, x, pitch_um)}.",
                mend="Allow at least one finish at every place, or freeze it.",
            )
    if places.frozen is not None:
        check_array("frozen", places.frozen, dtype=np.uint8, shape=shape)
        unknown = (places.frozen != OUTSIDE) & (places.frozen >= count)
        if unknown.any():
            y, x = (int(i) for i in np.argwhere(unknown)[0])
            raise ArrayError(
                f"frozen is {int(places.frozen[y, x])} at the place {place_name(y, x, pitch_um)}.",
                mend=f"Use 0 to {count - 1} for the profile's finishes, and {OUTSIDE} for free places.",
            )


def obey_places(labels: Labels, ids: Labels, distances: npt.NDArray[np.float64], places: Places) -> Labels:
    """Labels with frozen places set, and places whose finish is not allowed given to the nearest that is.

    Parameters
    ----------
    labels : uint8 (H, W). ids : uint8 (H, W), each pixel's cluster.
    distances : float64 (k, n)
        CIEDE2000 of each cluster to each finish; places of no cluster (id k or more) take the first finish allowed.

    The labels themselves where there is nothing to obey.
    """
    if places.allowed is None and places.frozen is None:
        return labels
    out = labels.copy()
    if places.allowed is not None:
        wrong = (places.allowed >> labels.astype(np.uint32)) & 1 == 0
        wrong &= labels != OUTSIDE
        rows = np.vstack([distances, np.zeros((1, distances.shape[1]))])
        order = np.argsort(rows, axis=1, kind="stable")
        cluster = np.minimum(ids[wrong], len(distances))
        limits = places.allowed[wrong]
        chosen = np.full(len(limits), OUTSIDE, dtype=np.uint8)
        for rank in range(order.shape[1]):
            candidate = order[cluster, rank]
            fits = (chosen == OUTSIDE) & ((limits >> candidate.astype(np.uint32)) & 1 == 1)
            chosen[fits] = candidate[fits]
        out[wrong] = chosen
    if places.frozen is not None:
        fixed = (places.frozen != OUTSIDE) & (labels != OUTSIDE)
        out[fixed] = places.frozen[fixed]
    return out
