"""A reading: one measurement (or guess) of a finish's colour, with the conditions under which it holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from worker.errors import SettingsError

Origin = Literal["measured", "photo", "predicted", "assumed"]
Grade = Literal["spectral", "colorimetric", "photo", "predicted", "assumed"]

ORIGINS: tuple[Origin, ...] = ("measured", "photo", "predicted", "assumed")
GRADES: tuple[Grade, ...] = ("spectral", "colorimetric", "photo", "predicted", "assumed")
"""How far a reference can be trusted, the best first."""

ILLUMINANTS = ("A", "C", "D50", "D55", "D65", "D75", "E", "F2", "F7", "F11")
OBSERVERS = ("2", "10")

MIN_NM, MAX_NM = 300.0, 1100.0
NEEDED_NM = (400.0, 700.0)
"""What a spectrum must cover, and the most that a step between two of its values may be."""
MAX_STEP_NM = 10.0
MAX_FACTOR = 2.0
"""The highest reflectance factor that is taken as one: gloss may pass 1, a percentage stands far above it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewingConditions:
    """The light and the observer that colours are computed for. Raises SettingsError when built with unknown ones."""

    illuminant: str = "D65"
    observer: str = "2"

    def __post_init__(self) -> None:
        if self.illuminant not in ILLUMINANTS or self.observer not in OBSERVERS:
            raise _unknown_conditions(self.text())

    def text(self) -> str:
        """As it is written in settings, such as D65/2."""
        return f"{self.illuminant}/{self.observer}"


STANDARD_CONDITIONS = ViewingConditions()
"""D65 and the 2 degree observer: what sRGB artwork and every score live in."""


def read_viewing_conditions(text: str) -> ViewingConditions:
    """Viewing conditions from ILLUMINANT/OBSERVER, such as D65/2. Raises SettingsError."""
    illuminant, slash, observer = (part.strip() for part in text.upper().partition("/"))
    if not slash:
        raise _unknown_conditions(text)
    return ViewingConditions(illuminant=illuminant, observer=observer)


def _unknown_conditions(text: str) -> SettingsError:
    return SettingsError(
        f"Setting viewing_conditions is {text!r}.",
        mend="Write ILLUMINANT/OBSERVER, such as D65/2 or D50/10. "
        f"Illuminants: {', '.join(ILLUMINANTS)}; observers: {', '.join(OBSERVERS)} (degree).",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """Reflectance factors at even steps: `values[i]` holds at `start_nm + i * step_nm`. 1 is a perfect diffuser."""

    start_nm: float
    step_nm: float
    values: tuple[float, ...]

    @property
    def end_nm(self) -> float:
        """The last wavelength."""
        return self.start_nm + self.step_nm * (len(self.values) - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading: exactly one of `spectrum`, `xyz`, `lab`.

    `xyz` has Y of the white at 100; `lab` is CIELAB, L* 0 to 100; both under `illuminant` and `observer`. A spectrum
    needs neither. `uncertainty` is the 95th percentile of the CIEDE2000 by which the reading may be off, as whoever
    made it states it; None where nobody does.
    """

    geometry: str
    origin: Origin
    spectrum: Spectrum | None = None
    xyz: tuple[float, float, float] | None = None
    lab: tuple[float, float, float] | None = None
    illuminant: str = ""
    observer: str = ""
    uncertainty: float | None = None
    instrument: str = ""
    date: str = ""
    batch: str = ""
    coupon: str = ""
    source: str = ""

    @property
    def grade(self) -> Grade:
        """How far it can be trusted."""
        if self.origin == "measured":
            return "colorimetric" if self.spectrum is None else "spectral"
        return self.origin


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """A reference set by hand in place of what the readings give, until it is taken back.

    `lab` is CIELAB under `illuminant` and `observer`.
    """

    lab: tuple[float, float, float]
    illuminant: str
    observer: str
    by: str = ""
    date: str = ""
    note: str = ""
