"""What goes in and out of the files of readings: a reading with its sample's name, and what a file may leave unsaid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NoReturn

from worker.errors import ReadingFileError
from worker.reading import Reading

MAX_BYTES = 8 * 1024 * 1024
MAX_SAMPLES = 10_000  # of one file
MAX_LINES = 100_000
MAX_LINE = 400_000  # letters
MAX_TEXT = 500
"""As long as a text of a fab profile may be."""

Scale = Literal["", "fraction", "percent"]
"""What a perfect white reads as, 1 or 100; empty: the file does not say."""

CONDITIONS: dict[str, str] = {
    "geometry": "such as 45:0, d:8 SCI, d:8 SCE or photo",
    "origin": "measured, photo, predicted or assumed",
    "illuminant": "such as D50 (a spectrum needs none)",
    "observer": "2 or 10 degree (a spectrum needs none)",
    "instrument": "what the readings were made with",
    "date": "when they were made",
    "batch": "the fab's batch or order",
    "coupon": "the piece that was read",
    "source": "by whom, and anything else",
    "uncertainty": "95th percentile of the CIEDE2000 by which they may be off",
}
"""The conditions of a reading: columns of a CSV file, and options for what a file leaves unsaid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedReading:
    """A reading, the name of its finish or sample, and where in its file it stands, such as `row 12`."""

    finish: str
    reading: Reading
    place: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingDefaults:
    """What holds where a file does not say: the conditions as text, the scale, and the sign of its decimals.

    Where a file does say, and says otherwise, that is an error.
    """

    geometry: str = ""
    origin: str = ""
    illuminant: str = ""
    observer: str = ""
    instrument: str = ""
    date: str = ""
    batch: str = ""
    coupon: str = ""
    source: str = ""
    uncertainty: str = ""
    scale: Scale = ""
    decimal_comma: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FileName:
    """The file's name, for the errors about it."""

    name: str

    def fail(self, place: str, what: str, mend: str) -> NoReturn:
        """Raise the error that names file, place and mend."""
        where = f"{self.name}: {place}" if place else self.name
        short = what if len(what) <= MAX_TEXT else f"{what[:MAX_TEXT]}..."  # it may quote a hostile file
        raise ReadingFileError(f"{where[: 2 * MAX_TEXT]}: {short}.", mend=mend)
