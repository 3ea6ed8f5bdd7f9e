"""The layers of art beside a circuit, within the fab's limits: what is added to what the circuit has, and never less.

Art is made as any board is, together with the circuit. Of that only what art may add is kept: the circuit's own layers
stay as they are, whatever the fab's limits say of them. Where an addition breaks a limit, it is left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Floats, Labels
from worker.engine.circuit.beside import BesideCircuit
from worker.engine.circuit.keep_out import MAY_COPPER, MAY_LEGEND, MAY_METAL, MAY_OPENING, near
from worker.engine.circuit.rasters import CircuitSide, Mask
from worker.engine.fabrication.border_warnings import border_warnings, forbidden_warnings
from worker.engine.fabrication.covered_copper import cover_copper
from worker.engine.fabrication.expected_error import expected_error
from worker.engine.fabrication.fabricate import SEED, ArtSide, Fabrication, board_of
from worker.engine.fabrication.far_copper import SideArt
from worker.engine.fabrication.layer_files import SideName
from worker.engine.fabrication.limits import LimitReport, measure_limits
from worker.engine.fabrication.making import make_side, within_limits
from worker.engine.fabrication.planes import (
    BOARD,
    COPPER,
    DRAWN,
    FREE_COPPER,
    HATCHED,
    LEGEND,
    OPENING,
    LayerPlanes,
    Stack,
    planes_of,
)
from worker.engine.fabrication.registration import drawing_reach_px
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.engine.palette.values import map_values
from worker.fab_profile import FabProfile

_ORDER: tuple[SideName, ...] = ("top", "bottom")
_JOIN_PX = 3
"""So far art copper runs in under the copper of its net: edges of pixels alone would leave a slit."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArtBesideCircuit:
    """A board of circuit and art. additions : of each side with artwork, what the art adds, as seen from that side."""

    fabrication: Fabrication
    additions: Mapping[SideName, LayerPlanes]


def fabricate_beside(
    art: Mapping[SideName, SideArt],
    beside: Mapping[SideName, BesideCircuit],
    other: CircuitSide | None,
    lab: Floats,
    fab: FabProfile,
    *,
    viewing_distance_mm: float,
    forbidden: tuple[str, ...] = (),
    cover_metal: bool = False,
    cover_near: bool = False,
    threads: int = 1,
) -> ArtBesideCircuit:
    """Make the layers of a circuit's board with art.

    Parameters
    ----------
    art, beside : of the sides with artwork, as seen from outside each.
    other : the circuit's side without artwork, where it has copper there; None else.
    lab, forbidden, cover_metal : as in `fabricate.fabricate`. cover_near : likewise, but only where art may have no
        bare metal, as at a hazardous voltage near the circuit.
    """
    first: SideName = "top" if "top" in art else "bottom"
    planes: dict[SideName, LayerPlanes] = {}
    additions: dict[SideName, LayerPlanes] = {}
    sides: dict[SideName, ArtSide] = {}
    warnings: list[str] = []
    for side in (name for name in _ORDER if name in art):
        sides[side], additions[side], said = _side(
            art[side],
            beside[side],
            lab,
            fab,
            viewing_distance_mm,
            frozenset(forbidden),
            cover_metal,
            cover_near,
            threads,
        )
        planes[side] = sides[side].made.planes
        warnings += [f"{side}: {text}" for text in said] if len(art) > 1 else said
    shape = beside[first].shape
    if other is not None:
        planes[other.side] = LayerPlanes(stack=other.stack.copy(), pitch_um=shape.pitch_um)
    fabrication = board_of(fab, shape, first, planes, sides, settlements=(), warnings=warnings, threads=threads)
    return ArtBesideCircuit(fabrication=fabrication, additions=additions)


def _side(
    art: SideArt,
    beside: BesideCircuit,
    lab: Floats,
    fab: FabProfile,
    viewing_distance_mm: float,
    forbidden: frozenset[str],
    cover_metal: bool,
    cover_near: bool,
    threads: int,
) -> tuple[ArtSide, LayerPlanes, list[str]]:
    """A side with artwork, what its art adds, and what to say of it."""
    pitch_um = beside.shape.pitch_um
    circuit = LayerPlanes(stack=beside.side.stack & np.uint8(BOARD | DRAWN), pitch_um=pitch_um)
    asked = LayerPlanes(stack=_asked(art.labels, beside, fab, pitch_um), pitch_um=pitch_um)
    made = make_side(asked, fab, lab, art.judged_colours(), forbidden=forbidden, threads=threads)
    added = what_may_be_added(made.planes.stack, circuit.stack, beside.may, fab_metal=not cover_metal)
    added = _near_what_was_asked(added, asked.stack, circuit.stack, drawing_reach_px(fab, pitch_um))
    if cover_metal or cover_near:
        alone = LayerPlanes(stack=added | np.uint8(BOARD), pitch_um=pitch_um)
        covered = cover_copper(alone, fab, threads=threads).stack & np.uint8(DRAWN | HATCHED)
        added = np.where(cover_metal | ((beside.may & MAY_METAL) == 0), covered, added).astype(np.uint8)
    kept, undone = circuit, 0
    for bits in (np.uint8(COPPER | HATCHED | OPENING), np.uint8(LEGEND)):  # no legend is lost for faults of copper
        together = LayerPlanes(stack=kept.stack | (added & bits), pitch_um=pitch_um)
        kept, undone_now = within_limits(kept, together, fab, excuse_kept=True, threads=threads)
        undone += undone_now
    added = kept.stack & ~circuit.stack & np.uint8(DRAWN | HATCHED)
    added |= np.uint8(COPPER) * _under_its_net(
        (added & COPPER) != 0, beside.side, fab.limits["copper", "gap_mm"].value_mm
    )
    own = measure_limits(circuit, fab, threads=threads)
    left = _of_the_art(measure_limits(kept, fab, threads=threads), own)
    made = replace(made, planes=kept, left=left, undone_px=made.undone_px + undone)
    warnings = list(border_warnings(made.borders, fab, forbidden))
    if own.total:
        kinds = ", ".join(
            f"{layer.replace('_', ' ')} {kind} {count}" for (layer, kind), count in own.counts.items() if count
        )
        warnings.append(
            f"The circuit itself, without any art, has {own.total} places that are finer than the fab's limits "
            f"({kinds}): they stay as they are."
        )
    expected = expected_error(
        kept,
        fab,
        lab,
        art.srgb,
        viewing_distance_mm=viewing_distance_mm,
        rng=np.random.default_rng(SEED),
        threads=threads,
    )
    seen = map_values(kept.stack, nearest_finish(fab), threads=threads)
    seen[~beside.shape.board] = OUTSIDE
    warnings += forbidden_warnings(seen, art.labels, fab, forbidden, pitch_um=pitch_um)
    side = ArtSide(made=made, seen=seen, expected=expected, joined=None)
    return side, LayerPlanes(stack=added | np.uint8(BOARD), pitch_um=pitch_um), warnings


