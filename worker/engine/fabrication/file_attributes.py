"""What the files of one package say about themselves, in the words of the Gerber specification's file attributes."""

from __future__ import annotations

import datetime
import hashlib
import uuid
from dataclasses import dataclass
from typing import Literal

from worker.errors import SettingsError

Polarity = Literal["Positive", "Negative"]
Part = Literal["Single", "Array", "FabricationPanel", "Coupon"]
_RESERVED = {"\\": "\\u005C", "%": "\\u0025", "*": "\\u002A", ",": "\\u002C", "\n": " ", "\r": " "}


@dataclass(frozen=True, slots=True, kw_only=True)
class Project:
    """What the files of one package have in common.

    name : the piece's name. guid, revision : which piece it is; the same for all of its files. version : Maskwright's
    own. created : when, with a time zone; None leaves the date out, so that the same input gives the same bytes. part :
    what the files describe.
    """

    name: str
    guid: str
    revision: str
    version: str
    created: datetime.datetime | None = None
    part: Part = "Single"

    def __post_init__(self) -> None:
        if self.created is not None and self.created.tzinfo is None:
            raise SettingsError(
                f"The date of the files, {self.created.isoformat()}, has no time zone.",
                mend="Gerber files carry a date with its time zone: give one, such as +00:00.",
            )

    @property
    def created_text(self) -> str | None:
        """The date as ISO 8601, to the second."""
        return self.created.isoformat(timespec="seconds") if self.created else None


def project_guid(*contents: bytes) -> str:
    """A GUID (RFC 9562, version 8) made from contents: the same for the same artwork, profile and settings."""
    digest = hashlib.sha256()
    for content in contents:
        digest.update(hashlib.sha256(content).digest())
    number = bytearray(digest.digest()[:16])
    number[6] = 0x80 | number[6] & 0x0F
    number[8] = 0x80 | number[8] & 0x3F
    return str(uuid.UUID(bytes=bytes(number)))


def field_text(text: str) -> str:
    """Text as a field of an attribute may hold it: signs with a meaning in Gerber, and all beyond ASCII, as \\uXXXX."""
    out = "".join(_RESERVED.get(sign, sign) for sign in text)
    return "".join(sign if " " <= sign <= "~" else _escaped(sign) for sign in out)


def _escaped(sign: str) -> str:
    units = sign.encode("utf-16-be")
    return "".join(f"\\u{units[i]:02X}{units[i + 1]:02X}" for i in range(0, len(units), 2))


def file_attributes(project: Project, function: str, polarity: Polarity | None) -> list[tuple[str, ...]]:
    """Name and fields of each file attribute, escaped: .GenerationSoftware, .CreationDate, and so on."""
    rows: list[tuple[str, ...]] = [("GenerationSoftware", "Maskwright", "Maskwright", field_text(project.version))]
    if project.created_text:
        rows.append(("CreationDate", project.created_text))
    rows += [
        ("ProjectId", field_text(project.name), project.guid, field_text(project.revision)),
        ("Part", project.part),
        ("FileFunction", *function.split(",")),
    ]
    if polarity:
        rows.append(("FilePolarity", polarity))
    rows.append(("SameCoordinates", project.guid))
    return rows
