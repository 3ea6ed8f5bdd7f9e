"""From finishes to a board that a fab can make: layers, limits, borders, copper, and what is known of the outcome."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from worker.engine.arrays import OUTSIDE, Floats, Labels, Srgb
from worker.engine.difference import ciede2000
from worker.engine.fabrication.better_places import make_better_side
from worker.engine.fabrication.board import BoardShape, mirrored
from worker.engine.fabrication.border_warnings import border_warnings, forbidden_warnings
from worker.engine.fabrication.copper_balance import CopperBalance, copper_balance
from worker.engine.fabrication.copper_hatch import cut_hatches, hatch_unseen
from worker.engine.fabrication.copper_parts import CopperParts, copper_parts
from worker.engine.fabrication.copper_ties import Joined, join_copper, tie_copper
from worker.engine.fabrication.covered_copper import cover_copper
from worker.engine.fabrication.edge_keep_out import draw_pads, drawn_within_edges, edge_keep_out, near_scores
from worker.engine.fabrication.expected_error import ExpectedError, expected_error
from worker.engine.fabrication.far_copper import (
    OTHER,
    Demand,
    FarCopper,
    Settlement,
    SideArt,
    demand_on,
    far_copper_found,
    meet_demands,
    plain_bits,
    plain_stack,
    settle_conflicts,
)
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.layer_files import SideName, TracedSide, layer_files, traced_sides
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.making import MadeSide, make_side, within_limits
from worker.engine.fabrication.planes import DRAWN, LayerPlanes, Stack, planes_of
from worker.engine.fabrication.repair import repair
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.engine.palette.values import map_values
from worker.fab_profile import FabProfile
from worker.finish import Finish
from worker.job_settings import Settings

SEED = 20261125
_ORDER: tuple[SideName, ...] = ("top", "bottom")
_PLACES = 5
"""Holes whose places a warning names."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArtSide:
    """How a side with artwork comes out.

    seen : uint8 (H, W), the finish that each pixel will show, and the nearest one where the profile has none for its
    layers; 255 outside the board. joined : what became of floating copper, where it was to be tied or joined; None too
    where bridges would have broken a limit, as the warnings say then.
    """

    made: MadeSide
    seen: Labels
    expected: ExpectedError
    joined: Joined | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fabrication:
    """A board as it will be made.

    shape : as seen from `side`, which has artwork: the top where both have. planes : of each side, as seen from outside
    it. sides : those with artwork. far_copper : what their finishes ask of the copper on the far side. settlements :
    where the two sides asked for what the other could not give.
    """

    fab: FabProfile
    shape: BoardShape
    side: SideName
    planes: Mapping[SideName, LayerPlanes]
    sides: Mapping[SideName, ArtSide]
    parts: Mapping[SideName, CopperParts]
    balance: CopperBalance
    far_copper: tuple[FarCopper, ...]
    settlements: tuple[Settlement, ...]
    warnings: tuple[str, ...]

    @property
    def art(self) -> MadeSide:
        """How `side` was made."""
        return self.sides[self.side].made

    @property
    def seen(self) -> Labels:
        """What `side` will show."""
        return self.sides[self.side].seen

    def traced(self, *, threads: int = 1) -> dict[SideName, TracedSide]:
        """The contours of every side, which both the files and their proof need."""
        return traced_sides(self.planes, self.fab, threads=threads)

    def files(self, project: Project, traced: Mapping[SideName, TracedSide]) -> Iterator[tuple[str, bytes]]:
        """Name and bytes of every fabrication file. `traced` : from `traced`."""
        return layer_files(traced, self.shape_from("top"), self.fab, project)

    def shape_from(self, side: SideName) -> BoardShape:
        """The board's shape as seen from a side."""
        return self.shape if side == self.side else mirrored(self.shape)


def fabricate(
    art: Mapping[SideName, SideArt],
    lab: Floats,
    shape: BoardShape,
    fab: FabProfile,
    settings: Settings,
    *,
    forbidden: tuple[str, ...] = (),
    cover_metal: bool = False,
    threads: int = 1,
) -> Fabrication:
    """Make a board whose sides show these finishes; a side without artwork shows the profile's `back`.

    Parameters
    ----------
    art : of one side or both, each as seen from outside it.
    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    shape : as seen from the top where that has artwork, else from the bottom.
    forbidden : ids of finishes that may not be used.
    cover_metal : whether copper must stay under the mask wherever that lands, as on boards of a hazardous voltage.
    """
    first: SideName = "top" if "top" in art else "bottom"
    both_sides = fab.stack_up["sides"] == 2
    settled: tuple[Settlement, ...] = ()
    labels: dict[SideName, Labels] = {name: art[name].labels for name in _ORDER if name in art}
    if len(labels) == 2:
        labels, settled = settle_conflicts(art, fab, lab, forbidden=forbidden, pitch_um=shape.pitch_um)
    sides: dict[SideName, ArtSide] = {}
    planes: dict[SideName, LayerPlanes] = {}
    warnings = [_kept(one) for one in settled if one.kept]
    if cover_metal:
        warnings += _bare_walls(shape)
    for name in labels:
        seen_from = shape if name == first else mirrored(shape)
        demand = demand_on(labels[OTHER[name]], fab) if OTHER[name] in labels else None
        sides[name], said = _art_side(
            replace(art[name], labels=labels[name]),
            demand,
            lab,
            seen_from,
            fab,
            settings,
            frozenset(forbidden),
            cover_metal,
            threads,
        )
        planes[name] = sides[name].made.planes
        warnings += said
        close = near_scores(seen_from, planes[name], fab, threads=threads)
        if close:
            warnings.append(
                f"{close:.2g} mm2 of the {name} side's layers are nearer to a score than limits.edge.scored_mm: they "
                "were widened there to keep another limit."
            )
    if both_sides and len(sides) == 1:
        other = OTHER[first]
        back = back_finish(fab, lab, forbidden)
        planes[other] = _plain_side(labels[first], back, lab, mirrored(shape), fab, cover_metal, threads)
    return board_of(fab, shape, first, planes, sides, settlements=settled, warnings=warnings, threads=threads)


