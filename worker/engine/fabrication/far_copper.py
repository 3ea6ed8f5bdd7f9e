"""What a side's finishes ask of the copper on the board's far side, and what the far side makes of it.

Laminate and mask let light through, so a finish may look as its readings say only over copper on the far side, or only
over none (`far_copper` of its recipe). Where both sides carry art, each side's copper is part of the other's look. A
conflict is settled part by part: either the finishes of one or both sides change, by the least CIEDE2000 against both
artworks, or both stay, which counts as much as an assumed colour, and a warning names the finish and its area.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Floats, Labels, Srgb
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.fabrication.bit_morphology import (
    Bits,
    dilate,
    disc,
    disc_within,
    erode,
    frame_for,
    opened,
    pack,
    unpack,
)
from worker.engine.fabrication.free_copper import strips_of
from worker.engine.fabrication.layer_bits import pack_bit
from worker.engine.fabrication.layer_files import SideName
from worker.engine.fabrication.making import within_limits
from worker.engine.fabrication.planes import BOARD, COPPER, FREE_COPPER, HATCHED, LayerPlanes, planes_of
from worker.engine.fabrication.width_rules import limit_px
from worker.engine.painted import PixelColours
from worker.engine.palette.values import map_values
from worker.fab_profile import FabProfile

ASSUMED_DELTA_E = 5.0
"""What a finish may be off over other far copper than its readings had: as much as an assumed reading."""

WARN_SHARE, WARN_MM2 = 0.05, 1.0
"""A finish is warned of where at least this share of it, and this area, lacks what it asks of the far side."""

Demand = npt.NDArray[np.uint8]
"""uint8 (H, W): what stands on the other side of each pixel asks of its copper, by the values below."""
ANY, WANTED, UNWANTED = 0, 1, 2
_TURNS = 8
_DEMANDS = {"unknown": ANY, "solid": WANTED, "none": UNWANTED}

OTHER: dict[SideName, SideName] = {"top": "bottom", "bottom": "top"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideArt:
    """What one side shall show, as seen from outside it, on one grid with the other side (mirrored).

    labels : uint8 (H, W), index of the finish, 255 outside the board. srgb : uint8 (H, W, 3), encoded: the artwork.
    judged : makes the same, what repairs and rims are judged by where that isn't the artwork; made when it is needed,
    for it may take three bytes for each pixel (`border_warnings.wanted_colours`).
    other : like `labels`, a second design, of which those places are taken that look better once both are made.
    """

    labels: Labels
    srgb: Srgb
    judged: Callable[[], PixelColours] | None = None
    other: Labels | None = None

    def judged_colours(self) -> PixelColours:
        """Encoded sRGB of (H, W, 3): what repairs and rims are judged by."""
        return self.srgb if self.judged is None else self.judged()


@dataclass(frozen=True, slots=True, kw_only=True)
class Settlement:
    """Places where two finishes, one on each side, ask for what the other can't give; and what is done there.

    before, after : ids of the finishes on top and bottom. parts : how many connected places. area_mm2 : of all.
    """

    before: tuple[str, str]
    after: tuple[str, str]
    parts: int
    area_mm2: float

    @property
    def kept(self) -> bool:
        """Whether both stay as they were asked for."""
        return self.before == self.after


@dataclass(frozen=True, slots=True, kw_only=True)
class FarCopper:
    """A finish that asks something of the far side's copper: how much of it there is, and over how much it is so."""

    side: SideName
    finish: str
    wants: str
    area_mm2: float
    met_mm2: float

    @property
    def warning(self) -> str | None:
        """What to say where too much of it is not met."""
        unmet = self.area_mm2 - self.met_mm2
        if unmet < WARN_MM2 or unmet < WARN_SHARE * self.area_mm2:
            return None
        wanted = "copper" if self.wants == "solid" else "no copper"
        return (
            f"Finish {self.finish} on the {self.side} wants {wanted} on the far side; over {unmet:.1f} of "
            f"{self.area_mm2:.1f} mm2 it is otherwise there, so it will look different from its reference."
        )


def settle_conflicts(
    art: Mapping[SideName, SideArt], fab: FabProfile, lab: Floats, *, forbidden: tuple[str, ...] = (), pitch_um: float
) -> tuple[dict[SideName, Labels], tuple[Settlement, ...]]:
    """Labels of both sides with every conflict over far copper settled, and what was done.

    Parameters
    ----------
    art : of both sides.
    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    forbidden : ids of finishes that may not take the place of another.
    """
    top, bottom = art["top"].labels, art["bottom"].labels[:, ::-1]
    table = _conflicts(fab)
    pairs = np.flatnonzero(table)
    settled = {"top": top.copy(), "bottom": bottom.copy()}
    found: dict[tuple[tuple[str, str], tuple[str, str]], list[int]] = {}
    free = [i for i, finish in enumerate(fab.finishes) if finish.id not in forbidden]
    seen = {"top": art["top"].srgb, "bottom": art["bottom"].srgb[:, ::-1]}
    for pair in pairs:
        i, j = divmod(int(pair), table.shape[1])
        here = (top == i) & (bottom == j)
        if here.any():
            _settle_pair((i, j), here, seen, settled, table, free, fab, lab, found)
    pixel_mm2 = (pitch_um / 1000.0) ** 2
    done = tuple(
        Settlement(before=before, after=after, parts=parts, area_mm2=pixels * pixel_mm2)
        for (before, after), (parts, pixels) in sorted(found.items())
    )
    return {"top": settled["top"], "bottom": np.ascontiguousarray(settled["bottom"][:, ::-1])}, done


