"""Which nets art copper touches, and how near it comes to the others.

Art may float, or belong to the one net that the user names. Anything else would change the circuit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.engine.circuit.drawn_shapes import Polygons
from worker.engine.circuit.nets import TOUCH_MM, Net, Nets, Numbers, near_pairs, touching_pairs
from worker.errors import ProofError


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtPart:
    """Art copper of one side that is connected.

    place : a point on it, in mm of the circuit's coordinates. nets : that it touches. gap_mm : to the nearest copper of
    a net that it neither touches nor may touch, `gap_to`; None where that side has none.
    """

    side: str
    area_mm2: float
    place: tuple[float, float]
    nets: tuple[Net, ...]
    gap_mm: float | None
    gap_to: Net | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArtContacts:
    """All parts of the art copper. allowed : the net that art may touch. members : for each side, the part of each
    polygon that was given."""

    parts: tuple[ArtPart, ...]
    allowed: Net | None
    members: Mapping[str, Numbers]

    @property
    def floating(self) -> tuple[ArtPart, ...]:
        """Parts that touch no net, the largest first."""
        return tuple(sorted((part for part in self.parts if not part.nets), key=lambda part: -part.area_mm2))

    @property
    def tied(self) -> tuple[ArtPart, ...]:
        """Parts that belong to the net that is allowed."""
        return tuple(part for part in self.parts if self.allowed is not None and part.nets == (self.allowed,))

    @property
    def wrong(self) -> tuple[ArtPart, ...]:
        """Parts that touch what they may not."""
        return tuple(part for part in self.parts if part.nets and (part.nets != (self.allowed,)))

    @property
    def nearest(self) -> ArtPart | None:
        """The part that comes nearest to copper which it may not touch."""
        measured = [part for part in self.parts if part.gap_mm is not None]
        return min(measured, key=lambda part: part.gap_mm or 0.0, default=None)


def find_contacts(nets: Nets, art: Mapping[str, Polygons], allowed: Net | None = None) -> ArtContacts:
    """Find what art copper touches.

    Parameters
    ----------
    art : by side, "top" and "bottom", object (n,): shapely polygons in mm of the circuit's coordinates.
    allowed : the net that art may touch.
    """
    parts: list[ArtPart] = []
    members: dict[str, Numbers] = {}
    for side, polygons in art.items():
        groups = _connected(polygons)
        members[side] = groups + len(parts)
        parts += _parts(nets, side, polygons, groups, allowed)
    return ArtContacts(parts=tuple(parts), allowed=allowed, members=members)


def _connected(polygons: Polygons) -> Numbers:
    """The group of each polygon: those that touch, at a corner even, are one."""
    a, b = touching_pairs(polygons)
    links = coo_array((np.ones(len(a)), (a, b)), shape=(len(polygons), len(polygons)))
    return np.asarray(connected_components(links, directed=False)[1], np.int64)


def _parts(nets: Nets, side: str, polygons: Polygons, groups: Numbers, allowed: Net | None) -> list[ArtPart]:
    layer = nets.on_layer(nets.outer(side))
    copper, of = nets.polygons[layer], nets.of[layer]
    count = int(groups.max(initial=-1)) + 1
    touched: list[set[int]] = [set() for _ in range(count)]
    if len(copper):
        for group, net in zip(*_group_nets(polygons, groups, copper, of), strict=True):
            touched[int(group)].add(int(net))
    free = set() if allowed is None else {allowed.number}
    gaps, gap_to = _gaps(polygons, groups, copper, of, [numbers | free for numbers in touched])
    areas = np.bincount(groups, weights=shapely.area(polygons), minlength=count)
    out = []
    for group in range(count):
        largest = polygons[groups == group][int(np.argmax(shapely.area(polygons[groups == group])))]
        x, y = shapely.get_coordinates(shapely.point_on_surface(largest))[0].tolist()
        out.append(
            ArtPart(
                side=side,
                area_mm2=float(areas[group]),
                place=(x, y),
                nets=tuple(nets.nets[number] for number in sorted(touched[group])),
                gap_mm=float(gaps[group]) if gap_to[group] >= 0 else None,
                gap_to=nets.nets[int(gap_to[group])] if gap_to[group] >= 0 else None,
            )
        )
    return out


def _group_nets(polygons: Polygons, groups: Numbers, copper: Polygons, of: Numbers) -> tuple[Numbers, Numbers]:
    art, metal = near_pairs(polygons, copper, TOUCH_MM)
    pairs = np.unique(np.stack([groups[art], of[metal]]), axis=1)
    return pairs[0], pairs[1]


def _gaps(
    polygons: Polygons, groups: Numbers, copper: Polygons, of: Numbers, left_out: Sequence[set[int]]
) -> tuple[npt.NDArray[np.float64], Numbers]:
    """For each group the distance to the nearest copper of a net that isn't left out, and that net; -1 for none."""
    gaps, nearest = np.full(len(left_out), np.inf), np.full(len(left_out), -1, np.int64)
    kinds: dict[frozenset[int], list[int]] = {}
    for group, found in enumerate(left_out):
        kinds.setdefault(frozenset(found), []).append(group)
    for numbers, mine in kinds.items():
        others = np.flatnonzero(~np.isin(of, list(numbers)))
        some = np.flatnonzero(np.isin(groups, mine))
        if not len(others) or not len(some):
            continue
        tree = shapely.STRtree(copper[others])
        (art, metal), distances = tree.query_nearest(polygons[some], return_distance=True, all_matches=False)
        for i in np.argsort(-distances, kind="stable"):  # the nearest last, so that it stays
            group = groups[some[art[i]]]
            gaps[group], nearest[group] = distances[i], of[others[metal[i]]]
    return gaps, nearest


def check_contacts(contacts: ArtContacts, least_gap_mm: float) -> None:
    """ProofError where art touches a net that it may not, or comes nearer than this to one."""
    for part in contacts.wrong:
        may = f"it may touch {contacts.allowed.text} alone" if contacts.allowed else "it may touch none"
        raise ProofError(
            f"Art copper on the {part.side}, near {part.place[0]:.3f}, {part.place[1]:.3f} mm, touches "
            f"{' and '.join(net.text for net in part.nets)}, and {may}.",
            mend="Nothing was published. Please report it, with the circuit, the artwork and the settings.",
        )
    nearest = contacts.nearest
    if nearest is not None and nearest.gap_to is not None and (nearest.gap_mm or 0.0) < least_gap_mm - TOUCH_MM:
        raise ProofError(
            f"Art copper on the {nearest.side}, near {nearest.place[0]:.3f}, {nearest.place[1]:.3f} mm, comes within "
            f"{nearest.gap_mm:.3f} mm of {nearest.gap_to.text}; {least_gap_mm:g} mm are asked for.",
            mend="Nothing was published. Please report it, with the circuit, the artwork and the settings.",
        )