def board_of(
    fab: FabProfile,
    shape: BoardShape,
    side: SideName,
    planes: Mapping[SideName, LayerPlanes],
    sides: Mapping[SideName, ArtSide],
    *,
    settlements: tuple[Settlement, ...],
    warnings: Sequence[str],
    threads: int,
) -> Fabrication:
    """The board of these layers, as the fields of `Fabrication` have them: what its copper is, and what it shows."""
    seen = {name: made.seen for name, made in sides.items()}
    far_copper = far_copper_found(seen, planes, fab, shape.pitch_um)
    etched = {name: cut_hatches(planes[name], fab, threads=threads) for name in _ORDER if name in planes}
    return Fabrication(
        fab=fab,
        shape=shape,
        side=side,
        planes={name: planes[name] for name in _ORDER if name in planes},
        sides=sides,
        parts={name: copper_parts(layers, threads=threads) for name, layers in etched.items()},
        balance=copper_balance(etched[side], etched.get(OTHER[side]), threads=threads),
        far_copper=far_copper,
        settlements=settlements,
        warnings=(
            *warnings,
            *(_broken(name, made) for name, made in sides.items() if made.made.left.total),
            *(one.warning for one in far_copper if one.warning is not None),
        ),
    )


def _broken(name: SideName, side: ArtSide) -> str:
    left = side.made.left
    counts = [(f"{layer} {kind}", n) for (layer, kind), n in left.counts.items() if n]
    counts += [(f"{layer} corner touch", n) for layer, n in left.corner_touches.items() if n]
    named = ", ".join(f"{what.replace('_', ' ')} {n}" for what, n in counts)
    return (
        f"The layers of the {name} still break limits of the fab, by kind and places: {named}. violations in the "
        "report lists them, and its picture marks them: ask the fab, or change the artwork there."
    )


def back_finish(fab: FabProfile, lab: Floats, forbidden: tuple[str, ...]) -> Finish:
    """The finish of a side without artwork: the profile's `back`, or the nearest to it that is not forbidden."""
    ids = [finish.id for finish in fab.finishes]
    wanted = lab[ids.index(fab.back)]
    allowed = [i for i in range(len(ids)) if ids[i] not in forbidden]
    return fab.finishes[min(allowed, key=lambda i: (ids[i] != fab.back, float(ciede2000(lab[i], wanted))))]


def _bare_walls(shape: BoardShape) -> list[str]:
    """What to say of plated holes on a board on which no metal may be bare."""
    plated = [hole for hole in shape.holes if hole.plated]
    if not plated:
        return []
    places = "; ".join(f"{hole.x_mm:.2f}, {hole.y_mm:.2f} mm" for hole in plated[:_PLACES])
    more = f", and {len(plated) - _PLACES} more" if len(plated) > _PLACES else ""
    text = (
        f"Plated holes at {places}{more}: no metal may be bare at this voltage, so the mask covers their rings, and "
        "nothing can be soldered there; their walls stay bare metal. Give plated = false, or bare_metal = keep where a "
        "qualified designer has set the spacing."
    )
    return [text]


def _kept(settlement: Settlement) -> str:
    top, bottom = settlement.before
    return (
        f"Finish {top} on the top and {bottom} on the bottom ask each other for copper, or none, that the other can't "
        f"have, over {settlement.area_mm2:.1f} mm2; any other finish would differ more from the artworks, so both stay."
    )


