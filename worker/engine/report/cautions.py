"""Cautions: what a person should know before making, wearing or powering the board.

Each stands for a duty that a job's plating, use or voltage brings about. They are reminders, not advice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from worker.fab_profile import FabProfile
from worker.job_settings import Settings

DEFERRAL = "This is neither safety nor legal advice: local codes and licensed practice decide."

HAZARDOUS_ABOVE_DC = 60.0
HAZARDOUS_ABOVE_AC_RMS = 30.0
"""Volts. Class ES1 of IEC 62368-1 ends here (from memory; 42.4 V peak for AC)."""

NICKEL_PLATINGS = ("ENIG", "ENEPIG", "hard gold")


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution.

    text : what to know, ending in `DEFERRAL`. because : what in this job calls for it. source : where it is written.
    """

    id: str
    text: str
    because: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    """`because` answers why this job calls for the caution, or None where it does not."""

    id: str
    text: str
    source: str
    because: Callable[[FabProfile, Settings], str | None]


def cautions_for(fab: FabProfile, settings: Settings) -> tuple[Caution, ...]:
    """The cautions that this fab profile and these settings call for, in a fixed order."""
    return tuple(
        Caution(id=rule.id, text=f"{rule.text} {DEFERRAL}", because=because, source=rule.source)
        for rule in _RULES
        if (because := rule.because(fab, settings)) is not None
    )


def is_hazardous(settings: Settings) -> bool:
    """Whether the stated voltage is above 60 V DC or 30 V AC rms; the stricter where its kind is not stated."""
    if settings.voltage is None:
        return False
    return settings.voltage > (HAZARDOUS_ABOVE_DC if settings.voltage_kind == "dc" else HAZARDOUS_ABOVE_AC_RMS)


def _nickel(fab: FabProfile, settings: Settings) -> str | None:
    if fab.plating in NICKEL_PLATINGS and settings.use in ("handheld", "worn", "child"):
        return f"plating is {fab.plating} and use is {settings.use}"
    return None


def _lead(fab: FabProfile, settings: Settings) -> str | None:
    if fab.plating == "HASL" and not fab.lead_free and settings.use in ("wall", "handheld"):
        return "plating is HASL and lead_free is false"
    return None


def _lead_near_skin(fab: FabProfile, settings: Settings) -> str | None:
    if fab.plating == "HASL" and not fab.lead_free and settings.use in ("worn", "child"):
        return f"plating is HASL, lead_free is false and use is {settings.use}"
    return None


def _toy(_: FabProfile, settings: Settings) -> str | None:
    return "use is child" if settings.use == "child" else None


def _sharp_edges(_: FabProfile, settings: Settings) -> str | None:
    return f"use is {settings.use}" if settings.use in ("worn", "child") else None


def _glass_dust(_: FabProfile, __: Settings) -> str:
    return "every board of glass and resin gives dust when it is worked by hand"


def _bare_metal(fab: FabProfile, settings: Settings) -> str | None:
    bare = [finish.id for finish in fab.finishes if finish.recipe.mask_opening and finish.recipe.copper != "none"]
    if bare and settings.voltage:
        return f"{', '.join(bare)} is open metal and voltage is {_voltage_text(settings)}"
    return None


def _hazardous_voltage(_: FabProfile, settings: Settings) -> str | None:
    if not is_hazardous(settings):
        return None
    unstated = "" if settings.voltage_kind != "unknown" else ", AC or DC not stated, so the stricter limit holds"
    return f"voltage is {_voltage_text(settings)}{unstated}"


def _powered(_: FabProfile, settings: Settings) -> str | None:
    return f"voltage is {_voltage_text(settings)}" if settings.voltage else None


def _voltage_text(settings: Settings) -> str:
    kind = {"ac": " AC", "dc": " DC", "unknown": ""}[settings.voltage_kind]
    return f"{settings.voltage:g} V{kind}"


_RULES = (
    _Rule(
        id="nickel",
        text=(
            "Under the gold of this plating lies nickel, which can give sensitive people a rash. A piece for sale in "
            "the EU that stays long on the skin may need a test of how much nickel it gives off."
        ),
        source="Regulation (EC) 1907/2006 (REACH), annex XVII, entry 27; test by EN 1811",
        because=_nickel,
    ),
    _Rule(
        id="lead",
        text="Hot-air levelled solder may hold lead. Ask the fab for its lead-free kind, and have that in writing.",
        source="Directive 2011/65/EU (RoHS): 0.1 % lead by weight",
        because=_lead,
    ),
    _Rule(
        id="lead-near-skin",
        text=(
            "Hot-air levelled solder may hold lead, and this board is to be worn, or to be in a child's hands. Do not "
            "make it so: order a plating that the fab states to be free of lead. Jewellery, and things that a child "
            "can put in the mouth, have limits far below those of electronics."
        ),
        source=(
            "REACH, annex XVII, entry 63: 0.05 % in jewellery and in articles that children can mouth; US Consumer "
            "Product Safety Improvement Act: 100 ppm in accessible parts"
        ),
        because=_lead_near_skin,
    ),
    _Rule(
        id="toy",
        text="A circuit board is not a toy, and may not be given or sold as one unless it was tested as one.",
        source="Directive 2009/48/EC on the safety of toys (from memory)",
        because=_toy,
    ),
    _Rule(
        id="sharp-edges",
        text="Points and snapped-off edges cut. Give outside corners a radius, and smooth what was broken or cut.",
        source="common practice, no source",
        because=_sharp_edges,
    ),
    _Rule(
        id="glass-dust",
        text=(
            "Cutting, drilling, breaking and sanding boards sets free glass dust, which irritates skin, eyes and "
            "lungs. Work wet or with extraction, and wear a dust mask and goggles."
        ),
        source="US NIOSH, recommended limits for fibrous glass: 3 fibres/cm3 and 5 mg/m3",
        because=_glass_dust,
    ),
    _Rule(
        id="bare-metal",
        text=(
            "Open metal is a bare conductor: where art touches a part of the circuit it carries that part's voltage, "
            "and can short two parts together. Keep art metal clear of every net, or join it to one on purpose."
        ),
        source="common practice, no source",
        because=_bare_metal,
    ),
    _Rule(
        id="hazardous-voltage",
        text=(
            "At this voltage a touch can hurt or kill. Art copper changes the spacing between conductors, and nothing "
            "here checks it: put no art on this part of the board until a qualified designer has set the spacing."
        ),
        source=(
            "IEC 62368-1, class ES1 up to 60 V DC, 30 V AC rms or 42.4 V peak (from memory); spacing by IEC 60664-1"
        ),
        because=_hazardous_voltage,
    ),
    _Rule(
        id="no-insulation",
        text="Solder mask and legend are pictures and solder stops, not safety insulation: never count on them.",
        source="common practice, no source",
        because=_hazardous_voltage,
    ),
    _Rule(
        id="flame-rating",
        text=(
            "A flame rating belongs to a build that was tested: laminate, mask, legend, plating and the largest copper "
            "area. Large areas of copper or without mask, as art has them, can lie outside it: ask the fab."
        ),
        source="UL 94; UL 796",
        because=_powered,
    ),
)
