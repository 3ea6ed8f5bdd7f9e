"""What one fab's board would show of an artwork, and how wrong that may be."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, Labels
from worker.engine.colorimetry import D65_WHITE, LINEAR_RGB_TO_XYZ, lab_to_xyz, linear_rgb_to_xyz, xyz_to_lab
from worker.engine.difference import ciede2000, ciede2000_pair, fast_squared, lab_f
from worker.engine.palette.finish_colours import FinishColours, colours_of
from worker.engine.palette.hull import LINEAR_RGB_TO_OPPONENT, project_onto_hull
from worker.engine.plan.features import Risk, risks
from worker.engine.plan.finishes_needed import BestSet, best_sets, knee
from worker.engine.plan.planned_artwork import PlannedArtwork, block_shares
from worker.engine.references.reference import FinishReference
from worker.engine.separation.cells import cell_size_px
from worker.engine.separation.diffusion import diffuse
from worker.engine.separation.diffusion_tables import diffusion_tables
from worker.engine.separation.edges import LEAST_CELLS_PER_DEGREE
from worker.engine.separation.families import find_families
from worker.engine.separation.fours import metal_gap
from worker.engine.threads import run_all, shared_strips
from worker.engine.vision import pixels_per_degree, see, seen_difference
from worker.fab_profile import FabProfile

OUT_OF_REACH = 10.0
"""An art colour that nothing of a fab comes nearer to than this CIEDE2000 is out of its reach: a clear difference."""
DRAWS = 40
"""How often references are drawn anew within what they may be off by."""
_RADIUS_95 = 2.7954835
"""The 95th percentile of the length of a normal vector in three dimensions, of standard deviation 1 (chi)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outlook:
    """One fab's board.

    edges, reason : whether it is drawn in hard regions or dithered. mean, p95 : S-CIELAB over the board, expected.
    beyond_finishes, beyond_mixtures : share of art colours farther than OUT_OF_REACH from every finish, and from every
    mixture of them. sets : best finishes by their number, by mean CIEDE2000 of colour to finish. knee : the number
    beyond which more hardly help. risks : what is too thin. changes : float64 (DRAWS,), by how much the mean would
    change if the references were off, draw by draw. uncertainty : what the mean may be off by in 95 of 100 cases.
    areas : share of the board by finish. shown : float32 (3, h, w), XYZ of blocks, Y of white 1.
    """

    fab: FabProfile
    edges: Literal["threshold", "dither"]
    reason: str
    mean: float
    p95: float
    beyond_finishes: float
    beyond_mixtures: float
    sets: tuple[BestSet, ...]
    knee: int
    risks: tuple[Risk, ...]
    changes: Floats
    uncertainty: float
    areas: tuple[float, ...]
    shown: Float32s


def outlook(
    art: PlannedArtwork,
    fab: FabProfile,
    references: tuple[FinishReference, ...],
    *,
    edges: str,
    viewing_distance_mm: float,
    threads: int = 1,
) -> Outlook:
    """Look ahead for one fab. edges : auto, threshold or dither."""
    colours = colours_of(references)
    background = colours.ids.index(fab.background)
    distances = distances_to(art.lab, colours.lab, threads=threads)
    route, reason = _route(art, fab, edges, viewing_distance_mm)
    labels = _drawn(art, fab, colours, distances, route, threads)
    shares = block_shares(labels, len(colours), art.step, shape=art.codes.shape, threads=threads)
    finish_xyz = linear_rgb_to_xyz(colours.linear_rgb)
    shown = _mixed(finish_xyz.astype(np.float32), shares)
    seen = see(shown, working_ppd=art.per_degree / art.step, step=art.step, threads=threads)
    error = seen_difference(art.seen, seen, threads=threads)
    changes = _changes(art, fab, references, shares, threads)
    sets = best_sets(distances, art.shares, needed=(background,) if art.clear else ())
    features = tuple((finish.id, finish.smallest_feature_mm) for finish in fab.finishes)
    at_risk = risks(labels, features, art.picture.pitch_um, threads=threads) if route == "threshold" else ()
    far = distances.min(axis=1) > OUT_OF_REACH
    return Outlook(
        fab=fab,
        edges=route,
        reason=reason,
        mean=float(error.mean()),
        p95=float(np.percentile(error, 95.0)),
        beyond_finishes=float(art.shares[far].sum()),
        beyond_mixtures=_beyond_mixtures(art, colours, far),
        sets=sets,
        knee=len(sets[knee([one.mean for one in sets]) - 1].finishes),
        risks=at_risk,
        changes=changes,
        uncertainty=1.96 * float(np.std(changes, ddof=1)),
        areas=tuple(float(share) for share in shares.mean(axis=(1, 2))),
        shown=shown,
    )


def drawn_labels(
    art: PlannedArtwork, board: Outlook, references: tuple[FinishReference, ...], *, threads: int = 1
) -> tuple[Labels, FinishColours]:
    """What an outlook looked at: uint8 (H, W), the place of each pixel's finish, or (h, w) of each cell's where it is
    dithered; and the finishes' colours."""
    colours = colours_of(references)
    distances = distances_to(art.lab, colours.lab, threads=threads)
    return _drawn(art, board.fab, colours, distances, board.edges, threads), colours


