"""Coherence in time: what doesn't change from one piece of a series to the next keeps its finish and its dots.

A place is compared with the artwork that it was decided by, not with that of the piece before: so a change that comes
in many small steps is seen, and nothing lags behind for ever. With hard regions a place is a pixel. A dither decides
cells; one that the edge of a change runs through is decided anew where more than half of it has changed, for then
fewer pixels change their finish than by any other choice that leaves no trail. What is left over is caught up with in
later pieces, a few cells in each. What is thinner than half a cell never changes half of one: where nothing around has
changed by half, a cell is decided anew as soon as its mean colour can be told apart. Where with all that more than
MOST_FLICKER of the unchanged pixels would change their finish, the cells that gain least by it wait.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Alpha, Labels, Srgb
from worker.engine.colorimetry import SRGB_TO_LINEAR, linear_rgb_to_xyz, srgb_to_lab, xyz_to_lab
from worker.engine.difference import ciede2000
from worker.engine.separation.cells import cell_edges, spread_cells
from worker.errors import ArtworkError

Mask = npt.NDArray[np.bool_]

STILL_DELTA_E = 1.0
"""Colours nearer to each other than this look alike, and so do places: noise of a lossy file is no change."""
SEEN_DELTA_E = 2.0
"""From here on the mean colour of a dither's cell can be told from what it was."""
CATCH_UP = 0.0005
"""Of the pixels that don't change, so many may change their finish so that cells that lag behind are caught up with."""
MOST_FLICKER = 0.00099
"""Of the pixels that don't change, no more than this may change their finish, whatever the art is."""
_ROWS = 256


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Previous:
    """What the next piece needs to know of the one before.

    labels : uint8 (H, W). art : uint8 (H, W, 3), encoded sRGB, the artwork on its ground. decided : the same, of the
    piece by which each place was decided last.
    """

    labels: Labels
    art: Srgb
    decided: Srgb


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coherence:
    """What all pieces of a series share, and the piece before this one.

    flat : whether they are scaled as flat art. edges, reason : the route of all. still : see STILL_DELTA_E.
    silhouette : uint8 (H, W), the opacity of all artworks together; where the board's outline follows it.
    """

    flat: bool
    edges: Literal["threshold", "dither"]
    reason: str
    still: float = STILL_DELTA_E
    silhouette: Alpha | None = None
    previous: Previous | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flicker:
    """How still a piece stands against the one before, in pixels of the board.

    unchanged : whose artwork is the same to the last bit. flickering : those of them whose finish is another.
    beside : those of the flickering in a dither's cells that the edge of a change runs through, now or in an earlier
    piece: a cell has one finish.
    lagging : changed ones that still show what they showed, since less than half of their cell has changed.
    """

    unchanged: int
    flickering: int
    beside: int
    lagging: int

    @property
    def share(self) -> float:
        """Of the unchanged pixels, 0 to 1, how many changed their finish."""
        return self.flickering / max(1, self.unchanged)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kept:
    """What a piece takes over: frozen, uint8 (H, W), OUTSIDE where it is decided anew."""

    frozen: Labels

    def loosened(self, cells: Sequence[tuple[int, int]], size: int, reach: int) -> Kept:
        """With nothing taken over around these cells, up to `reach` cells away."""
        frozen = self.frozen.copy()
        rows, columns = cell_edges(frozen.shape[0], size), cell_edges(frozen.shape[1], size)
        for y, x in cells:
            top, bottom = rows[max(y - reach, 0)], rows[min(y + reach + 1, len(rows) - 1)]
            left, right = columns[max(x - reach, 0)], columns[min(x + reach + 1, len(columns) - 1)]
            frozen[top:bottom, left:right] = OUTSIDE
        return replace(self, frozen=frozen)

    def calmed(
        self, coherence: Coherence, labels: Labels, art: Srgb, size: int, *, most: float, certain: bool
    ) -> Kept | None:
        """With more taken over, so that of the unchanged pixels about `most`, as a share, would flicker, not as many as
        do in `labels`. None where no more than MOST_FLICKER of them do.

        Cells are given up first that gain least for each pixel that flickers: by how far their colour is from what it
        was, and how much of them has changed. certain : every unchanged pixel of a cell that is decided anew counts,
        whether it flickers in `labels` or not.
        """
        previous = coherence.previous
        assert previous is not None
        still = (previous.labels != OUTSIDE) & (previous.art == art).all(axis=2)
        flickering = still & (labels != previous.labels)
        if flickering.sum() <= MOST_FLICKER * still.sum():
            return None
        rows, columns = (np.diff(cell_edges(length, size)) for length in labels.shape)
        counted = still & (self.frozen == OUTSIDE) if certain else flickering
        cost = cell_shares(counted, size) * np.outer(rows, columns)
        late = cell_shares(_changed(previous.decided, art, coherence.still), size)
        gain = _cell_difference(previous.decided, art, size) * late
        ys, xs = np.nonzero(cost)
        order = np.argsort(-gain[ys, xs] / cost[ys, xs], kind="stable")
        ys, xs = ys[order], xs[order]
        over = np.cumsum(cost[ys, xs]) > most * still.sum()
        stays = np.zeros(cost.shape, dtype=np.uint8)
        stays[ys[over], xs[over]] = 1
        height, width = labels.shape
        frozen = spread_cells(stays, height, width, size).view(np.bool_)
        return replace(self, frozen=np.where(frozen, previous.labels, self.frozen))


