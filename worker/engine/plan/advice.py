"""What to change in an artwork for a board: in words, each with a picture of the places."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats, Labels, Srgb
from worker.engine.colorimetry import lab_to_srgb, xyz_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.assignment import merged_colours
from worker.engine.palette.clustering import cluster_bins, cluster_labs
from worker.engine.palette.clusters import Cluster
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.histogram import Histogram
from worker.engine.plan.features import thin_pixels
from worker.engine.plan.outlook import Outlook, distances_to
from worker.engine.plan.planned_artwork import CLEAR, PlannedArtwork, block_shares

ART_COLOURS = 16
"""A photo-like artwork's colours are put together into so many before two of them are called merged."""
MOST_PAIRS = 5
_SMOOTH = 5.0
"""CIEDE2000 across a border of finishes, below which the artwork has no border there but a gradient."""
_SEEN = 8.0
"""CIEDE2000 between two finishes from which on their border is seen as one."""
_LEAST_BAND_MM = 5.0
_MARK = np.array([230, 30, 160], dtype=np.uint8)
_FADE = 0.75


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Advice:
    """One thing to look at. kind : merging, banding or thin. places : bool (H, W), where. marked : whether the places
    are marked in a colour, or shown as they are in an artwork that fades around them."""

    kind: str
    text: str
    places: npt.NDArray[np.bool_]
    marked: bool

    def picture(self, srgb: Srgb) -> Srgb:
        """uint8 (H, W, 3), encoded sRGB: the artwork, uint8 (H, W, 3), with the places told."""
        fade = np.rint(255.0 - (255.0 - np.arange(256)) * (1.0 - _FADE)).astype(np.uint8)
        faded: Srgb = fade[srgb]
        if not self.marked:
            return np.where(self.places[..., None], srgb, faded)
        faded[_wider(self.places)] = _MARK
        return faded


def advise(
    art: PlannedArtwork, board: Outlook, labels: Labels, colours: FinishColours, *, threads: int = 1
) -> tuple[Advice, ...]:
    """What to change so that this board shows more of the artwork. labels : uint8 (H, W), as `board` was told of."""
    out = list(_merging(art, colours))
    if board.edges == "threshold":
        out += _banding(art, labels, colours, threads)
        out += _thin(art, board, labels, threads)
    return tuple(out)


def _merging(art: PlannedArtwork, colours: FinishColours) -> Iterator[Advice]:
    """Pairs of distinct art colours that one finish shows."""
    if not len(art.lab):
        return
    lab, shares, group = _art_colours(art)
    distances = distances_to(lab, colours.lab)
    finish = distances.argmin(axis=1)
    clusters = [
        Cluster(
            id=i,
            lab=(float(lab[i, 0]), float(lab[i, 1]), float(lab[i, 2])),
            share=float(shares[i]),
            finish=colours.ids[int(finish[i])],
            delta_e=float(distances[i, finish[i]]),
            second_finish=None,
            margin=None,
            pinned=False,
        )
        for i in range(len(lab))
        if shares[i] >= 0.01
    ]
    for one, other, difference in merged_colours(clusters)[:MOST_PAIRS]:
        places = (group == one.id) | (group == other.id)
        names = [f"{_code(cluster)} ({100.0 * cluster.share:.0f} % of the artwork)" for cluster in (one, other)]
        yield Advice(
            kind="merging",
            text=(
                f"The colours {names[0]} and {names[1]} differ by {difference:.0f} CIEDE2000 and both become "
                f"{one.finish}: move one of them towards another finish, or part them by a line."
            ),
            places=places,
            marked=False,
        )


def _art_colours(art: PlannedArtwork) -> tuple[Floats, Floats, npt.NDArray[np.uint16]]:
    """The artwork's colours as a person would count them, their shares, and uint16 (H, W): which one each pixel has."""
    if art.picture.flat or len(art.lab) <= ART_COLOURS:
        return art.lab, art.shares, art.codes
    counts = np.maximum(1, np.rint(art.shares * art.codes.size)).astype(np.int64)
    histogram = Histogram(
        bins=np.arange(len(art.lab)), counts=counts, mean_srgb=lab_to_srgb(art.lab).astype(np.float64), lab=art.lab
    )
    found = cluster_bins(histogram, ART_COLOURS)
    number = np.full(1 << 16, CLEAR, dtype=np.uint16)
    number[: len(found)] = found
    shares = np.asarray(np.bincount(found, weights=art.shares), dtype=np.float64)
    return cluster_labs(histogram, found), shares, number[art.codes]


