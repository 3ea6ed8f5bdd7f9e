"""A fab profile: one orderable combination of a fab, as one TOML file. Read, validate, write.

The bytes of the file are the truth: its revision is the first 16 hex digits of their SHA-256, and an edit is a new
file. `FabProfile` is what the engine sees of it.
"""

from __future__ import annotations

import datetime
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NoReturn, cast

from worker.bounded_text import TextFault, is_finite, parse_toml, shown
from worker.errors import FabProfileError, SettingsError
from worker.finish import (
    COPPER_LAYERS,
    FAR_COPPER,
    TEXTURES,
    CopperLayer,
    FarCopper,
    Finish,
    LayerRecipe,
    Texture,
)
from worker.reading import (
    ILLUMINANTS,
    MAX_FACTOR,
    MAX_NM,
    MAX_STEP_NM,
    MIN_NM,
    NEEDED_NM,
    OBSERVERS,
    ORIGINS,
    Origin,
    Override,
    Reading,
    Spectrum,
)

MAX_BYTES = 1024 * 1024
MAX_LINES = 20_000
"""An edit that keeps comments and layout takes seconds for so much, and minutes for some times as many lines."""
MAX_FINISHES = 16
MAX_READINGS = 1000  # of one finish
ID_PATTERN = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?")

PLATINGS = (
    "ENIG",
    "ENEPIG",
    "hard gold",
    "HASL",
    "immersion tin",
    "immersion silver",
    "organic coating",
    "none",
)
"""Plating by the trade's own words (IPC-4552, 4556, 4553, 4554; HASL and organic coating: common practice)."""

LIMITS: dict[str, dict[str, str]] = {
    "copper": {
        "line_mm": "narrowest copper line",
        "gap_mm": "narrowest gap between copper parts",
        "metal_gap_mm": "narrowest gap between bare metal parts with no mask between them",
        "hatch_mm": "narrowest line and gap of a copper hatch",
        "ring_mm": "narrowest copper ring round a plated hole",
        "balance_percent": "largest difference of the shares of copper on the two sides",
    },
    "solder_mask": {
        "opening_mm": "narrowest opening in the mask",
        "web_mm": "narrowest mask left between two openings",
        "registration_mm": "largest shift of the mask against the copper, to each side",
    },
    "legend": {
        "line_mm": "narrowest legend line",
        "gap_mm": "narrowest gap between legend parts",
        "dot_mm": "smallest legend dot",
        "clearance_mm": "legend is clipped this far from every mask opening",
        "registration_mm": "largest shift of the legend against the copper, to each side",
        "text_height_mm": "smallest height of legend letters",
        "solid_area_mm2": "largest area of solid legend in one piece",
    },
    "edge": {
        "routed_mm": "copper's distance from a routed edge",
        "scored_mm": "every layer's distance from a scored edge",
        "mask_mm": "mask openings' distance from a routed edge",
        "legend_mm": "legend's distance from a routed edge",
    },
    "holes": {
        "plated_mm": "smallest plated hole, finished diameter",
        "bare_mm": "smallest unplated hole",
        "slot_mm": "narrowest slot",
        "wall_mm": "least board between two holes, and between a hole and the edge",
    },
    "routing": {
        "bit_mm": "diameter of the router's bit: half of it is the smallest inside radius",
    },
}
"""Every limit of a profile: section, key, meaning. Each is a number, or a table {value, date, source}.

The key's end says the unit: mm, mm2 or percent.
"""

