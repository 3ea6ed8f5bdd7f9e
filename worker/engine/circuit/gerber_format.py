"""How a Gerber file writes its coordinates."""

from __future__ import annotations

import re
from dataclasses import dataclass

from worker.errors import CircuitError

NM_PER_INCH = 25_400_000

_FORMAT = re.compile(rb"%\s*FS\s*([LTD]?)([AI]?)[^X%*]*X(\d)(\d)\s*Y(\d)(\d)[^%*]*\*")
_UNIT = re.compile(rb"%\s*(?:FS[^%*]*\*\s*)?MO(MM|IN)\*|G7([01])\s*\*")
_RELATIVE = re.compile(rb"(?<![^\s*%])G91\s*\*")


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFormat:
    """How a Gerber file writes coordinates: `digits` before and behind the point, and what its unit is in nm."""

    name: str
    unit_nm: int
    digits: tuple[int, int]
    pads_behind: bool

    @property
    def step_nm(self) -> float:
        """The smallest difference that it can write."""
        return float(self.unit_nm / 10 ** self.digits[1])


def file_format(data: bytes, *, name: str) -> FileFormat:
    """The format of a Gerber file. CircuitError where it has none that can be written on in."""
    found, unit = _FORMAT.search(data), _UNIT.search(data)
    if found is None or unit is None:
        raise CircuitError(
            f"{name} does not say in which {'format' if found is None else 'unit'} its coordinates are.",
            mend="Write it anew, with %FS and %MO.",
        )
    zeros, notation, *digits = (group.decode("ascii") for group in found.groups())
    relative = notation == "I" or _RELATIVE.search(data)
    if relative or digits[:2] != digits[2:]:
        raise CircuitError(
            f"{name} has {'relative coordinates' if relative else 'different formats for x and y'} "
            f"({found[0].decode('ascii', 'replace')}).",
            mend="The Gerber standard has dropped that: write the file anew, as %FSLAX46Y46*%.",
        )
    inch = b"IN" in (unit[1] or b"") or unit[2] == b"0"
    return FileFormat(
        name=name,
        unit_nm=NM_PER_INCH if inch else 1_000_000,
        digits=(int(digits[0]), int(digits[1])),
        pads_behind=zeros == "T",
    )