def _code(cluster: Cluster) -> str:
    return "#{:02X}{:02X}{:02X}".format(*(int(value) for value in lab_to_srgb(np.array(cluster.lab))))


def _banding(art: PlannedArtwork, labels: Labels, colours: FinishColours, threads: int) -> Iterator[Advice]:
    """Borders of finishes where the artwork has none: gradients that become steps."""
    finish = block_shares(labels, len(colours), art.step, threads=threads).argmax(axis=0)
    lab = xyz_to_lab(np.moveaxis(art.blocks, 0, -1))
    apart = ciede2000(colours.lab[:, None], colours.lab[None]) > _SEEN
    bands = np.zeros(finish.shape, dtype=np.bool_)
    for axis in (0, 1):
        one, other = _beside(finish, axis, 1), _beside(finish, axis, 2)
        # A block farther out on each side, too: what lies between two clear colours is an edge, however soft it is.
        four = [_beside(lab, axis, place) for place in range(4)]
        found = apart[one, other]
        for i, j in ((0, 1), (1, 2), (2, 3), (0, 3)):
            found[found] = ciede2000(four[i][found], four[j][found]) < _SMOOTH
        place = (
            (slice(1, 1 + found.shape[0]), slice(None)) if axis == 0 else (slice(None), slice(1, 1 + found.shape[1]))
        )
        bands[place] |= found
    length_mm = float(bands.sum()) * art.step * art.picture.pitch_um / 1000.0
    if length_mm < max(_LEAST_BAND_MM, 0.05 * (art.picture.width_mm + art.picture.height_mm)):
        return
    pixels = np.repeat(np.repeat(bands, art.step, axis=0), art.step, axis=1)[: labels.shape[0], : labels.shape[1]]
    yield Advice(
        kind="banding",
        text=(
            f"Gradients become steps along some {length_mm:.0f} mm, where the artwork has no edge: draw an edge there, "
            "flatten the gradient, or convert with edges=dither."
        ),
        places=pixels,
        marked=True,
    )


def _beside(blocks: npt.NDArray[np.generic], axis: int, place: int) -> npt.NDArray[np.generic]:
    """Of every four blocks in a row along an axis the one at this place, 0 to 3."""
    count = max(0, blocks.shape[axis] - 3)
    return np.take(blocks, np.arange(place, place + count), axis=axis)


def _thin(art: PlannedArtwork, board: Outlook, labels: Labels, threads: int) -> Iterator[Advice]:
    """Strokes narrower than the fab makes them, and the smallest board that saves them."""
    if not board.risks:
        return
    width, height = art.picture.width_mm, art.picture.height_mm
    worst = max(risk.saved_by for risk in board.risks)
    told = "; ".join(
        f"{risk.finish} down to {risk.thinnest_mm:.2f} mm where {risk.limit_mm:g} mm is made, {risk.places} place"
        + ("s" if risk.places > 1 else "")
        for risk in board.risks
    )
    limits = [finish.smallest_feature_mm for finish in board.fab.finishes]
    pixels = thin_pixels(labels, limits, art.picture.pitch_um, threads=threads)
    yield Advice(
        kind="thin",
        text=(
            f"Strokes are too thin at {width:.0f} x {height:.0f} mm: {told}. Draw them wider, or make the board "
            f"{width * worst:.0f} x {height * worst:.0f} mm ({worst:.2g} times as large); else they grow or go."
        ),
        places=pixels,
        marked=True,
    )


def _wider(places: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Marks that can be seen when the picture is looked at as a whole."""
    from scipy.ndimage import maximum_filter

    return np.asarray(maximum_filter(places, size=max(3, max(places.shape) // 300)))
