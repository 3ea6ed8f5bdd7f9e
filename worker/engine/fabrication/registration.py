"""Registration: layers that land on each other with an error, drawn so that it shows as little as it can.

Copper that isn't seen is chosen to match its neighbours, legend is pulled back from openings, and along every border
that depends on two layers' edges one of them is drawn past the other (`rims`). What is left is counted by
`overlap_violations`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Floats, check_array
from worker.engine.fabrication.bit_morphology import dilate, disc_within, region_of
from worker.engine.fabrication.border_length import border_lengths
from worker.engine.fabrication.border_rule import LayerName, Tolerances, rule_of, tolerances_of, whole_pixels
from worker.engine.fabrication.free_copper import free_copper, strips_of
from worker.engine.fabrication.layer_bits import LayerBits, layer_bits, with_layers
from worker.engine.fabrication.planes import (
    BOARD,
    COPPER,
    FREE_COPPER,
    LEGEND,
    NO_FINISH,
    OPENING,
    LayerPlanes,
    Stack,
    finish_by_layers,
)
from worker.engine.fabrication.rims import Artwork, Border, colour_errors, if_sparse, settle
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.engine.painted import Painted, PixelColours
from worker.fab_profile import FabProfile

UNKNOWN_RIM = "no finish"


@dataclass(frozen=True, slots=True, kw_only=True)
class BorderReport:
    """The borders between two finishes of the design.

    finishes : ids, in the profile's order. layers : those that have an edge there. crisp : one layer at most.
    length_mm : in all, as designed. rims : (finish id, mm of border) of what stands between them now, longest first;
    "no finish" where the profile has none for it; none where crisp. met_mm : border that is as it was designed.
    rim_width_mm : as drawn; 0 where crisp.
    """

    finishes: tuple[str, str]
    layers: tuple[LayerName, ...]
    crisp: bool
    length_mm: float
    rims: tuple[tuple[str, float], ...]
    met_mm: float
    rim_width_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Settled:
    """Planes with their rims drawn, the borders of the design, and area beyond the rims that was swapped for them."""

    planes: LayerPlanes
    borders: tuple[BorderReport, ...]
    swapped_mm2: float


def settle_borders(
    planes: LayerPlanes,
    fab: FabProfile,
    colours_lab: Floats,
    srgb: PixelColours,
    *,
    forbidden: frozenset[str] = frozenset(),
    threads: int = 1,
) -> Settled:
    """Planes whose borders hold within the tolerances, at the least error against the artwork.

    Parameters
    ----------
    colours_lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    srgb : encoded sRGB of (H, W, 3)
        The artwork on the grid of the planes.
    forbidden : ids of the finishes that no rim may show.
    """
    bits = layer_bits(planes, largest_px=drawing_reach_px(fab, planes.pitch_um), threads=threads)
    swapped = draw_borders(bits, fab, colours_lab, srgb, planes.pitch_um, forbidden=forbidden, threads=threads)
    settled = redrawn(planes, bits, fab, threads=threads)
    return Settled(
        planes=settled,
        borders=border_reports(planes, settled, fab, threads=threads),
        swapped_mm2=swapped * (planes.pitch_um / 1000.0) ** 2,
    )


def drawing_reach_px(fab: FabProfile, pitch_um: float) -> int:
    """The widest disc that the drawing of borders asks for: what the pad of its planes must hold."""
    return 2 * strips_of(fab, pitch_um).opening + 1


def draw_borders(
    bits: LayerBits,
    fab: FabProfile,
    colours_lab: Floats,
    srgb: PixelColours,
    pitch_um: float,
    *,
    forbidden: frozenset[str] = frozenset(),
    choose: bool = True,
    threads: int = 1,
) -> int:
    """Settle the borders of packed layers, in place; how many pixels beyond the rims were swapped for them.

    `choose` : whether copper that nobody sees is to be chosen first; else it stands as it was chosen before.
    """
    size = bits.frame.height_px, bits.frame.width_px
    if isinstance(srgb, Painted):
        check_array("labels", srgb.labels, dtype=np.uint8, shape=size)
    else:
        check_array("srgb", srgb, dtype=np.uint8, shape=(*size, 3))
    tolerances = tolerances_of(fab)
    strips, pull = strips_of(fab, pitch_um), whole_pixels(tolerances.pull_back_mm, pitch_um)
    if choose and bits.free.any():
        bits.copper[:] = free_copper(bits, strips, threads=threads)
    column = _columns(fab)
    artwork = Artwork(
        srgb=srgb,
        column=column,
        known=finish_by_layers(fab) < NO_FINISH,
        forbidden=np.array([finish.id in forbidden for finish in fab.finishes])[column],
        errors=colour_errors(colours_lab),
    )
    swapped = 0
    for step in (_settle_mask, _settle_legend):
        _pull_back(bits, pull, threads)
        swapped += step(bits, artwork, fab, tolerances, pitch_um, threads)
    _pull_back(bits, pull, threads)
    return swapped


def _columns(fab: FabProfile) -> Stack:
    nearest = nearest_finish(fab)
    return np.where(nearest < len(fab.finishes), nearest, 0).astype(np.uint8)


def _pull_back(bits: LayerBits, pull: int, threads: int) -> None:
    if bits.legend.any() and bits.opening.any():
        region = if_sparse(region_of(bits.legend, 0))
        bits.legend[:] &= ~dilate(bits.opening, disc_within(float(pull)), region=region, threads=threads)


def _settle_mask(
    bits: LayerBits, artwork: Artwork, fab: FabProfile, tolerances: Tolerances, pitch_um: float, threads: int
) -> int:
    """Borders where an edge of copper and one of the mask coincide."""
    reach = whole_pixels(tolerances.solder_mask_mm, pitch_um)
    least = _least_px(fab, pitch_um, (("copper", "line_mm"), ("copper", "gap_mm"), *_MASK_LIMITS))
    copper, opening, board = bits.copper, bits.opening, bits.board
    swapped = 0
    for alike in (True, False):
        swapped += settle(
            Border(
                one=copper & opening if alike else copper & ~opening,
                other=board & ~copper & ~opening if alike else opening & ~copper,
                rims=((True, False), (False, True)) if alike else ((False, False), (True, True)),
                shows=(BOARD | COPPER, BOARD | OPENING) if alike else (BOARD, BOARD | COPPER | OPENING),
                reach_px=reach,
                least_px=least,
            ),
            copper,
            opening,
            artwork,
            bits,
            threads=threads,
        )
    return swapped


def _settle_legend(
    bits: LayerBits, artwork: Artwork, fab: FabProfile, tolerances: Tolerances, pitch_um: float, threads: int
) -> int:
    """Borders where an edge of copper and one of the legend coincide, on closed mask."""
    reach = whole_pixels(tolerances.legend_mm, pitch_um)
    limits = (("copper", "line_mm"), ("copper", "gap_mm"), ("legend", "line_mm"), ("legend", "gap_mm"))
    least = _least_px(fab, pitch_um, limits)
    copper, legend = bits.copper, bits.legend
    closed = bits.board & ~bits.opening
    pull = disc_within(float(whole_pixels(tolerances.pull_back_mm, pitch_um)))
    swapped = 0
    for alike in (True, False):
        swapped += settle(
            Border(
                one=copper & legend if alike else closed & copper & ~legend,
                other=closed & ~copper & ~legend if alike else legend & ~copper,
                rims=((True, False), (False, True)) if alike else ((False, False), (True, True)),
                shows=(BOARD | COPPER, BOARD | LEGEND) if alike else (BOARD, BOARD | COPPER | LEGEND),
                reach_px=reach,
                least_px=least,
                barred=dilate(bits.opening, pull, threads=threads),
            ),
            copper,
            legend,
            artwork,
            bits,
            threads=threads,
        )
    return swapped


_MASK_LIMITS = (("solder_mask", "opening_mm"), ("solder_mask", "web_mm"))


def _least_px(fab: FabProfile, pitch_um: float, limits: tuple[tuple[str, str], ...]) -> int:
    return max(1, whole_pixels(max(fab.limits[key].value_mm for key in limits), pitch_um))


def redrawn(planes: LayerPlanes, bits: LayerBits, fab: FabProfile, *, threads: int = 1) -> LayerPlanes:
    """The planes with these layers. Copper stays free only where it still isn't seen; new copper is no hatch."""
    seen = finish_by_layers(fab)
    table = np.arange(256, dtype=np.uint8)
    table[seen != seen[np.arange(256) ^ COPPER]] &= np.uint8(255 & ~FREE_COPPER)
    return LayerPlanes(stack=with_layers(planes.stack, bits, table, threads=threads), pitch_um=planes.pitch_um)