def demand_on(labels: Labels, fab: FabProfile, *, threads: int = 1) -> Demand:
    """What the finishes of one side ask of the other side's copper, as seen from outside that other side. Read-only."""
    table = np.zeros(256, dtype=np.uint8)
    for i, finish in enumerate(fab.finishes):
        table[i] = _DEMANDS[finish.recipe.far_copper]
    table[OUTSIDE] = ANY
    if not (table != ANY).any():
        return np.broadcast_to(np.uint8(ANY), labels.shape)
    return map_values(labels, table, threads=threads)[:, ::-1]


def asked_planes(labels: Labels, demand: Demand, fab: FabProfile, *, pitch_um: float) -> LayerPlanes:
    """A side's layers as they are asked for, with no regard to limits; free copper as the far side wants it."""
    stack = planes_of(labels, fab, pitch_um=pitch_um).stack.copy()
    free = (stack & np.uint8(FREE_COPPER)) != 0
    stack[free & (demand == WANTED)] |= np.uint8(COPPER)
    return LayerPlanes(stack=stack, pitch_um=pitch_um)


def meet_demands(planes: LayerPlanes, demand: Demand, fab: FabProfile, *, threads: int = 1) -> LayerPlanes:
    """The planes with copper that nobody sees on their own side chosen as the far side asks.

    Near what is seen the copper stays as the borders need it, and where a choice would break a limit, it is not made.
    """
    if not demand.any():
        return planes
    keep_off = strips_of(fab, planes.pitch_um).opening
    frame = frame_for(planes.height_px, planes.width_px, largest_px=2 * keep_off + 1)
    unseen = pack_bit(planes.stack, FREE_COPPER, frame, threads=threads)
    clear = unpack(erode(unseen, disc_within(float(keep_off)), threads=threads), frame)
    wanted, unwanted = clear & (demand == WANTED), clear & (demand == UNWANTED)
    stack = planes.stack.copy()
    stack[wanted] = (stack[wanted] | np.uint8(COPPER)) & np.uint8(255 & ~HATCHED)
    stack[unwanted] &= np.uint8(255 & ~(COPPER | HATCHED))
    if (stack == planes.stack).all():
        return planes
    met, _ = within_limits(planes, LayerPlanes(stack=stack, pitch_um=planes.pitch_um), fab, threads=threads)
    return met


def plain_bits(bits: int) -> int:
    """The stack of a side without artwork whose finish has these layers, where nothing is asked of its copper."""
    return (bits | BOARD) & ~FREE_COPPER


def plain_stack(
    board: npt.NDArray[np.bool_], demand: Demand, bits: int, fab: FabProfile, pitch_um: float
) -> LayerPlanes:
    """The layers of a side without artwork: `bits` everywhere, with copper as the art on the far side asks for it.

    Copper that would be too thin for the fab is left out, and gaps that would be too narrow are filled.
    """
    base = plain_bits(bits)
    stack = np.where(board, np.uint8(base), np.uint8(0)).astype(np.uint8)
    if not demand.any():
        return LayerPlanes(stack=stack, pitch_um=pitch_um)
    copper = np.where(demand == ANY, bool(base & COPPER), demand == WANTED) & board
    line, gap = (limit_px(fab.limits["copper", key].value_mm, pitch_um) for key in ("line_mm", "gap_mm"))
    frame = frame_for(*board.shape, largest_px=2 * max(line, gap) + 3)
    known = np.array([0, 1] + [0] * 254, dtype=np.uint8)
    packed, turn = _evened(pack(copper.view(np.uint8), known, frame, outside=False), line, gap), 0
    while (faults := _uncovered(packed, line) | _uncovered(~packed, gap)).any():
        # What is still too thin, or too close, goes with all around it; at last nothing is filled, which ends it.
        packed &= ~dilate(faults, disc_within(float(max(line, gap))))
        turn += 1
        if turn < _TURNS:
            packed = _evened(packed, line, gap)
    copper = unpack(packed, frame) & board
    stack &= np.uint8(255 & ~(COPPER | HATCHED))
    stack |= np.where(copper, np.uint8(COPPER), np.uint8(0))
    if base & HATCHED:
        stack |= np.where(copper & (demand == ANY), np.uint8(HATCHED), np.uint8(0))
    return LayerPlanes(stack=stack, pitch_um=pitch_um)