def kept_places(coherence: Coherence, art: Srgb, size: int) -> Kept | None:
    """What a piece takes over from the one before; None where there is none.

    art : uint8 (H, W, 3), the artwork on its ground. size : side of a cell in pixels, 1 with hard regions.
    """
    previous = coherence.previous
    if previous is None:
        return None
    if previous.labels.shape != art.shape[:2]:
        (height, width), (before_height, before_width) = art.shape[:2], previous.labels.shape
        raise ArtworkError(
            f"This piece is {width} x {height} px on the board's grid, and the one before {before_width} x "
            f"{before_height} px.",
            mend="Give all pieces of a series artworks of one size.",
        )
    changed = _changed(previous.decided, art, coherence.still)
    if size > 1:
        changed = _changed_cells(changed, previous, art, size)
    return Kept(frozen=np.where(changed, np.uint8(OUTSIDE), previous.labels))


def _changed(before: Srgb, now: Srgb, still: float) -> Mask:
    """bool (H, W): where two pictures differ by more than `still` CIEDE2000."""
    changed: Mask = (before != now).any(axis=2)
    if still <= 0.0:
        return changed
    for top in range(0, len(changed), _ROWS):
        here = changed[top : top + _ROWS]
        if here.any():
            rows = slice(top, top + _ROWS)
            here[here] = ciede2000(srgb_to_lab(before[rows][here]), srgb_to_lab(now[rows][here])) > still
    return changed


def _changed_cells(changed: Mask, previous: Previous, art: Srgb, size: int) -> Mask:
    """bool (H, W): the pixels of the cells that are decided anew."""
    height, width = changed.shape
    late = cell_shares(changed, size)
    moved = cell_shares((previous.art != art).any(axis=2), size)
    most = late > 0.5
    seen = np.zeros(most.shape)
    if (late > 0.0).any():
        seen = _cell_difference(previous.decided, art, size)
    anew = most | ((moved > 0.0) & ~_grown(most) & (seen > SEEN_DELTA_E))
    anew |= _caught_up(anew, (late > 0.0) & (seen > SEEN_DELTA_E), seen, 1.0 - moved)
    return np.asarray(spread_cells(anew.astype(np.uint8), height, width, size).view(np.bool_))