_PAGES = "published fab pages, range"
_PRACTICE = "common practice, no source"
UNSTATED_LIMITS: dict[tuple[str, str], tuple[float | None, str]] = {
    ("copper", "ring_mm"): (0.25, _PAGES),
    ("copper", "balance_percent"): (25.0, _PRACTICE),
    ("legend", "text_height_mm"): (1.0, _PAGES),
    ("legend", "solid_area_mm2"): (None, "most published fab pages state none: ask"),
    ("edge", "mask_mm"): (0.3, _PRACTICE),
    ("edge", "legend_mm"): (0.25, _PAGES),
    ("holes", "plated_mm"): (0.3, _PAGES),
    ("holes", "bare_mm"): (0.5, _PAGES),
    ("holes", "slot_mm"): (1.0, _PAGES),
    ("holes", "wall_mm"): (1.0, _PRACTICE),
    ("routing", "bit_mm"): (2.0, _PAGES),
}
"""Limits that a profile may leave out: the cautious value that then counts, and where it comes from.

None: no limit unless the profile states one.
"""

STACK_UP: dict[str, str] = {
    "thickness_mm": "thickness of the board",
    "substrate": "the laminate, in words",
    "solder_mask": "colour and gloss of the solder mask, in words",
    "legend": "colour of the legend, in words",
    "copper_um": "copper thickness on the outer layers",
    "sides": "how many sides carry copper, mask and legend: 1 or 2",
}