def _evened(copper: Bits, line: int, gap: int) -> Bits:
    """Copper without its thin parts, and with its narrow gaps filled: by turns, since each may leave some of the other.

    To take away what is left at once, with all around it, leaves cusps, which go in their turn: of 300 mm2 around an
    owl that ate 265.
    """
    for _ in range(_TURNS):
        held = opened(copper, disc(line))
        filled = ~opened(~held, disc(gap))
        if (filled == copper).all():
            break
        copper = filled
    return copper


def _uncovered(plane: Bits, diameter_px: int) -> Bits:
    """Pixels of a plane that no disc in it covers."""
    return np.asarray(plane & ~opened(plane, disc(diameter_px)))


def far_copper_found(
    seen: Mapping[SideName, Labels], planes: Mapping[SideName, LayerPlanes], fab: FabProfile, pitch_um: float
) -> tuple[FarCopper, ...]:
    """How far the finishes that are seen have what they ask of the far side, on the planes as they are drawn.

    seen : of each side with artwork, uint8 (H, W), index of the finish. planes : of every side that has layers.
    """
    found = []
    pixel_mm2 = (pitch_um / 1000.0) ** 2
    for side, labels in seen.items():
        if all(finish.recipe.far_copper == "unknown" for finish in fab.finishes):
            continue
        far = planes[OTHER[side]].stack[:, ::-1] if OTHER[side] in planes else np.zeros_like(labels)
        lies = far & np.uint8(COPPER | HATCHED)
        for i, finish in enumerate(fab.finishes):
            wants = finish.recipe.far_copper
            if wants == "unknown":
                continue
            here = labels == i
            area = int(np.count_nonzero(here))
            if not area:
                continue
            met = np.count_nonzero(here & (lies == (COPPER if wants == "solid" else 0)))
            found.append(
                FarCopper(
                    side=side,
                    finish=finish.id,
                    wants=wants,
                    area_mm2=area * pixel_mm2,
                    met_mm2=int(met) * pixel_mm2,
                )
            )
    return tuple(found)


def _conflicts(fab: FabProfile) -> npt.NDArray[np.uint8]:
    """uint8 (n, n): of a finish on top and one on the bottom, how many of the two don't get what they ask for."""

    def unmet(asks: str, gives: str) -> bool:
        return asks != "unknown" and gives not in ("either", asks)

    recipes = [finish.recipe for finish in fab.finishes]
    return np.array(
        [[unmet(a.far_copper, b.copper) + unmet(b.far_copper, a.copper) for b in recipes] for a in recipes],
        dtype=np.uint8,
    )


def _settle_pair(
    pair: tuple[int, int],
    here: npt.NDArray[np.bool_],
    seen: Mapping[str, Srgb],
    settled: Mapping[str, Labels],
    table: npt.NDArray[np.uint8],
    free: list[int],
    fab: FabProfile,
    lab: Floats,
    found: dict[tuple[tuple[str, str], tuple[str, str]], list[int]],
) -> None:
    """Settle all places of one pair of finishes, in `settled`, each connected place as one."""
    from scipy.ndimage import label

    parts, count = label(here)
    part = parts[here] - 1
    pixels = np.bincount(part, minlength=count)
    errors = [_errors(seen[side][here], part, count, lab) for side in ("top", "bottom")]
    choices = [pair, *((a, b) for a, b in product({*free, pair[0]}, {*free, pair[1]}) if not table[a, b])]
    cost = np.array([errors[0][:, a] + errors[1][:, b] for a, b in choices])
    cost[0] += ASSUMED_DELTA_E * int(table[pair]) * pixels
    best = np.argmin(cost, axis=0)
    for side, which in (("top", 0), ("bottom", 1)):
        settled[side][here] = np.array([choice[which] for choice in choices], dtype=np.uint8)[best[part]]
    before = _ids(pair, fab)
    for k in np.unique(best):
        entry = found.setdefault((before, _ids(choices[k], fab)), [0, 0])
        entry[0] += int(np.count_nonzero(best == k))
        entry[1] += int(pixels[best == k].sum())


def _ids(pair: tuple[int, int], fab: FabProfile) -> tuple[str, str]:
    return fab.finishes[pair[0]].id, fab.finishes[pair[1]].id


def _errors(srgb: Srgb, part: npt.NDArray[np.int64], count: int, lab: Floats) -> Floats:
    """float64 (count, n): CIEDE2000 of a side's artwork against each finish, summed over each part.

    Colours are told apart by 6 bits a channel, each by its middle, as in the previews of references.
    """
    bins = srgb.astype(np.int64) >> 2
    colours, place = np.unique((bins[:, 0] << 12) | (bins[:, 1] << 6) | bins[:, 2], return_inverse=True)
    middles = np.stack([(colours >> shift & 63) * 4 + 2 for shift in (12, 6, 0)], axis=-1).astype(np.uint8)
    differences = ciede2000(srgb_to_lab(middles)[:, None, :], lab[None, :, :])
    return np.stack(
        [np.bincount(part, weights=differences[place, i], minlength=count) for i in range(len(lab))], axis=-1
    )
