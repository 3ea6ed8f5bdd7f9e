"""A finish read twice, with the mirror reflection of its surface and without: how it looks with glare, and without.

Metal and gloss have no one colour: turned so that a lamp mirrors in them they are as bright as an instrument with the
specular component included reads them, else as one that excludes it does (CIE 15:2018, geometries di:8 and de:8; 45:0
sees no mirror reflection either). Which of the two is scored is the profile's choice; where both were read, both are
worth knowing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from worker.engine.references.prediction.surface import mirror_read
from worker.engine.references.reference import FinishReference, finish_reference
from worker.finish import Finish
from worker.reading import STANDARD_CONDITIONS, ViewingConditions


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpecularPair:
    """A finish's references by the readings that include the mirror reflection, and by those that don't."""

    included: FinishReference
    excluded: FinishReference


def specular_pair(finish: Finish, conditions: ViewingConditions = STANDARD_CONDITIONS) -> SpecularPair | None:
    """Both references of a finish that has readings of both kinds; None of any other, or where it was set by hand.

    Of several geometries without the mirror reflection the one counts that the finish names, else the first.
    """
    if finish.override is not None:
        return None
    kinds: dict[bool, str] = {}
    for geometry in (finish.geometry, *(reading.geometry for reading in finish.readings)):
        kind = mirror_read(geometry)
        if kind is not None:
            kinds.setdefault(kind, geometry)
    if len(kinds) < 2:
        return None
    included, excluded = (finish_reference(replace(finish, geometry=kinds[kind]), conditions) for kind in (True, False))
    return SpecularPair(included=included, excluded=excluded)