def _drawn(
    art: PlannedArtwork, fab: FabProfile, colours: FinishColours, distances: Float32s, route: str, threads: int
) -> Labels:
    if route == "dither":
        return _dithered(art, fab, colours, threads)
    of_code = np.full(1 << 16, colours.ids.index(fab.background), dtype=np.uint8)
    of_code[: len(distances)] = distances.argmin(axis=1)
    return _labels(art.codes, of_code, threads)


def _route(
    art: PlannedArtwork, fab: FabProfile, edges: str, viewing_distance_mm: float
) -> tuple[Literal["threshold", "dither"], str]:
    """As a job with the same setting would choose."""
    if edges == "threshold" or edges == "dither":
        return ("threshold" if edges == "threshold" else "dither"), f"{edges} was asked for"
    if art.picture.flat:
        return "threshold", "flat art keeps its edges in hard regions"
    cell_um = cell_size_px(fab, range(len(fab.finishes)), 1.0)
    seen = pixels_per_degree(viewing_distance_mm, cell_um)
    figures = f"its smallest dot, {cell_um / 1000.0:.3g} mm, is seen at {seen:.0f} dots per degree"
    if seen >= LEAST_CELLS_PER_DEGREE:
        return "dither", f"{figures}, fine enough to mix"
    return "threshold", f"{figures}, too coarse to mix"


@njit(cache=True, nogil=True, error_model="numpy")
def _mixed(finish_xyz, shares):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """XYZ of blocks, float32 (3, h, w), by how much of each finish covers them."""
    count, height, width = shares.shape
    out = np.zeros((3, height, width), dtype=np.float32)
    for y in range(height):
        for i in range(count):
            for c in range(3):
                for x in range(width):
                    out[c, y, x] += finish_xyz[i, c] * shares[i, y, x]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _label_rows(codes, of_code, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first, last):
        for x in range(codes.shape[1]):
            out[y, x] = of_code[codes[y, x]]


def _labels(codes: npt.NDArray[np.uint16], of_code: npt.NDArray[np.uint8], threads: int) -> Labels:
    out = np.empty(codes.shape, dtype=np.uint8)
    run_all(lambda a, b: _label_rows(codes, of_code, a, b, out), shared_strips(len(codes), threads), threads)
    return out


def _dithered(art: PlannedArtwork, fab: FabProfile, colours: FinishColours, threads: int) -> Labels:
    """Dithered, a label for each cell of the fab's size."""
    everyone = range(len(fab.finishes))
    cell_um = float(cell_size_px(fab, everyone, 1.0))
    cells = art.cells_of(cell_um, threads=threads)
    recipes = tuple(finish.recipe for finish in fab.finishes)
    codes = (cells >> 3).astype(np.int64)
    occupied = np.zeros(1 << 15, dtype=np.bool_)
    occupied[(codes[..., 0] << 10) | (codes[..., 1] << 5) | codes[..., 2]] = True
    families = find_families(colours, recipes, occupied=occupied)
    gap = metal_gap(fab, everyone, cell_um)
    tables = diffusion_tables(colours, recipes, gap=gap, distances=partial(distances_to, threads=threads))
    return diffuse(cells, families, tables, threads=threads)


