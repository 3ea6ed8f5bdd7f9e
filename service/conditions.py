"""Conditional and partial requests: entity tags and byte ranges (RFC 9110, sections 8.8.3, 13.1 and 14)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated

from fastapi import Header

from service.errors import ProtocolError

_TAG = re.compile(r'(W/)?"([^"]*)"')
_RANGE = re.compile(r"bytes\s*=\s*(\d{0,18})\s*-\s*(\d{0,18})\s*", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a request says of the part that it wants, or has already."""

    range: Annotated[str | None, Header(examples=["bytes=0-1023"])] = None
    if_range: Annotated[str | None, Header()] = None
    if_none_match: Annotated[str | None, Header()] = None


def tags(header: str | None) -> list[str]:
    """The opaque parts of the entity tags that a header lists; ["*"] for any."""
    if header is None:
        return []
    if header.strip() == "*":
        return ["*"]
    return [match[2] for match in _TAG.finditer(header)]


def strong_tags(header: str | None) -> list[str]:
    """As `tags`, without weak ones: If-Match and If-Range compare strongly."""
    if header is None:
        return []
    if header.strip() == "*":
        return ["*"]
    return [match[2] for match in _TAG.finditer(header) if not match[1]]


def byte_range(header: str | None, size: int) -> tuple[int, int] | None:
    """First byte and byte after the last that a Range header asks for, or None for all.

    A header that asks for several ranges, or that is no range of bytes, is ignored, as the standard allows. Raises
    ProtocolError when no byte of the range exists.
    """
    match = _RANGE.fullmatch(header) if header else None
    if match is None or not (match[1] or match[2]):
        return None
    if match[1]:
        start = int(match[1])
        end = size if not match[2] else min(int(match[2]) + 1, size)
        if match[2] and int(match[2]) < start:
            return None
    else:
        start, end = max(0, size - int(match[2])), size
    if start >= end:
        raise ProtocolError(
            "range",
            f"The file has {size} bytes, none of them in the range {header!r}.",
            mend=f"Ask for a range from 0 to {max(size - 1, 0)}.",
            headers={"Content-Range": f"bytes */{size}"},
        )
    return start, end