def _caught_up(anew: Mask, late: Mask, seen: npt.NDArray[np.float64], still: npt.NDArray[np.float64]) -> Mask:
    """Cells that lag behind and are decided now, those that look most wrong first: as many as may flicker.

    still : the share of each cell that is the same as in the piece before, and flickers if its finish changes.
    """
    found = np.zeros_like(anew)
    room = CATCH_UP * still.sum() - still[anew].sum()
    waiting = np.argwhere(late & ~anew)
    if room <= 0.0 or not len(waiting):
        return found
    ys, xs = waiting[np.argsort(-seen[late & ~anew], kind="stable")].T
    some = np.cumsum(still[ys, xs]) <= room
    found[ys[some], xs[some]] = True
    return found


def _grown(mask: Mask) -> Mask:
    """The mask and its eight neighbours."""
    padded = np.pad(mask, 1)
    rows = padded[:-2] | padded[1:-1] | padded[2:]
    return np.asarray(rows[:, :-2] | rows[:, 1:-1] | rows[:, 2:])


def _cell_difference(before: Srgb, now: Srgb, size: int) -> npt.NDArray[np.float64]:
    """CIEDE2000 between the mean light of each cell, float64 (h, w)."""
    lab = [
        xyz_to_lab(
            linear_rgb_to_xyz(
                np.stack([_means(SRGB_TO_LINEAR[one[..., i]].astype(np.float64), size) for i in range(3)], axis=-1)
            )
        )
        for one in (before, now)
    ]
    return np.asarray(ciede2000(lab[0], lab[1]))


def _means(values: npt.NDArray[np.float64], size: int) -> npt.NDArray[np.float64]:
    """The mean of each cell, float64 (h, w)."""
    rows, columns = (cell_edges(length, size) for length in values.shape)
    sums = np.add.reduceat(np.add.reduceat(values, rows[:-1], axis=0), columns[:-1], axis=1)
    return np.asarray(sums / np.outer(np.diff(rows), np.diff(columns)))


def cell_shares(mask: Mask, size: int) -> npt.NDArray[np.float64]:
    """How much of each cell is in the mask, float64 (h, w), 0 to 1."""
    return _means(mask.astype(np.float64), size)


def following(kept: Kept | None, previous: Previous | None, labels: Labels, art: Srgb) -> Previous:
    """What the next piece needs to know of this one: `labels`, its finishes, and `art`, its artwork on its ground."""
    decided = art
    if kept is not None and previous is not None:
        decided = np.where((kept.frozen != OUTSIDE)[..., None], previous.decided, art)
    return Previous(labels=labels, art=art, decided=decided)


def flicker(previous: Previous, now: Previous, size: int) -> Flicker:
    """How still a piece stands against the one before."""
    board = now.labels != OUTSIDE
    same = (previous.art == now.art).all(axis=2)
    moved = previous.labels != now.labels
    flickering = board & same & moved
    height, width = board.shape
    edges = ~same | (previous.decided != now.art).any(axis=2)
    touched = spread_cells((cell_shares(edges, size) > 0.0).astype(np.uint8), height, width, size)
    return Flicker(
        unchanged=int((board & same).sum()),
        flickering=int(flickering.sum()),
        beside=int((flickering & touched.view(np.bool_)).sum()),
        lagging=int((board & (now.art != now.decided).any(axis=2)).sum()),
    )


def write_previous(previous: Previous) -> bytes:
    """What the next piece needs, as a file: NumPy arrays in a ZIP."""
    out = io.BytesIO()
    late = (previous.art != previous.decided).any(axis=2)
    np.savez_compressed(
        out, labels=previous.labels, art=previous.art, late=np.packbits(late), decided=previous.decided[late]
    )
    return out.getvalue()


def read_previous(data: bytes) -> Previous:
    """What `write_previous` wrote. Raises ArtworkError."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as kept:
            labels, art, decided = kept["labels"], kept["art"], kept["art"].copy()
            late = np.unpackbits(kept["late"], count=labels.size).reshape(labels.shape).astype(np.bool_)
            decided[late] = kept["decided"]
    except (KeyError, ValueError, OSError, zipfile.BadZipFile) as error:
        raise ArtworkError(
            f"What is kept of the piece before can't be read: {error}.", mend="Ask for the series again."
        ) from error
    return Previous(labels=labels, art=art, decided=decided)