def distances_to(lab: Floats, finishes: Floats, *, threads: int = 1) -> Float32s:
    """CIEDE2000 of colours (m, 3) to finishes (n, 3), both CIELAB: float32 (m, n), within some thousandths."""
    out = np.empty((len(lab), len(finishes)), dtype=np.float32)
    one, two = np.ascontiguousarray(lab, dtype=np.float64), np.ascontiguousarray(finishes, dtype=np.float64)
    run_all(lambda a, b: _distance_rows(one, two, a, b, out), shared_strips(len(lab), threads), threads)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _distance_rows(lab, finishes, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    squared = np.empty(last - first, dtype=np.float32)
    planes = np.empty((3, last - first), dtype=np.float32)
    for i in range(first, last):
        planes[0, i - first], planes[1, i - first], planes[2, i - first] = lab[i, 0], lab[i, 1], lab[i, 2]
    for j in range(finishes.shape[0]):
        _squares(planes, finishes[j], squared)
        for i in range(first, last):
            if squared[i - first] >= np.float32(0.0):
                out[i, j] = np.sqrt(squared[i - first])
            else:  # opposite hues, where the quick form does not hold
                out[i, j] = ciede2000_pair(
                    lab[i, 0], lab[i, 1], lab[i, 2], finishes[j, 0], finishes[j, 1], finishes[j, 2]
                )


@njit(cache=True, nogil=True, error_model="numpy")
def _squares(planes, finish, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Squared CIEDE2000 of colours, L, a and b float32 (3, m), to a finish: nothing else in the loop, so that it runs
    eight abreast. Negative where hues are opposite."""
    l_2, a_2, b_2 = np.float32(finish[0]), np.float32(finish[1]), np.float32(finish[2])
    c_2 = np.sqrt(a_2 * a_2 + b_2 * b_2)
    for i in range(out.shape[0]):
        a_1, b_1 = planes[1, i], planes[2, i]
        out[i] = fast_squared(planes[0, i], a_1, b_1, np.sqrt(a_1 * a_1 + b_1 * b_1), l_2, a_2, b_2, c_2)


def _beyond_mixtures(art: PlannedArtwork, colours: FinishColours, far: npt.NDArray[np.bool_]) -> float:
    """Of colours that are far from every finish, the share that is also far from every mixture of two or more."""
    if not far.any():
        return 0.0
    to_opponent = LINEAR_RGB_TO_OPPONENT @ np.linalg.inv(LINEAR_RGB_TO_XYZ)
    opponent = lab_to_xyz(art.lab[far]) @ to_opponent.T
    nearest = project_onto_hull(opponent, colours.linear_rgb @ LINEAR_RGB_TO_OPPONENT.T)
    lab = xyz_to_lab(nearest @ np.linalg.inv(to_opponent).T)
    left = ciede2000(art.lab[far], lab)
    return float(art.shares[far][left > OUT_OF_REACH].sum())


def _changes(
    art: PlannedArtwork,
    fab: FabProfile,
    references: tuple[FinishReference, ...],
    shares: Float32s,
    threads: int,
) -> Floats:
    """By how much the mean error changes when every reference is off as it may be: float64 (DRAWS,).

    Looked at on some blocks, before the eye's blur, which hardly matters for a change of the mean. Two profiles of one
    fab that hold the same reference are off by the same in every draw: that is no difference between them.
    """
    wanted = xyz_to_lab(art.blocks.reshape(3, -1)[:, art.sample].T)
    parts = np.ascontiguousarray(shares.reshape(len(references), -1)[:, art.sample].T, dtype=np.float64)
    offsets = np.stack([_offsets(fab, reference) for reference in references], axis=1)
    drawn = np.stack([reference.lab for reference in references])[None] + offsets
    xyz = lab_to_xyz(np.concatenate([np.stack([reference.lab for reference in references])[None], drawn]))
    mean = np.empty(DRAWS + 1)
    run_all(
        lambda a, b: _mean_errors(wanted, parts, xyz / D65_WHITE, a, b, mean),
        shared_strips(DRAWS + 1, threads),
        threads,
    )
    return np.asarray(mean[1:] - mean[0])


@njit(cache=True, nogil=True, error_model="numpy")
def _mean_errors(wanted, parts, ratios, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The mean CIEDE2000 between colours and mixtures, for every draw of what is mixed."""
    for k in range(first, last):
        total = 0.0
        for i in range(parts.shape[0]):
            x = y = z = 0.0
            for j in range(parts.shape[1]):
                x += parts[i, j] * ratios[k, j, 0]
                y += parts[i, j] * ratios[k, j, 1]
                z += parts[i, j] * ratios[k, j, 2]
            f_x, f_y, f_z = lab_f(np.float32(x)), lab_f(np.float32(y)), lab_f(np.float32(z))
            l_2, a_2, b_2 = (
                np.float32(116.0) * f_y - np.float32(16.0),
                np.float32(500.0) * (f_x - f_y),
                np.float32(200.0) * (f_y - f_z),
            )
            l_1, a_1, b_1 = np.float32(wanted[i, 0]), np.float32(wanted[i, 1]), np.float32(wanted[i, 2])
            c_1, c_2 = np.sqrt(a_1 * a_1 + b_1 * b_1), np.sqrt(a_2 * a_2 + b_2 * b_2)
            squared = fast_squared(l_1, a_1, b_1, c_1, l_2, a_2, b_2, c_2)
            if squared >= np.float32(0.0):
                total += np.sqrt(squared)
            else:
                total += ciede2000_pair(wanted[i, 0], wanted[i, 1], wanted[i, 2], l_2, a_2, b_2)
        out[k] = total / parts.shape[0]


def _offsets(fab: FabProfile, reference: FinishReference) -> Floats:
    """CIELAB by which a reference is off, float64 (DRAWS, 3): 95 of 100 within its uncertainty in CIEDE2000."""
    identity = f"{fab.fab}|{reference.uncertainty:.6f}|{np.round(reference.lab, 6).tolist()}"
    seed = int.from_bytes(hashlib.sha256(identity.encode()).digest()[:8], "big")
    normal = np.random.default_rng(seed).normal(size=(DRAWS, 3))
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    direction = normal / np.maximum(length, 1e-12)
    # A step of 1 in CIELAB is seen as less of a difference, the more colourful it is: CIEDE2000 along this direction.
    step = ciede2000(reference.lab[None], reference.lab[None] + direction)[:, None]
    return np.asarray(direction * length * (reference.uncertainty / _RADIUS_95) / np.maximum(step, 0.05))
