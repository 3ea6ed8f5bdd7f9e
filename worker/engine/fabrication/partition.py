"""The board as one packed plane per finish, and the profile's rules on them: what the repair works on.

The planes are an exact partition of the board at all times: a pixel is only ever moved from one finish to another. So
whatever a repair does, every pixel shows a finish that the profile has.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels
from worker.engine.difference import ciede2000
from worker.engine.fabrication import plane_moves
from worker.engine.fabrication.bit_morphology import (
    Bits,
    Disc,
    Frame,
    Region,
    dilate,
    disc,
    disc_within,
    erode,
    everywhere,
    frame_for,
    pack_each,
    region_of,
    wider,
)
from worker.engine.fabrication.edge_bands import Edges, edge_band, pad_reach_px
from worker.engine.fabrication.finish_faults import (
    Chosen,
    FaultRules,
    add_barred,
    add_corner_touches,
    add_faults,
    add_faults_beside_thin,
    add_near,
    add_thin,
    chosen_of,
)
from worker.engine.fabrication.layer_bits import LayerBits, pack_bit
from worker.engine.fabrication.measured_thin import Kinds, MeasuredThin, Words, WordsBefore
from worker.engine.fabrication.plane_moves import Planes, gather
from worker.engine.fabrication.planes import (
    COPPER,
    FREE_COPPER,
    HATCHED,
    LEGEND,
    OPENING,
    PAD,
    PLATED,
    LayerPlanes,
    planes_of,
)
from worker.engine.fabrication.sparse_bits import add, common
from worker.engine.fabrication.thin_parts import reaches_of
from worker.engine.fabrication.unseen_copper import makeable_reach_px
from worker.engine.fabrication.width_rules import CORNER_TOLERANCE, Layer, WidthRule, limit_px, width_rules
from worker.fab_profile import FabProfile

_LAYERS: tuple[Layer, ...] = ("copper", "solder_mask", "legend")
CROSS = disc_within(1.0)
SQUARE = disc_within(1.5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FinishRule:
    """A width rule by finishes. part, spare, rest : the finishes that are in the part, that are spare, and others."""

    rule: WidthRule
    diameter_px: int
    part: tuple[int, ...]
    spare: tuple[int, ...]
    rest: tuple[int, ...]

    @property
    def disc(self) -> Disc:
        return disc(self.diameter_px)

    @property
    def others(self) -> tuple[int, ...]:
        """Finishes that a pixel of the part can go to."""
        return self.rest + self.spare


class Partition:
    """One packed plane per finish, `planes` uint64 (finishes, rows, words), and `outside`, what is off the board."""

    def __init__(
        self,
        labels: Labels,
        fab: FabProfile,
        lab: npt.NDArray[np.float64],
        *,
        pitch_um: float,
        threads: int,
        planes: LayerPlanes | None = None,
        finish_of: npt.NDArray[np.uint8] | None = None,
    ) -> None:
        """`planes` : those of the labels, where plated holes are to be known. `finish_of` : uint8 (256,), the finish of
        each label, where the labels are no finishes themselves."""
        count = len(fab.finishes)
        self.fab, self.threads, self.pitch_um = fab, threads, pitch_um
        numbers = np.arange(count, dtype=np.uint8)[None]
        bits = [int(stack) for stack in planes_of(numbers, fab, pitch_um=pitch_um).stack[0]]
        self.legend = tuple(i for i in range(count) if bits[i] & LEGEND)
        self.open = tuple(i for i in range(count) if bits[i] & OPENING)
        self.plain = tuple(i for i in range(count) if not bits[i] & (LEGEND | OPENING))
        self.copper = tuple(i for i in range(count) if bits[i] & COPPER)
        self.hatched = tuple(i for i in range(count) if bits[i] & HATCHED)
        self.free = tuple(i for i in range(count) if bits[i] & FREE_COPPER)
        self.clearance_px = limit_px(fab.limits["legend", "clearance_mm"].value_mm, pitch_um)
        self.rules = _finish_rules(fab, bits, pitch_um)
        widest = max([self.clearance_px, *(rule.diameter_px for rule in self.rules)])
        widest = max(widest, *(pad_reach_px(fab, layer, pitch_um) for layer in _LAYERS))
        self.frame: Frame = frame_for(*labels.shape, largest_px=max(3 * widest, makeable_reach_px(fab, pitch_um)))
        self.distance = ciede2000(lab[:, None], lab[None])
        self.lab = lab
        table = np.arange(256, dtype=np.uint8) if finish_of is None else finish_of
        self.planes, self.outside = pack_each(labels, table, count, OUTSIDE, self.frame, threads=threads)
        self.plated, self.pads = (
            None if planes is None or not planes.has(bit) else pack_bit(planes.stack, bit, self.frame, threads=threads)
            for bit in (PLATED, PAD)
        )
        self._frame_planes()
        self.bands = self._bands()
        self._fault_rules = self._tables()
        self._kinds, self._reach_px = _kinds_and_reach(self._fault_rules)
        self.measured: MeasuredThin | None = None

    def _tables(self) -> FaultRules:
        def tables(groups: Sequence[tuple[int, ...]]) -> Chosen:
            return np.array([[i in group for i in range(self.count)] for group in groups], dtype=np.bool_)

        return FaultRules(
            layers=tables((self.copper, self.open, self.legend)),
            unknown=tables((self.free, (), ())),
            clearance=disc_within(self.clearance_px).half_px,
            part=tables([rule.part for rule in self.rules]).reshape(-1, self.count),
            spare=tables([rule.spare for rule in self.rules]).reshape(-1, self.count),
            discs=reaches_of(tuple(rule.rule for rule in self.rules), tuple(bool(rule.spare) for rule in self.rules)),
        )

    @property
    def count(self) -> int:
        return len(self.planes)

    def empty(self) -> Bits:
        return np.zeros(self.outside.shape, dtype=np.uint64)

    def _frame_planes(self) -> None:
        self.shape: tuple[int, int] = self.outside.shape
        self._nothing = self.empty()
        self._spare_plane: Bits | None = None
        self._everywhere = everywhere(self.shape)

    def window(self, planes: Planes, rows: slice, words: slice, *, threads: int = 1) -> Partition:
        """A copy of a part of the board with these planes, to work on alone; rows begin at a block."""
        part = copy.copy(self)
        part.threads = threads
        part.planes = planes[:, rows, words].copy()
        part.outside = np.ascontiguousarray(self.outside[rows, words])
        cut = [(finishes, np.ascontiguousarray(band[rows, words])) for finishes, band, _ in self.bands]
        part.bands = [(finishes, band, region_of(band, 0)) for finishes, band in cut if band.any()]
        part._frame_planes()
        part.measured = None if self.measured is None else self.measured.window(rows, words)
        return part

    def remember_thin(self) -> MeasuredThin:
        """Keep what is measured of thin parts from here on, until `measured` is None again. Meanwhile pixels change by
        this class's methods alone, or it is told what changed."""
        if self.measured is None:
            self.measured = MeasuredThin(self._kinds, self._reach_px, self.shape)
        return self.measured

    def _bands(self) -> list[tuple[tuple[int, ...], Bits, Region]]:
        """For copper, openings and legend: their finishes, the pixels too near to the edge or a pad for them, and the
        blocks that hold these.

        Empty where the profile has no finish that may stand there.
        """
        out = []
        self.edge_safe = tuple(i for i in self.plain if i not in self.copper)
        edges = Edges(outside=self.outside, plated=self.plated, pads=self.pads)
        for finishes, layer in zip((self.copper, self.open, self.legend), _LAYERS, strict=True):
            if self.edge_safe and finishes:
                band = edge_band(edges, self.fab, layer, self.pitch_um, threads=self.threads)
                if band is not None:
                    out.append((finishes, band, region_of(band, 0)))
        return out

    def too_far_out(self, region: Region | None = None) -> Bits:
        """Copper, openings and legend too near to the board's edge, in the region."""
        out = self.empty()
        self._add_too_far_out(self._region(region), out)
        return out

    def _add_too_far_out(self, region: Region, out: Bits) -> None:
        for finishes, band, held in self.bands:
            chosen = chosen_of(finishes, self.count)
            add_barred(self.planes, chosen, band, held & region, out, threads=self.threads)

    def keep_from_edge(self) -> None:
        """Give what is too near to the board's edge to the finish most like it that may stand there."""
        for finishes, band, held in self.bands:
            for finish in finishes:
                where = common(band, self.planes[finish], held)
                if where.any():
                    self.move(where, min(self.edge_safe, key=lambda i: self.distance[finish, i]))

    def union(self, finishes: tuple[int, ...], region: Region | None = None) -> Bits:
        """Pixels of any of these finishes, in the region."""
        return gather(self.planes, finishes, self._nothing, self._region(region), threads=self.threads)

    def _region(self, region: Region | None) -> Region:
        return self._everywhere if region is None else region

    def move(self, where: Bits, finish: int) -> None:
        """Give these pixels, all on the board, to a finish."""
        before = self._words_before(where)
        plane_moves.move(self.planes, where, finish)
        self._note(before)

    def take_over(self, where: Bits, other: Planes) -> None:
        """Make these pixels what they are in another partition's planes."""
        before = self._words_before(where)
        plane_moves.take_over(self.planes, where, other)
        self._note(before)

    def put_back(self, where: Bits, saved: WordsBefore) -> None:
        """Make these pixels, all of them in words that were saved, what they were."""
        before = self._words_before(where)
        saved.put_back(self.planes, where)
        self._note(before)

    def flood(self, where: Bits, sources: Bits | None, givers: tuple[int, ...], steps: int) -> None:
        """Give pixels to the nearest of some finishes, as `plane_moves.flood` does; sources : None for all around."""
        before, gives = self._words_before(where), chosen_of(givers, self.count)
        if sources is None:
            plane_moves.flood(self.planes, where, where, True, gives, steps)
        else:
            plane_moves.flood(self.planes, where, sources, False, gives, steps)
        self._note(before)

    def note_changes(self, region: Region, before: Planes) -> None:
        """Take notice of what else was changed, in the region, since the planes were these."""
        if self.measured is not None:
            self.measured.changed_in(region, before, self.planes)

    def _words_before(self, where: Bits) -> WordsBefore | None:
        return None if self.measured is None else WordsBefore.of(self.planes, where)

    def _note(self, before: WordsBefore | None) -> None:
        if self.measured is not None and before is not None:
            self.measured.changed(before, self.planes)

    def space(self, rule: FinishRule, region: Region | None) -> tuple[Bits, Bits]:
        """The rule's part, and where its discs may lie: good in the region and one block around it."""
        around = None if region is None else wider(region)
        part = self.union(rule.part, around)
        if rule.rule.spare_reach_px and rule.spare:
            far = self._region(None if around is None else wider(around))
            spare = gather(self.planes, rule.spare, self.outside, far, threads=self.threads)
            reach = disc_within(rule.rule.spare_reach_px)
            spare = dilate(spare, reach, region=around, threads=self.threads)
            add(spare, part, self._region(around))
            return part, spare
        space = gather(self.planes, rule.part + rule.spare, self.outside, self._region(around), threads=self.threads)
        return part, space

    def covered(self, space: Bits, diameter_px: int, region: Region | None) -> Bits:
        """What discs of this diameter, no wider than a block, cover, and square corners beside it."""
        # A corner's cover may lie in the block beside it.
        around = None if region is None else wider(region)
        centres = erode(space, disc(diameter_px), region=around, threads=self.threads)
        cover = dilate(centres, disc(diameter_px), region=around, threads=self.threads)
        tolerance = disc_within(CORNER_TOLERANCE * diameter_px / 2.0)
        return dilate(cover, tolerance, region=region, threads=self.threads)

    def thin(self, rule: FinishRule, region: Region | None = None) -> Bits:
        """Pixels of the part that break the rule, in the region. Where there are none it is a plane that others share,
        not to be written into."""
        number, within = self.rules.index(rule), self._region(region)
        if self.measured is None:
            out = self.empty()
            self._measure_thin(number, within, out)
            return out
        self._know_thin(self.measured, number, within)
        if not self.measured.holds(number, within):
            return self._nothing
        out = self.empty()
        self.measured.add(number, within, out)
        return out

    def thin_words(self, rule: FinishRule, region: Region) -> Words:
        """The same, as words; what is measured is kept from here on."""
        measured, number = self.remember_thin(), self.rules.index(rule)
        self._know_thin(measured, number, region)
        return measured.words(number, region)

    def new_thin(self, before: Sequence[Words], region: Region) -> Bits:
        """Pixels in the region that break a width rule, and are not among these, which did before, rule by rule."""
        out, spare, measured = self.empty(), self._scratch(), self.remember_thin()
        for number, words in enumerate(before):
            self._know_thin(measured, number, region)
            measured.add_new(number, words, region, spare, out)
        return out

    def saved(self, places: Sequence[Words]) -> WordsBefore:
        """What the planes show in all these words, to be put back."""
        where = self._scratch()
        for words in places:
            words.add(where)
        out = WordsBefore.of(self.planes, where)
        for words in places:
            words.clear(where)
        return out

    def _scratch(self) -> Bits:
        """A plane that is empty, and is left so."""
        if self._spare_plane is None:
            self._spare_plane = self.empty()
        return self._spare_plane

    def _know_thin(self, measured: MeasuredThin, number: int, region: Region) -> None:
        unknown = measured.unknown(number, region)
        if unknown is None:
            return
        found = self._scratch()
        self._measure_thin(number, unknown, found)
        measured.take_in(number, found, unknown)

    def _measure_thin(self, number: int, region: Region, out: Bits) -> None:
        add_thin(self.planes, self.outside, self._fault_rules, number, region, out, threads=self.threads)

    def too_near(self, region: Region | None = None) -> Bits:
        """Legend within the clearance of an opening."""
        out = self.empty()
        add_near(self.planes, self._fault_rules, self._region(region), out, threads=self.threads)
        return out

    def touches(self, region: Region | None = None) -> Bits:
        """All four pixels of every corner touch of a layer, in the region."""
        out = self.empty()
        rules = self._fault_rules
        add_corner_touches(self.planes, self.outside, rules, self._region(region), out, threads=self.threads)
        return out

    def faults(self, region: Region | None = None) -> Bits:
        """Every pixel that breaks a rule, in the region."""
        out, within = self.empty(), self._region(region)
        self._add_too_far_out(within, out)
        rules = self._fault_rules
        if self.measured is None:
            add_faults(self.planes, self.outside, rules, within, out, threads=self.threads)
            return out
        add_faults_beside_thin(self.planes, self.outside, rules, within, out, threads=self.threads)
        for number in range(len(self.rules)):
            self._know_thin(self.measured, number, within)
            self.measured.add(number, within, out)
        return out

    @property
    def fault_reach_px(self) -> int:
        """Rows and columns around a pixel that decide on whether it breaks a rule."""
        return self._fault_rules.reach_px

    def layers(self) -> LayerBits:
        """The layers of one side that show these finishes, without copper where it may be or not."""
        copper, opening, legend, hatched, free = (
            self.union(finishes) for finishes in (self.copper, self.open, self.legend, self.hatched, self.free)
        )
        return LayerBits(
            frame=self.frame,
            copper=copper,
            opening=opening,
            legend=legend,
            board=~self.outside,
            free=free,
            hatched=hatched,
            plated=self.plated,
            pads=self.pads,
        )

    def nearest_plain(self, finish: int) -> int:
        """The finish without legend and opening that looks most like this one."""
        return min(self.plain, key=lambda other: self.distance[finish, other])


def _kinds_and_reach(rules: FaultRules) -> tuple[Kinds, npt.NDArray[np.int64]]:
    """What finishes are to each width rule, and how far its discs and their corners' tolerance reach."""
    kinds = np.where(rules.part, 1, np.where(rules.spare, 2, 0)).astype(np.uint8)
    return kinds, rules.discs.each_reach_px


def _finish_rules(fab: FabProfile, bits: Sequence[int], pitch_um: float) -> tuple[FinishRule, ...]:
    """The rules that can be broken: something is in the part, and something is neither in it nor spare."""
    out: dict[tuple[object, ...], FinishRule] = {}
    for rule in width_rules(fab, pitch_um, chosen=False):
        part = tuple(i for i, stack in enumerate(bits) if rule.part(stack))
        spare = tuple(i for i, stack in enumerate(bits) if i not in part and rule.spare(stack))
        rest = tuple(i for i in range(len(bits)) if i not in part and i not in spare)
        if part and rest and rule.diameter_px > 1:
            key = (part, spare, rule.diameter_px, rule.spare_reach_px)
            out.setdefault(key, FinishRule(rule=rule, diameter_px=rule.diameter_px, part=part, spare=spare, rest=rest))
    return tuple(out.values())