def _of_the_art(found: LimitReport, own: LimitReport) -> LimitReport:
    """What breaks a limit beyond what the circuit breaks by itself."""
    known = {(each.layer, each.kind, round(each.x_mm, 1), round(each.y_mm, 1)) for each in own.violations}
    return replace(
        found,
        violations=tuple(
            each
            for each in found.violations
            if (each.layer, each.kind, round(each.x_mm, 1), round(each.y_mm, 1)) not in known
        ),
        counts={key: max(0, count - own.counts.get(key, 0)) for key, count in found.counts.items()},
        corner_touches={
            key: max(0, count - own.corner_touches.get(key, 0)) for key, count in found.corner_touches.items()
        },
    )


def _asked(labels: Labels, beside: BesideCircuit, fab: FabProfile, pitch_um: float) -> Stack:
    """uint8 (H, W): what the finishes ask for that differ from what the circuit shows.

    The circuit is left out, since it needs not keep the limits: a repair that can't mend it would cover all round it.
    """
    circuit = beside.side.stack & np.uint8(BOARD)
    wanted = planes_of(labels, fab, pitch_um=pitch_um).stack
    changed = (labels != beside.given) & (labels != OUTSIDE)
    without_copper = (beside.side.stack & np.uint8(COPPER)) == 0
    free = (wanted & np.uint8(FREE_COPPER)) * without_copper * ((beside.may & MAY_COPPER) != 0)
    hatched = (wanted & np.uint8(HATCHED)) * without_copper
    return np.where(changed, circuit | (wanted & np.uint8(DRAWN)) | free | hatched, circuit).astype(np.uint8)


def _near_what_was_asked(added: Stack, asked: Stack, circuit: Stack, reach_px: float) -> Stack:
    """What is added within reach of what the art asks for in the same layer: repairs of the circuit itself go."""
    out = added.copy()
    for bit, by in ((COPPER, COPPER | FREE_COPPER), (OPENING, OPENING), (LEGEND, LEGEND)):
        wanted = ((asked & np.uint8(by)) != 0) & ((circuit & np.uint8(bit)) == 0)
        gone = ~near(wanted, reach_px) if wanted.any() else np.ones_like(wanted)
        out &= ~(np.uint8(bit | (HATCHED if bit == COPPER else 0)) * gone)
    return out


def what_may_be_added(made: Stack, circuit: Stack, may: npt.NDArray[np.uint8], *, fab_metal: bool) -> Stack:
    """uint8 (H, W): bits that are drawn and not the circuit's own, as far as art may draw them.

    Parameters
    ----------
    made, circuit : uint8 (H, W), stacks of circuit and art, and of the circuit alone.
    may : bits of `keep_out`. fab_metal : whether art may be bare metal anywhere.
    """
    added = made & ~circuit & np.uint8(DRAWN)
    for bit, needs in ((COPPER, MAY_COPPER), (OPENING, MAY_OPENING), (LEGEND, MAY_LEGEND)):
        added &= ~(np.uint8(bit) * ((may & needs) == 0))
    if not fab_metal:
        may = may & np.uint8(255 - MAY_METAL)
    bare = ((made & ~circuit) | circuit) & np.uint8(COPPER | OPENING) == (COPPER | OPENING)
    wrong = bare & ((added & np.uint8(COPPER | OPENING)) != 0) & ((may & MAY_METAL) == 0)
    added &= ~(np.uint8(COPPER | OPENING) * wrong)
    hatched = (made & np.uint8(HATCHED)) * ((added & COPPER) != 0)
    return np.asarray(added | hatched, np.uint8)


def _under_its_net(copper: Mask, side: CircuitSide, gap_mm: float) -> Mask:
    """bool (H, W): copper of the net that art may touch, where art copper meets it: the two are to overlap.

    Beyond the edge only inside that copper, a pixel from its edges, and nowhere within the gap to another net.
    """
    foreign = side.plane(COPPER) & ~side.free_of_net
    far = ~near(foreign, gap_mm / (side.shape.pitch_um / 1000.0) + 2.0**0.5)
    edge = cv2.dilate(copper.view(np.uint8), np.ones((3, 3), np.uint8)).view(np.bool_) & side.free_of_net & far
    inside = cv2.erode(side.free_of_net.astype(np.uint8), np.ones((3, 3), np.uint8)).view(np.bool_)
    size = 2 * _JOIN_PX + 1
    beyond = cv2.dilate(edge.view(np.uint8), np.ones((size, size), np.uint8)).view(np.bool_)
    return np.asarray(edge | (beyond & inside & far))
