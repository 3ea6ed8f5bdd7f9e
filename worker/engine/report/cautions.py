"""Cautions: what a person should know before making, wearing or powering the board.

Each stands for a duty that a job's plating, use, voltage, parts or shape brings about. They are reminders, not advice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from worker.errors import SettingsError
from worker.fab_profile import FabProfile
from worker.job_settings import Settings

DEFERRAL = "This is neither safety nor legal advice: local codes and licensed practice decide."

HAZARDOUS_ABOVE_DC = 60.0
HAZARDOUS_ABOVE_AC_RMS = 30.0
"""Volts. Class ES1 of IEC 62368-1 ends here (from memory; 42.4 V peak for AC)."""

SHARP_BELOW_DEGREES = 60.0
SQUARE_BELOW_DEGREES = 100.0
"""Outside corners: points at any rate, and square ones where a piece is handled. Recommendations, no source."""

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
    because: Callable[[_Job], str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What calls for cautions."""

    fab: FabProfile
    settings: Settings
    sharpest_degrees: float | None

    def carried(self, *parts: str) -> str | None:
        """Which of these parts the piece includes, in words."""
        found = [part for part in self.settings.includes if part in parts]
        return f"includes: {', '.join(found)}" if found else None


def cautions_for(fab: FabProfile, settings: Settings, *, sharpest_degrees: float | None = None) -> tuple[Caution, ...]:
    """The cautions that this fab profile, these settings and this shape call for, in a fixed order.

    `sharpest_degrees` : of the board's outside corners (`fabrication.corner_angles`); None where it is not known.
    """
    job = _Job(fab=fab, settings=settings, sharpest_degrees=sharpest_degrees)
    return tuple(
        Caution(id=rule.id, text=f"{rule.text} {DEFERRAL}", because=because, source=rule.source)
        for rule in _RULES
        if (because := rule.because(job)) is not None
    )


def bare_metal(fab: FabProfile) -> tuple[str, ...]:
    """Ids of the finishes that are open metal."""
    return tuple(finish.id for finish in fab.finishes if finish.recipe.mask_opening and finish.recipe.copper != "none")


def without_live_metal(fab: FabProfile, settings: Settings) -> tuple[Settings, str | None]:
    """The settings to separate with, and what to say of it: where the voltage is hazardous, bare metal is forbidden.

    Raises
    ------
    SettingsError
        A pin or the background asks for metal that is left out so.
    """
    metal = bare_metal(fab)
    if not is_hazardous(settings) or settings.bare_metal == "keep" or not metal:
        return settings, None
    mend = (
        "At this voltage bare metal is left out. Drop that, or give bare_metal keep where a qualified designer has set "
        "the spacing."
    )
    for pin in settings.pins:
        if pin.finish in metal:
            raise SettingsError(f"Setting pin is {pin.text()!r}, and {_voltage_because(settings)}.", mend=mend)
    if settings.background in metal:
        raise SettingsError(
            f"Setting background is {settings.background!r}, and {_voltage_because(settings)}.", mend=mend
        )
    forbidden = tuple(dict.fromkeys((*settings.forbid, *metal)))
    said = (
        f"Bare metal ({', '.join(metal)}) is left out, since {_voltage_because(settings)}: nobody has set the spacing. "
        "Setting bare_metal to keep makes it all the same. " + DEFERRAL
    )
    return replace(settings, forbid=forbidden), said


def is_hazardous(settings: Settings) -> bool:
    """Whether the stated voltage is above 60 V DC or 30 V AC rms; the stricter where its kind is not stated."""
    if settings.voltage is None:
        return False
    return settings.voltage > (HAZARDOUS_ABOVE_DC if settings.voltage_kind == "dc" else HAZARDOUS_ABOVE_AC_RMS)


def _nickel(job: _Job) -> str | None:
    if job.fab.plating in NICKEL_PLATINGS and job.settings.use in ("handheld", "worn", "child"):
        return f"plating is {job.fab.plating} and use is {job.settings.use}"
    return None