KEYS = {
    "id": "the profile's own name: lower case letters, digits, hyphens",
    "fab": "the fab's name",
    "name": "what is ordered, in words",
    "note": "anything a reader should know, such as that the profile is invented",
    "plating": "the metal coating: " + ", ".join(PLATINGS),
    "lead_free": "true where the fab states that the plating holds no lead",
    "background": "the finish that transparent art gets",
    "back": "the finish of a side without artwork (the background where it is left out)",
    "stack_up": "table: " + ", ".join(STACK_UP),
    "limits": "tables: " + ", ".join(LIMITS),
    "finishes": "list of finishes",
}
FINISH_KEYS = {
    "id": "the finish's own name: lower case letters, digits, hyphens; names its mask file",
    "name": "the finish in words",
    "texture": ", ".join(TEXTURES),
    "recipe": "table: copper, mask_opening, legend, far_copper",
    "readings": "list of readings, which the reference colour is derived from",
    "geometry": "which readings count, where they are of several geometries",
    "override": "table: a reference colour set by hand in place of what the readings give",
}
RECIPE_KEYS = {
    "copper": ", ".join(COPPER_LAYERS),
    "mask_opening": "true where the solder mask is open",
    "legend": "true where legend is printed",
    "far_copper": ", ".join(FAR_COPPER) + " (copper on the far side)",
}
READING_KEYS = {
    "spectrum": "table: start_nm, step_nm, values (reflectance factors, 1 for a perfect diffuser)",
    "xyz": "XYZ: [X, Y, Z], Y of the white at 100",
    "lab": "CIELAB: [L*, a*, b*]",
    "illuminant": ", ".join(ILLUMINANTS) + " (not for a spectrum)",
    "observer": "2 or 10 (degree; not for a spectrum)",
    "geometry": "such as 45:0, d:8 SCI, d:8 SCE or photo",
    "origin": ", ".join(ORIGINS),
    "uncertainty": "95th percentile of the CIEDE2000 by which it may be off, where that is known",
    "instrument": "what it was read with",
    "date": "when it was read",
    "batch": "the fab's batch or order",
    "coupon": "the piece that was read",
    "source": "by whom, and anything else",
}
SPECTRUM_KEYS = {
    "start_nm": "the first wavelength",
    "step_nm": f"the step between two wavelengths, {MAX_STEP_NM:g} nm at most",
    "values": "list of reflectance factors",
}
OVERRIDE_KEYS = {
    "lab": "CIELAB: [L*, a*, b*]",
    "illuminant": ", ".join(ILLUMINANTS),
    "observer": "2 or 10 (degree)",
    "by": "who set it",
    "date": "when",
    "note": "why",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One ability of the fab, in the unit that its key ends with, and when and from where it is known.

    `stated` is false where the profile leaves it out, and a cautious value counts (`UNSTATED_LIMITS`).
    """

    value: float
    date: str
    source: str
    stated: bool = True

    @property
    def value_mm(self) -> float:
        """The value of a limit whose unit is mm."""
        return self.value


@dataclass(frozen=True, slots=True, kw_only=True)
class FabProfile:
    """One orderable combination of a fab.

    `limits` is keyed (section, key) as in `LIMITS`. What the profile leaves out is there as well, `stated` false;
    ("legend", "solid_area_mm2") alone is absent where the profile states none.
    """

    id: str
    fab: str
    name: str
    note: str
    plating: str
    lead_free: bool
    background: str
    back: str
    stack_up: Mapping[str, str | float | int]
    limits: Mapping[tuple[str, str], Limit]
    finishes: tuple[Finish, ...]
    revision: str
    toml: bytes = field(repr=False)

    def finish(self, finish_id: str) -> Finish:
        """The finish of this id. Raises KeyError."""
        for finish in self.finishes:
            if finish.id == finish_id:
                return finish
        raise KeyError(finish_id)


DISTANCES = ("registration_mm", "clearance_mm", "routed_mm", "scored_mm", "mask_mm", "legend_mm", "wall_mm")
"""Limits that are a distance or a shift, which may be 0, and not the size of a part."""

_LIMIT_RANGES = {"mm": (0.02, 5.0), "mm2": (0.1, 100_000.0), "percent": (1.0, 100.0)}


def limit_unit(key: str) -> str:
    """The unit of a limit: mm, mm2 or percent."""
    return key.rpartition("_")[2]


_FREE_TEXT = ("instrument", "date", "batch", "coupon", "source")
Triple = tuple[float, float, float]


class _Reader:
    """Reads one profile's parsed TOML; every complaint names file, key and mend."""

    def __init__(self, file_name: str) -> None:
        self.file_name = file_name

    def fail(self, key: str, what: str, mend: str) -> NoReturn:
        raise FabProfileError(f"{self.file_name}: {key}: {what}.", mend=mend)

    def table(self, value: object, key: str, known: Mapping[str, str]) -> dict[str, Any]:
        if not isinstance(value, dict):
            self.fail(key, f"is {shown(value)}, not a table", f"Write it as a table with: {', '.join(known)}.")
        table = cast(dict[str, Any], value)
        for name in table:
            if name not in known:
                self.fail(f"{key}.{name}" if key else name, "is not a known key", f"Known here: {', '.join(known)}.")
        return table

    def get(self, table: Mapping[str, Any], where: str, key: str, meaning: str, default: Any = None) -> Any:
        value = table.get(key, default)
        if value is None:
            self.fail(f"{where}{key}", "is missing", f"Add it: {meaning}.")
        return value

    def text(self, table: Mapping[str, Any], where: str, key: str, meaning: str, default: str | None = None) -> str:
        value = self.get(table, where, key, meaning, default)
        if isinstance(value, datetime.date):
            value = value.isoformat()
        if not isinstance(value, str):
            self.fail(f"{where}{key}", f"is {shown(value)}, not text", f"Put it in quotes: {meaning}.")
        if len(value) > 500 or any(ord(letter) < 32 for letter in value):
            self.fail(f"{where}{key}", "is longer than 500 letters or holds control letters", "Shorten it to one line.")
        return value

    def choice(
        self,
        table: Mapping[str, Any],
        where: str,
        key: str,
        choices: tuple[str, ...],
        default: str | None = None,
    ) -> str:
        value = self.text(table, where, key, "one of " + ", ".join(choices), default)
        if value not in choices:
            self.fail(f"{where}{key}", f"is {shown(value)}", f"Choose one of: {', '.join(choices)}.")
        return value

    def flag(self, table: Mapping[str, Any], where: str, key: str, meaning: str) -> bool:
        value = self.get(table, where, key, meaning)
        if not isinstance(value, bool):
            self.fail(f"{where}{key}", f"is {shown(value)}", "Write true or false, without quotes.")
        return value

    def number(self, value: object, key: str, low: float, high: float, unit: str) -> float:
        if not isinstance(value, int | float) or not is_finite(value):
            self.fail(key, f"is {shown(value)}, not a number", f"Write a number of {unit} from {low:g} to {high:g}.")
        if not low <= value <= high:
            self.fail(key, f"is {value:g} {unit}", f"Choose {low:g} to {high:g} {unit}.")
        return float(value)

    def identifier(self, table: Mapping[str, Any], where: str) -> str:
        value = self.text(table, where, "id", "lower case letters, digits and hyphens")
        if not ID_PATTERN.fullmatch(value):
            self.fail(
                f"{where}id", f"is {shown(value)}", "Use lower case letters, digits and inner hyphens, 64 at most."
            )
        return value

    def limits(self, value: object) -> dict[tuple[str, str], Limit]:
        sections = self.table(value, "limits", dict.fromkeys(LIMITS, "table"))
        limits: dict[tuple[str, str], Limit] = {}
        for section, known in LIMITS.items():
            may_lack = all((section, key) in UNSTATED_LIMITS for key in known)
            entries = self.get(sections, "limits.", section, "a table of limits", {} if may_lack else None)
            table = self.table(entries, f"limits.{section}", known)
            for key in known:
                limit = self.limit(table, section, key)
                if limit is not None:
                    limits[section, key] = limit
        return limits

    def limit(self, table: Mapping[str, Any], section: str, key: str) -> Limit | None:
        where, meaning, unit = f"limits.{section}.{key}", LIMITS[section][key], limit_unit(key)
        if key not in table and (section, key) in UNSTATED_LIMITS:
            value, source = UNSTATED_LIMITS[section, key]
            return None if value is None else Limit(value=value, date="", source=source, stated=False)
        entry = self.get(table, f"limits.{section}.", key, f"{meaning}, in {unit}")
        if not isinstance(entry, dict):
            entry = {"value": entry}
        entry = self.table(entry, where, {"value": meaning, "date": "when", "source": "from where"})
        low, high = _LIMIT_RANGES[unit]
        low = 0.0 if key in DISTANCES else low
        return Limit(
            value=self.number(self.get(entry, f"{where}.", "value", meaning), where, low, high, unit),
            date=self.text(entry, f"{where}.", "date", "when", ""),
            source=self.text(entry, f"{where}.", "source", "from where", ""),
        )

    def triple(self, value: object, key: str, names: str, ranges: tuple[tuple[float, float], ...]) -> Triple:
        if not isinstance(value, list) or len(value) != 3:
            self.fail(key, f"is {shown(value)}", f"Write three numbers: [{names}].")
        first, second, third = (
            self.number(value[i], f"{key}[{i}]", *ranges[i], name) for i, name in enumerate(names.split(", "))
        )
        return first, second, third

    def lab(self, value: object, key: str) -> Triple:
        return self.triple(value, key, "L*, a*, b*", ((0.0, 110.0), (-160.0, 160.0), (-160.0, 160.0)))

    def spectrum(self, value: object, where: str) -> Spectrum:
        table = self.table(value, where, SPECTRUM_KEYS)
        start = self.number(
            self.get(table, f"{where}.", "start_nm", SPECTRUM_KEYS["start_nm"]),
            f"{where}.start_nm",
            MIN_NM,
            NEEDED_NM[0],
            "nm",
        )
        step = self.number(
            self.get(table, f"{where}.", "step_nm", SPECTRUM_KEYS["step_nm"]),
            f"{where}.step_nm",
            0.5,
            MAX_STEP_NM,
            "nm",
        )
        values = self.get(table, f"{where}.", "values", SPECTRUM_KEYS["values"])
        most = int((MAX_NM - MIN_NM) / 0.5) + 1
        if not isinstance(values, list) or not 2 <= len(values) <= most:
            self.fail(f"{where}.values", "is no list of reflectance factors", f"List 2 to {most} numbers.")
        spectrum = Spectrum(
            start_nm=start,
            step_nm=step,
            values=tuple(
                self.number(entry, f"{where}.values[{i}]", 0.0, MAX_FACTOR, "(reflectance factor, 1 for a diffuser)")
                for i, entry in enumerate(values)
            ),
        )
        if spectrum.end_nm < NEEDED_NM[1] - 1e-6 or spectrum.end_nm > MAX_NM:
            self.fail(
                f"{where}.values",
                f"end at {spectrum.end_nm:g} nm",
                f"A spectrum must cover {NEEDED_NM[0]:g} to {NEEDED_NM[1]:g} nm and end by {MAX_NM:g} nm.",
            )
        return spectrum

    def reading(self, value: object, where: str) -> Reading:
        table = self.table(value, where, READING_KEYS)
        where += "."
        kinds = [kind for kind in ("spectrum", "xyz", "lab") if kind in table]
        if len(kinds) != 1:
            self.fail(
                where[:-1],
                "has none of spectrum, xyz and lab" if not kinds else f"has {' and '.join(kinds)}",
                "Give exactly one of spectrum, xyz and lab.",
            )
        spectral = kinds == ["spectrum"]
        missing = [key for key in ("illuminant", "observer", "geometry") if key not in table]
        if not spectral and missing:
            self.fail(
                where[:-1],
                f"has {kinds[0]} without {', '.join(missing)}",
                "A colour holds only under its illuminant, observer and geometry: add what is missing.",
            )
        for key in ("illuminant", "observer"):
            if spectral and key in table:
                self.fail(
                    f"{where}{key}", "stands beside a spectrum", "Leave it out: a spectrum holds under any light."
                )
        uncertainty = table.get("uncertainty")
        return Reading(
            spectrum=self.spectrum(table["spectrum"], f"{where}spectrum") if spectral else None,
            xyz=self.triple(table["xyz"], f"{where}xyz", "X, Y, Z", ((0.0, 250.0),) * 3) if kinds == ["xyz"] else None,
            lab=self.lab(table["lab"], f"{where}lab") if kinds == ["lab"] else None,
            illuminant="" if spectral else self.choice(table, where, "illuminant", ILLUMINANTS),
            observer="" if spectral else self.choice(table, where, "observer", OBSERVERS),
            geometry=self.text(table, where, "geometry", READING_KEYS["geometry"]),
            origin=cast(Origin, self.choice(table, where, "origin", ORIGINS)),
            uncertainty=None
            if uncertainty is None
            else self.number(uncertainty, f"{where}uncertainty", 0.0, 50.0, "CIEDE2000"),
            **{key: self.text(table, where, key, READING_KEYS[key], "") for key in _FREE_TEXT},
        )

    def override(self, value: object, where: str) -> Override:
        table = self.table(value, where, OVERRIDE_KEYS)
        where += "."
        return Override(
            lab=self.lab(self.get(table, where, "lab", "three numbers [L*, a*, b*]"), f"{where}lab"),
            illuminant=self.choice(table, where, "illuminant", ILLUMINANTS),
            observer=self.choice(table, where, "observer", OBSERVERS),
            by=self.text(table, where, "by", "who set it", ""),
            date=self.text(table, where, "date", "when", ""),
            note=self.text(table, where, "note", "why", ""),
        )

    def finish(self, value: object, where: str, limits: Mapping[tuple[str, str], Limit]) -> Finish:
        table = self.table(value, where, {**FINISH_KEYS, "references": "the earlier name of readings"})
        finish_id = self.identifier(table, where + ".")
        where += "."
        recipe = self.table(self.get(table, where, "recipe", "the layers"), f"{where}recipe", RECIPE_KEYS)
        layers = LayerRecipe(
            copper=cast(CopperLayer, self.choice(recipe, f"{where}recipe.", "copper", COPPER_LAYERS)),
            mask_opening=self.flag(recipe, f"{where}recipe.", "mask_opening", "true where the mask is open"),
            legend=self.flag(recipe, f"{where}recipe.", "legend", "true where legend is printed"),
            far_copper=cast(FarCopper, self.choice(recipe, f"{where}recipe.", "far_copper", FAR_COPPER, "unknown")),
        )
        if layers.legend and layers.mask_opening:
            self.fail(
                f"{where}recipe",
                "prints legend in a mask opening, where fabs clip it off",
                "Set mask_opening = false, or legend = false.",
            )
        if layers.mask_opening and layers.copper == "either":
            self.fail(
                f"{where}recipe.copper",
                "is 'either' under a mask opening, where copper decides what is seen",
                "Choose solid, hatch or none.",
            )
        if "references" in table and "readings" in table:
            self.fail(f"{where}references", "is the earlier name of readings, which is there too", "Keep readings.")
        entries = self.get(table, where, "references" if "references" in table else "readings", "at least one reading")
        if not isinstance(entries, list) or not 1 <= len(entries) <= MAX_READINGS:
            self.fail(
                f"{where}readings",
                "is no list of readings, is empty or too long",
                f"List 1 to {MAX_READINGS} readings: lab, illuminant, observer, geometry, origin.",
            )
        override = table.get("override")
        return Finish(
            id=finish_id,
            name=self.text(table, where, "name", "the finish in words"),
            recipe=layers,
            texture=cast(Texture, self.choice(table, where, "texture", TEXTURES)),
            readings=tuple(self.reading(entry, f"{where}readings[{i}]") for i, entry in enumerate(entries)),
            geometry=self.text(table, where, "geometry", FINISH_KEYS["geometry"], ""),
            override=None if override is None else self.override(override, f"{where}override"),
            smallest_feature_mm=smallest_feature_mm(layers, limits),
        )


def smallest_feature_mm(recipe: LayerRecipe, limits: Mapping[tuple[str, str], Limit]) -> float:
    """The narrowest part of a finish that every one of its layers can make, in mm.

    A part of a finish is a part of each layer that it draws and a gap in each layer that it leaves out, so the
    widest of these limits decides. (Common practice, no source.)
    """
    wanted: list[tuple[str, str]] = []
    if recipe.legend:
        wanted += [("legend", "line_mm"), ("legend", "dot_mm")]
    else:
        wanted.append(("legend", "gap_mm"))
        if recipe.copper == "hatch":
            wanted.append(("copper", "hatch_mm"))
        elif recipe.copper == "solid":
            wanted.append(("copper", "line_mm"))
        elif recipe.copper == "none":
            wanted.append(("copper", "gap_mm"))
        wanted.append(("solder_mask", "opening_mm" if recipe.mask_opening else "web_mm"))
    return max(limits[key].value_mm for key in wanted)


def read_reading(value: object, *, place: str) -> Reading:
    """Read one reading, as a table of a profile holds it. `place` : how errors name it. Raises FabProfileError."""
    return _Reader(place).reading(value, "reading")


def read_override(value: object, *, place: str) -> Override:
    """Read a reference set by hand, as a table of a profile holds it. `place` : how errors name it."""
    return _Reader(place).override(value, "override")


def read_fab_profile(toml: bytes, *, file_name: str = "fab profile") -> FabProfile:
    """Read and validate one profile.

    Parameters
    ----------
    toml : bytes
        The file, UTF-8 TOML, at most `MAX_BYTES` and `MAX_LINES`.
    file_name : str
        How errors name the file.

    Raises
    ------
    FabProfileError
        Names the file, the key and the mend.
    """
    reader = _Reader(file_name)
    if len(toml) > MAX_BYTES:
        reader.fail("file", f"has {len(toml)} bytes", f"Keep a profile under {MAX_BYTES} bytes.")
    lines = toml.count(b"\n") + 1
    if lines > MAX_LINES:
        reader.fail("file", f"has {lines} lines", f"Keep a profile under {MAX_LINES} lines.")
    try:
        parsed = parse_toml(toml.decode("utf-8"))
    except UnicodeDecodeError as error:
        reader.fail(f"byte {error.start}", "is not UTF-8", "Save the file as UTF-8 text.")
    except TextFault as fault:
        reader.fail("TOML", fault.what, fault.mend)
    if "family" in parsed:
        reader.fail(
            "family",
            "stands in it: it is a family of profiles, not one of them",
            "Plan with it, or make its profiles first: maskwright fab family FILE --out DIR.",
        )
    table = reader.table(parsed, "", KEYS)
    limits = reader.limits(reader.get(table, "", "limits", "tables " + ", ".join(LIMITS)))
    entries = reader.get(table, "", "finishes", "a list of finishes, [[finishes]]")
    if not isinstance(entries, list) or not 2 <= len(entries) <= MAX_FINISHES:
        reader.fail("finishes", "has too few or too many entries", f"List 2 to {MAX_FINISHES} finishes.")
    finishes = tuple(reader.finish(entry, f"finishes[{i}]", limits) for i, entry in enumerate(entries))
    ids = [finish.id for finish in finishes]
    for finish_id in ids:
        if ids.count(finish_id) > 1:
            reader.fail("finishes", f"has two entries with id {finish_id!r}", "Give each finish an id of its own.")
    background = reader.text(table, "", "background", "the finish that transparent art gets")
    if background not in ids:
        reader.fail("background", f"is {background!r}, not one of the finishes", f"Choose one of: {', '.join(ids)}.")
    back = reader.text(table, "", "back", KEYS["back"], background)
    if back not in ids:
        reader.fail("back", f"is {back!r}, not one of the finishes", f"Choose one of: {', '.join(ids)}.")
    return FabProfile(
        id=reader.identifier(table, ""),
        fab=reader.text(table, "", "fab", "the fab's name"),
        name=reader.text(table, "", "name", "what is ordered, in words"),
        note=reader.text(table, "", "note", "anything a reader should know", ""),
        plating=reader.choice(table, "", "plating", PLATINGS),
        lead_free=reader.flag(table, "", "lead_free", "true where the fab states it"),
        background=background,
        back=back,
        stack_up=_stack_up(reader, reader.get(table, "", "stack_up", "table: " + ", ".join(STACK_UP))),
        limits=limits,
        finishes=finishes,
        revision=revision_of(toml),
        toml=toml,
    )


def check_two_sided(fab: FabProfile) -> None:
    """Raise SettingsError where the fab's boards have one side only, which can't take an artwork on each."""
    if fab.stack_up["sides"] != 2:
        raise SettingsError(
            f"There is an artwork for the bottom, and fab {fab.id} makes boards with copper, mask and legend on one "
            "side (stack_up.sides = 1).",
            mend="Leave the bottom's artwork out, or choose a fab with two sides.",
        )


def revision_of(toml: bytes) -> str:
    """The revision of a profile's bytes."""
    return hashlib.sha256(toml).hexdigest()[:16]


def _stack_up(reader: _Reader, value: object) -> dict[str, str | float | int]:
    table = reader.table(value, "stack_up", STACK_UP)
    where = "stack_up."
    sides = reader.get(table, where, "sides", STACK_UP["sides"])
    if isinstance(sides, bool) or not isinstance(sides, int) or sides not in (1, 2):
        reader.fail("stack_up.sides", f"is {shown(sides)}", "Write 1 or 2.")
    return {
        "thickness_mm": reader.number(
            reader.get(table, where, "thickness_mm", STACK_UP["thickness_mm"]), "stack_up.thickness_mm", 0.1, 10.0, "mm"
        ),
        "substrate": reader.text(table, where, "substrate", STACK_UP["substrate"]),
        "solder_mask": reader.text(table, where, "solder_mask", STACK_UP["solder_mask"]),
        "legend": reader.text(table, where, "legend", STACK_UP["legend"]),
        "copper_um": reader.number(
            reader.get(table, where, "copper_um", STACK_UP["copper_um"]), "stack_up.copper_um", 5.0, 400.0, "um"
        ),
        "sides": int(sides),
    }