def _art_side(
    art: SideArt,
    demand: Demand | None,
    lab: Floats,
    shape: BoardShape,
    fab: FabProfile,
    settings: Settings,
    forbidden: frozenset[str],
    cover_metal: bool,
    threads: int,
) -> tuple[ArtSide, list[str]]:
    """A side with artwork, made; and what to say of it. `demand` : what the far side's art asks of its copper."""
    stacks = _stacks(fab)

    def asked_for(labels: Labels) -> LayerPlanes:
        return drawn_within_edges(shape, labels, stacks, fab, pads_apart=True, threads=threads)

    if art.other is None or demand is not None:
        made = make_side(asked_for(art.labels), fab, lab, art.judged_colours(), forbidden=forbidden, threads=threads)
    else:
        made = make_better_side(
            asked_for(art.labels),
            asked_for(art.other),
            fab,
            lab,
            art.judged_colours(),
            viewing_distance_mm=settings.viewing_distance_mm,
            forbidden=forbidden,
            threads=threads,
        )
    warnings = list(border_warnings(made.borders, fab, forbidden))
    # Pads of plated holes stay apart until nothing more is drawn: wires may be soldered there, so no bridge and no
    # copper for the far side's sake may reach them, and what they break among themselves is not held against the art.
    drawn, joined = made.planes, None
    if cover_metal:  # first, since it parts copper that bridges may join again
        drawn = cover_copper(drawn, fab, threads=threads)
        made = replace(made, left=measure_limits(drawn, fab, threads=threads))
    if settings.islands != "leave":
        drawn, joined, said = _joined_copper(drawn, art.srgb, lab, fab, settings.islands, made.left.total, threads)
        warnings += said
    if settings.hatch:
        drawn = hatch_unseen(drawn, fab, threads=threads)
    if demand is not None:
        drawn = meet_demands(drawn, demand, fab, threads=threads)
    plated = any(hole.plated for hole in shape.holes)
    if plated:
        drawn = draw_pads(shape, drawn, fab, covered=cover_metal, threads=threads)
    if plated or demand is not None:
        made = replace(made, left=measure_limits(drawn, fab, threads=threads))
    expected = expected_error(
        drawn,
        fab,
        lab,
        art.srgb,
        viewing_distance_mm=settings.viewing_distance_mm,
        rng=np.random.default_rng(SEED),
        threads=threads,
    )
    seen = map_values(drawn.stack, nearest_finish(fab), threads=threads)
    warnings += forbidden_warnings(seen, art.labels, fab, forbidden, pitch_um=shape.pitch_um)
    return ArtSide(made=replace(made, planes=drawn), seen=seen, expected=expected, joined=joined), warnings


def _joined_copper(
    planes: LayerPlanes, srgb: Srgb, lab: Floats, fab: FabProfile, islands: str, left: int, threads: int
) -> tuple[LayerPlanes, Joined | None, list[str]]:
    """The planes with floating copper tied or joined, as far as the fab's limits allow; what became of it, and what to
    say. left : how many places break a limit without that."""
    joined = (
        tie_copper(planes, fab, lab, srgb, threads=threads)
        if islands == "tie"
        else join_copper(planes, fab, threads=threads)
    )
    if measure_limits(joined.planes, fab, threads=threads).total > left:
        text = f"islands = {islands}: bridges would break a limit of the fab, so floating copper was left."
        return planes, None, [text]
    if not joined.left_out:
        return joined.planes, joined, []
    bridges = "1 bridge" if joined.left_out == 1 else f"{joined.left_out} bridges"
    text = (
        f"islands = {islands}: {bridges} that would break a limit of the fab left out; of {joined.before} parts of "
        f"copper {joined.after} are still apart."
    )
    return joined.planes, joined, [text]


def _stacks(fab: FabProfile) -> Stack:
    """uint8 (256,): the layers that show each label's finish, as `planes_of` has them."""
    return np.asarray(planes_of(np.arange(256, dtype=np.uint8)[None], fab, pitch_um=1.0).stack[0])


def _plain_side(
    labels: Labels, back: Finish, lab: Floats, shape: BoardShape, fab: FabProfile, cover_metal: bool, threads: int
) -> LayerPlanes:
    """The side without artwork: its finish everywhere, with copper wherever the artwork's finishes ask for it.

    Both keep clear of the pads of plated holes, as art does: copper all over would connect them.
    """
    bits = int(_stacks(fab)[fab.finishes.index(back)])
    stacks = np.full(256, plain_bits(bits), dtype=np.uint8)
    stacks[OUTSIDE] = 0
    pads = any(hole.plated for hole in shape.holes)
    drawn = drawn_within_edges(shape, labels, stacks, fab, mirrored=True, pads_apart=pads, threads=threads)
    if pads and plain_bits(bits) & DRAWN:
        drawn = repair(drawn, fab, lab, threads=threads).planes
    demand = demand_on(labels, fab, threads=threads)
    if demand.any():
        plain = plain_stack(labels[:, ::-1] != OUTSIDE, demand, bits, fab, shape.pitch_um)
        plain = edge_keep_out(shape, plain, fab, pads_apart=pads, threads=threads)
        drawn, _ = within_limits(drawn, plain, fab, threads=threads)  # which ends it beside the pads, too
    if cover_metal:
        drawn = cover_copper(drawn, fab, threads=threads)
    return draw_pads(shape, drawn, fab, covered=cover_metal, threads=threads) if pads else drawn