def _lead(job: _Job) -> str | None:
    if job.fab.plating == "HASL" and not job.fab.lead_free and job.settings.use in ("wall", "handheld"):
        return "plating is HASL and lead_free is false"
    return None


def _lead_near_skin(job: _Job) -> str | None:
    if job.fab.plating == "HASL" and not job.fab.lead_free and job.settings.use in ("worn", "child"):
        return f"plating is HASL, lead_free is false and use is {job.settings.use}"
    return None


def _toy(job: _Job) -> str | None:
    return "use is child" if job.settings.use == "child" else None


def _sharp_edges(job: _Job) -> str | None:
    reasons = [f"use is {job.settings.use}"] if job.settings.use in ("worn", "child") else []
    if (worked := job.carried("tabs", "hand-cut")) is not None:
        reasons.append(worked)
    sharpest = job.sharpest_degrees
    limit = SQUARE_BELOW_DEGREES if job.settings.use != "wall" else SHARP_BELOW_DEGREES
    if sharpest is not None and sharpest < limit:
        reasons.append(f"the board has an outside corner of {sharpest:.0f} degrees")
    return "; ".join(reasons) or None


def _glass_dust(job: _Job) -> str:
    worked = job.carried("tabs", "hand-cut")
    return worked or "every board of glass and resin gives dust when it is worked by hand"


def _bare_metal(job: _Job) -> str | None:
    metal = bare_metal(job.fab)
    near = [f"voltage is {_voltage_text(job.settings)}"] if job.settings.voltage else []
    near += [carried] if (carried := job.carried("circuit", "battery", "coin-cell", "led")) is not None else []
    return f"{', '.join(metal)} is open metal and {' and '.join(near)}" if metal and near else None


def _hazardous_voltage(job: _Job) -> str | None:
    if not is_hazardous(job.settings):
        return None
    metal = "left out" if job.settings.bare_metal == "auto" else "kept, as bare_metal asks for it"
    return _voltage_because(job.settings) + (f"; bare metal is {metal}" if bare_metal(job.fab) else "")


def _no_insulation(job: _Job) -> str | None:
    return _voltage_because(job.settings) if is_hazardous(job.settings) else None


def _coin_cell(job: _Job) -> str | None:
    return job.carried("coin-cell")


def _warm_parts(job: _Job) -> str | None:
    return job.carried("led", "battery", "coin-cell")


def _antenna(job: _Job) -> str | None:
    return job.carried("antenna", "circuit")


def _powered(job: _Job) -> str | None:
    if job.settings.voltage:
        return f"voltage is {_voltage_text(job.settings)}"
    return job.carried("circuit", "battery", "coin-cell", "led")


def _voltage_because(settings: Settings) -> str:
    unstated = "" if settings.voltage_kind != "unknown" else ", AC or DC not stated, so the stricter limit holds"
    return f"voltage is {_voltage_text(settings)}{unstated}"


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
            "At this voltage a touch can hurt or kill. Art copper changes the spacing between conductors, and no "
            "distance that is kept here proves it safe: put no art on this part of the board until a qualified "
            "designer has set the spacing."
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
        because=_no_insulation,
    ),
    _Rule(
        id="coin-cell",
        text=(
            "A swallowed coin cell can kill a child within hours. Its holder must need a tool, or two movements at "
            "once, to open, and the piece must carry the warnings."
        ),
        source="US 16 CFR 1263 and UL 4200A",
        because=_coin_cell,
    ),
    _Rule(
        id="warm-parts",
        text=(
            "LEDs and resistors warm the board, and large copper spreads that warmth to where a hand is. Limit their "
            "current, and feel how warm the finished piece gets before it is worn or left alone."
        ),
        source="common practice, no source",
        because=_warm_parts,
    ),
    _Rule(
        id="antenna",
        text=(
            "Art copper near an antenna, a crystal, or a radio, fast or analogue track changes the circuit. Keep all "
            "layers clear round them: 5 to 10 mm are typical for a 2.4 GHz antenna drawn as a track."
        ),
        source="makers' layout guides for 2.4 GHz antennas (typical clear area)",
        because=_antenna,
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
