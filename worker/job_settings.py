"""What a job asks for. One name per setting, on the command line, over HTTP and in the report."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NoReturn

from worker.errors import OverrideError, SettingsError
from worker.reading import STANDARD_CONDITIONS, ViewingConditions, read_viewing_conditions

if TYPE_CHECKING:
    from worker.fab_profile import FabProfile

Edges = Literal["threshold", "dither", "auto"]
Assignment = Literal["faithful", "contrast"]
BoardKind = Literal["rectangle", "disc", "silhouette", "path"]
Islands = Literal["leave", "tie", "join"]
Use = Literal["wall", "handheld", "worn", "child"]

MM_PER_INCH = 25.4
"""Exact, by the international yard and pound agreement of 1959."""

SETTINGS: dict[str, tuple[str, str, str]] = {
    "width": ("60mm", "", "width of the board in mm or in; the height follows where only one is given"),
    "height": ("60mm", "", "height of the board in mm or in"),
    "pitch": ("20um", "20um", "size of one pixel of the masks, 5um to 100um"),
    "clusters": ("8", "auto", "how many colours the artwork is reduced to: 1 to 256, auto or none"),
    "palette": (
        "shared",
        "each",
        "each artwork's own colours, or shared: those of all artworks that are asked for together",
    ),
    "pin": ("#C82828~12=legend", "", "#RRGGBB[~deltaE]=finish: this colour, and any within deltaE, in that finish"),
    "forbid": ("gold", "", "a finish that may not be used"),
    "max_finishes": ("3", "", "how many finishes may be used at most"),
    "background": ("mask", "", "the finish of transparent places (default: the fab's)"),
    "assignment": ("contrast:0.5", "faithful", "faithful, or contrast[:amount], which stretches the lightness, 0 to 1"),
    "edges": ("dither", "auto", "threshold, dither or auto"),
    "quality": (
        "best",
        "fast",
        "fast, or best, slower: dots move until the eye gains no more, and layers take the better of two designs",
    ),
    "clean_up": ("off", "on", "on, or off: leave rims and specks as they are (threshold only)"),
    "viewing_distance": ("300mm", "300mm", "from where the board is looked at, for the score"),
    "viewing_conditions": ("D50/2", "D65/2", "the light and the observer that the finishes' colours are computed for"),
    "board": (
        "rectangle:2mm",
        "rectangle",
        "rectangle[:corner radius], disc, silhouette[:offset] or path:#ID (of a closed path in an SVG artwork)",
    ),
    "round_corners": ("on", "off", "on, or off: round inside corners that the router's bit can't reach"),
    "fabrication": ("on", "off", "on, or off: also make layers within the fab's limits and write their files"),
    "islands": ("tie", "leave", "floating copper: leave, tie (by narrow bridges) or join (fill narrow gaps)"),
    "hatch": ("on", "off", "on, or off: hatch large copper that isn't seen (hatched finishes are hatched anyway)"),
    "use": ("worn", "wall", "wall, handheld, worn or child: which cautions apply"),
    "voltage": ("12Vdc", "", "the highest voltage on the board, as 12V, 48Vdc or 230Vac"),
    "includes": (
        "led",
        "",
        "what the piece carries, or how it is worked: circuit, battery, coin-cell, led, antenna, tabs or hand-cut",
    ),
    "bare_metal": (
        "keep",
        "auto",
        "auto leaves bare metal out where the voltage is hazardous; keep makes it, and a qualified designer answers",
    ),
}
"""Every setting: an example, its default as text ("" where there is none), its meaning."""

FOR_PLANS = ("width", "height", "viewing_distance", "viewing_conditions", "edges", "pitch")
"""The settings that count for a plan."""

REPEATABLE = ("pin", "forbid", "includes")

INCLUDES = ("circuit", "battery", "coin-cell", "led", "antenna", "tabs", "hand-cut")
"""What `includes` knows: each calls for cautions of its own."""

_LENGTH = re.compile(r"\s*((?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)\s*(mm|cm|um|µm|in|inch|\")\s*")
_PIN = re.compile(r"#([0-9A-Fa-f]{6})(?:~([0-9]+(?:\.[0-9]+)?|\.[0-9]+))?=(.+)")
_VOLTAGE = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?|\.[0-9]+)\s*[vV]\s*(ac|dc|AC|DC)?\s*")
_MM_PER = {"mm": 1.0, "cm": 10.0, "um": 1e-3, "µm": 1e-3, "in": MM_PER_INCH, "inch": MM_PER_INCH, '"': MM_PER_INCH}

DEFAULT_PIN_DELTA_E = 5.0
MIN_SIDE_MM, MAX_SIDE_MM = 0.1, 1200.0
MAX_BOARD_LENGTH_MM = 100.0
MIN_PITCH_UM, MAX_PITCH_UM = 5.0, 100.0
DRAFT_PITCH_UM = 10_000.0
"""A draft's grid may be so coarse, though nobody can ask for it."""
MAX_VOLTAGE = 100_000.0