def border_reports(
    before: LayerPlanes, after: LayerPlanes, fab: FabProfile, *, threads: int = 1
) -> tuple[BorderReport, ...]:
    """The borders of `before`, and what stands along them in `after`."""
    n, tolerances = len(fab.finishes), tolerances_of(fab)
    # One more label, for stacks that the profile has no finish for.
    table = finish_by_layers(fab)
    table[table == NO_FINISH] = n
    lengths = border_lengths(before.stack, after.stack, table, n + 1, threads=threads) * (before.pitch_um / 1000.0)
    reports = []
    for i in range(n):
        for j in range(i + 1, n):
            total = float(lengths[i, j].sum())
            if total > 0.0:
                reports.append(_report(fab, tolerances, i, j, lengths[i, j]))
    return tuple(reports)


def _report(fab: FabProfile, tolerances: Tolerances, i: int, j: int, lengths: Floats) -> BorderReport:
    n = len(fab.finishes)
    rule = rule_of(fab.finishes[i].recipe, fab.finishes[j].recipe)
    names = [finish.id for finish in fab.finishes] + [UNKNOWN_RIM]
    rims = sorted(((names[k], float(lengths[k])) for k in range(n + 1) if lengths[k] > 0.0), key=lambda rim: -rim[1])
    return BorderReport(
        finishes=(fab.finishes[i].id, fab.finishes[j].id),
        layers=rule.layers,
        crisp=rule.crisp,
        length_mm=float(lengths.sum()),
        rims=() if rule.crisp else tuple(rims),
        met_mm=float(lengths[n + 1]),
        rim_width_mm=0.0 if rule.crisp else tolerances.between_mm(rule.layers),
    )