def _fail(name: str, value: object, mend: str) -> NoReturn:
    raise SettingsError(f"Setting {name} is {value!r}.", mend=mend, setting=name)


def _fail_pitch(pitch_um: float) -> NoReturn:
    _fail("pitch", f"{pitch_um:g}um", f"Choose {MIN_PITCH_UM:g}um to {MAX_PITCH_UM:g}um.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """A colour of the art that must stand in a finish.

    `srgb` is encoded sRGB, 0 to 255. Every colour whose CIEDE2000 from it is at most `delta_e` goes along.
    """

    srgb: tuple[int, int, int]
    delta_e: float
    finish: str

    def text(self) -> str:
        """The pin as it is written in settings."""
        red, green, blue = self.srgb
        return f"#{red:02X}{green:02X}{blue:02X}~{self.delta_e:g}={self.finish}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardChoice:
    """The board's outline: `length_mm` is a rectangle's corner radius or a silhouette's offset, `path` an SVG id."""

    kind: BoardKind = "rectangle"
    length_mm: float = 0.0
    path: str = ""

    def text(self) -> str:
        """The choice as it is written in settings."""
        if self.kind == "path":
            return f"path:#{self.path}"
        return f"{self.kind}:{self.length_mm:.10g}mm" if self.length_mm else self.kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All settings of one job. Lengths in mm unless the name says otherwise. Raises SettingsError when built."""

    width_mm: float | None = None
    height_mm: float | None = None
    pitch_um: float = 20.0
    clusters: int | Literal["auto", "none"] = "auto"
    palette: Literal["each", "shared"] = "each"
    pins: tuple[Pin, ...] = ()
    forbid: tuple[str, ...] = ()
    max_finishes: int | None = None
    background: str | None = None
    assignment: Assignment = "faithful"
    contrast: float = 0.5
    edges: Edges = "auto"
    quality: Literal["fast", "best"] = "fast"
    clean_up: bool = True
    viewing_distance_mm: float = 300.0
    viewing_conditions: ViewingConditions = STANDARD_CONDITIONS
    board: BoardChoice = BoardChoice()
    round_corners: bool = False
    fabrication: bool = False
    islands: Islands = "leave"
    hatch: bool = False
    use: Use = "wall"
    voltage: float | None = None
    voltage_kind: Literal["ac", "dc", "unknown"] = "unknown"
    includes: tuple[str, ...] = ()
    bare_metal: Literal["auto", "keep"] = "auto"

    def __post_init__(self) -> None:
        for name, side in (("width", self.width_mm), ("height", self.height_mm)):
            if side is not None and not (math.isfinite(side) and MIN_SIDE_MM <= side <= MAX_SIDE_MM):
                _fail(name, f"{side:g}mm", f"Choose {MIN_SIDE_MM:g}mm to {MAX_SIDE_MM:g}mm.")
        if not (math.isfinite(self.pitch_um) and MIN_PITCH_UM <= self.pitch_um <= DRAFT_PITCH_UM):
            _fail_pitch(self.pitch_um)
        if not isinstance(self.clusters, str) and not 1 <= self.clusters <= 256:
            _fail("clusters", self.clusters, "Choose 1 to 256, auto or none.")
        if self.max_finishes is not None and not 1 <= self.max_finishes <= 64:
            _fail("max_finishes", self.max_finishes, "Choose 1 or more.")
        if not (math.isfinite(self.contrast) and 0.0 <= self.contrast <= 1.0):
            _fail("assignment", f"contrast:{self.contrast:g}", "Choose an amount from 0 to 1.")
        if not (math.isfinite(self.viewing_distance_mm) and 50.0 <= self.viewing_distance_mm <= 20000.0):
            _fail("viewing_distance", f"{self.viewing_distance_mm:g}mm", "Choose 50mm to 20000mm.")
        if self.voltage is not None and not (math.isfinite(self.voltage) and 0.0 <= self.voltage <= MAX_VOLTAGE):
            _fail("voltage", f"{self.voltage:g}V", f"Choose 0V to {MAX_VOLTAGE:g}V.")
        for pin in self.pins:
            if not (math.isfinite(pin.delta_e) and 0.0 <= pin.delta_e <= 100.0):
                _fail("pin", pin.text(), "Choose a deltaE from 0 to 100.")
            if pin.finish in self.forbid:
                _fail("pin", pin.text(), f"{pin.finish} is forbidden as well: drop the pin or the forbid.")
        for part in self.includes:
            if part not in INCLUDES:
                _fail("includes", part, f"Choose one of: {', '.join(INCLUDES)}.")
        if self.background is not None and self.background in self.forbid:
            _fail("background", self.background, "It is forbidden as well: drop one of the two.")

    def as_text(self) -> dict[str, str | list[str] | None]:
        """The settings as they are written: each value can be given back as it stands."""
        return {
            "width": None if self.width_mm is None else f"{self.width_mm:.10g}mm",
            "height": None if self.height_mm is None else f"{self.height_mm:.10g}mm",
            "pitch": f"{self.pitch_um:.10g}um",
            "clusters": str(self.clusters),
            "palette": self.palette,
            "pin": [pin.text() for pin in self.pins],
            "forbid": list(self.forbid),
            "max_finishes": None if self.max_finishes is None else str(self.max_finishes),
            "background": self.background,
            "assignment": "faithful" if self.assignment == "faithful" else f"contrast:{self.contrast:.10g}",
            "edges": self.edges,
            "quality": self.quality,
            "clean_up": "on" if self.clean_up else "off",
            "viewing_distance": f"{self.viewing_distance_mm:.10g}mm",
            "viewing_conditions": self.viewing_conditions.text(),
            "board": self.board.text(),
            "round_corners": "on" if self.round_corners else "off",
            "fabrication": "on" if self.fabrication else "off",
            "islands": self.islands,
            "hatch": "on" if self.hatch else "off",
            "use": self.use,
            "voltage": None
            if self.voltage is None
            else f"{self.voltage:.10g}V{'' if self.voltage_kind == 'unknown' else self.voltage_kind}",
            "includes": list(self.includes),
            "bare_metal": self.bare_metal,
        }


def length_mm(name: str, text: str) -> float:
    """A length with its unit (mm, cm, um, in) in mm. Raises SettingsError."""
    match = _LENGTH.fullmatch(text)
    if match is None:
        _fail(name, text, f"Write a number with its unit, such as {SETTINGS[name][0]} or 2.5in.")
    return float(match[1]) * _MM_PER[match[2]]


def read_settings(given: Mapping[str, str | Sequence[str] | None]) -> Settings:
    """Settings from their written form, as the command line and HTTP give them.

    Absent, None and empty values mean the default. Raises SettingsError, naming the setting, the value and the mend.
    """
    for name in given:
        if name not in SETTINGS:
            raise SettingsError(f"There is no setting {name!r}.", mend=f"Known settings: {', '.join(SETTINGS)}.")

    def listed(name: str) -> list[str]:
        value = given.get(name)
        if value is None:
            return []
        return [entry for entry in ([value] if isinstance(value, str) else value) if entry.strip()]

    def one(name: str) -> str | None:
        values = listed(name)
        if len(values) > 1:
            _fail(name, values, "Give it once.")
        return values[0].strip() if values else None

    def side(name: str) -> float | None:
        text = one(name)
        return None if text is None else length_mm(name, text)

    def choice(name: str, choices: tuple[str, ...]) -> str:
        text = one(name) or SETTINGS[name][1]
        if text not in choices:
            _fail(name, text, f"Choose one of: {', '.join(choices)}.")
        return text

    def whole(name: str) -> int | None:
        text = one(name)
        if text is None:
            return None
        if not re.fullmatch(r"[0-9]{1,6}", text):
            _fail(name, text, f"Write a whole number, such as {SETTINGS[name][0]}.")
        return int(text)

    pitch = one("pitch")
    pitch_um = 20.0 if pitch is None else length_mm("pitch", pitch) * 1000.0
    if pitch_um > MAX_PITCH_UM:
        _fail_pitch(pitch_um)
    distance = one("viewing_distance")
    conditions = one("viewing_conditions")
    clusters = one("clusters") or "auto"
    assignment = one("assignment") or "faithful"
    kind, colon, amount = assignment.partition(":")
    if kind not in ("faithful", "contrast") or (colon and (kind == "faithful" or not _is_number(amount))):
        _fail("assignment", assignment, "Choose faithful, contrast or contrast:AMOUNT with an amount from 0 to 1.")
    voltage = one("voltage")
    volts = None if voltage is None else _VOLTAGE.fullmatch(voltage)
    if voltage is not None and volts is None:
        _fail("voltage", voltage, "Write volts, such as 12V, 48Vdc or 230Vac.")
    return Settings(
        width_mm=side("width"),
        height_mm=side("height"),
        pitch_um=pitch_um,
        clusters=clusters if clusters in ("auto", "none") else (whole("clusters") or 0),  # type: ignore[arg-type]
        palette=choice("palette", ("each", "shared")),  # type: ignore[arg-type]
        pins=tuple(read_pin(text) for text in listed("pin")),
        forbid=tuple(text.strip() for text in listed("forbid")),
        max_finishes=whole("max_finishes"),
        background=one("background"),
        assignment=kind,  # type: ignore[arg-type]
        contrast=float(amount) if amount else 0.5,
        edges=choice("edges", ("threshold", "dither", "auto")),  # type: ignore[arg-type]
        quality=choice("quality", ("fast", "best")),  # type: ignore[arg-type]
        clean_up=choice("clean_up", ("on", "off")) == "on",
        viewing_distance_mm=300.0 if distance is None else length_mm("viewing_distance", distance),
        viewing_conditions=STANDARD_CONDITIONS if conditions is None else read_viewing_conditions(conditions),
        board=read_board_choice(one("board") or "rectangle"),
        round_corners=choice("round_corners", ("on", "off")) == "on",
        fabrication=choice("fabrication", ("on", "off")) == "on",
        islands=choice("islands", ("leave", "tie", "join")),  # type: ignore[arg-type]
        hatch=choice("hatch", ("on", "off")) == "on",
        use=choice("use", ("wall", "handheld", "worn", "child")),  # type: ignore[arg-type]
        voltage=None if volts is None else float(volts[1]),
        voltage_kind="unknown" if volts is None or volts[2] is None else volts[2].lower(),  # type: ignore[arg-type]
        includes=tuple(dict.fromkeys(text.strip() for text in listed("includes"))),
        bare_metal=choice("bare_metal", ("auto", "keep")),  # type: ignore[arg-type]
    )


def check_against_fab(settings: Settings, fab: FabProfile) -> None:
    """Raise OverrideError where the settings name a finish that the fab does not have, or leave none of them."""
    ids = [finish.id for finish in fab.finishes]
    named = [("pin", pin.finish) for pin in settings.pins] + [("forbid", finish) for finish in settings.forbid]
    if settings.background is not None:
        named.append(("background", settings.background))
    for setting, finish in named:
        if finish not in ids:
            raise OverrideError(
                f"Setting {setting} names finish {finish!r}, which fab {fab.id} does not have.",
                mend=f"Its finishes: {', '.join(ids)}.",
                setting=setting,
            )
    if not set(ids) - set(settings.forbid):
        raise OverrideError(f"Every finish of fab {fab.id} is forbidden.", mend="Leave at least one.", setting="forbid")


def read_board_choice(text: str) -> BoardChoice:
    """The board's outline from rectangle[:radius], disc, silhouette[:offset] or path:#ID. Raises SettingsError."""
    kind, colon, rest = (part.strip() for part in text.partition(":"))
    if kind == "path" and rest.startswith("#") and rest[1:]:
        return BoardChoice(kind="path", path=rest[1:])
    if (kind == "disc" and not colon) or (kind in ("rectangle", "silhouette") and bool(colon) == bool(rest)):
        length = length_mm("board", rest) if rest else 0.0
        if length > MAX_BOARD_LENGTH_MM:
            _fail("board", text, f"Choose at most {MAX_BOARD_LENGTH_MM:g}mm.")
        return BoardChoice(kind=kind, length_mm=length)  # type: ignore[arg-type]
    _fail("board", text, "Choose rectangle, rectangle:2mm, disc, silhouette, silhouette:1.5mm or path:#ID.")


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def read_pin(text: str) -> Pin:
    """A pin from #RRGGBB[~deltaE]=finish. Raises SettingsError."""
    match = _PIN.fullmatch(text.strip())
    if match is None:
        _fail("pin", text, "Write #RRGGBB=finish or #RRGGBB~deltaE=finish, such as #C82828~12=legend.")
    red, green, blue = (int(match[1][i : i + 2], 16) for i in (0, 2, 4))
    return Pin(
        srgb=(red, green, blue),
        delta_e=float(match[2]) if match[2] else DEFAULT_PIN_DELTA_E,
        finish=match[3].strip(),
    )
