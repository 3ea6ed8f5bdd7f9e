"""TOML and JSON from anywhere, parsed within limits: nesting, parts of a key, length of a number or word.

Python's TOML reader takes time and memory by the square of a dotted key's parts (40 kB for ten seconds), and numbers
may be too large to be a float or even to be printed. All of that is refused here, before it is parsed.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from typing import Any, NoReturn

MAX_DEPTH = 32
"""Brackets within brackets, and parts of one dotted key."""
MAX_WORD = 200
"""Letters of a key or a number without quotes."""
MAX_DIGITS = 1000  # of a number in JSON
MOST_SHOWN = 60

_TOKEN = re.compile(
    r'"""[^"\\]*(?:(?:\\.|"{1,2}(?!"))[^"\\]*)*(?:"{3,5})?'
    r"|'''[^']*(?:'{1,2}(?!')[^']*)*(?:'{3,5})?"
    r'|"[^"\\\n]*(?:\\.[^"\\\n]*)*"?'
    r"|'[^'\n]*'?"
    r"|#[^\n]*|[A-Za-z0-9_+-]+|[ \t]+|.",
    re.DOTALL,
)
"""One token of TOML; a string without an end goes on to where it must have ended, so that all is read once."""


class TextFault(ValueError):
    """What is wrong with a text and what to do about it; whoever reads it makes an error of it that names the file."""

    def __init__(self, what: str, mend: str) -> None:
        super().__init__(what)
        self.what = what
        self.mend = mend


def parse_toml(text: str) -> dict[str, Any]:
    """The table that a TOML text holds. Raises TextFault."""
    _check_tokens(text)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        _unreadable(error, "Mend the syntax there.")


def parse_json(text: str) -> Any:
    """What a JSON text holds; NaN and Infinity are left to `is_finite`. Raises TextFault."""
    try:
        return json.loads(text, parse_int=_int)
    except TextFault:
        raise
    except (ValueError, RecursionError) as error:
        _unreadable(error, "Mend the syntax there.")


def is_finite(value: object) -> bool:
    """Whether a parsed value is a number that a float can hold."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def shown(value: object, most: int = MOST_SHOWN) -> str:
    """A parsed value for a message, short: `most` letters."""
    if isinstance(value, dict | list):
        kind = "a table" if isinstance(value, dict) else "a list"
        try:
            text = repr(value)
        except (ValueError, RecursionError):
            return kind
    elif (
        isinstance(value, int) and not isinstance(value, bool) and value.bit_length() > 13_000
    ):  # Python prints no more than 4,300 digits
        return "a number of thousands of digits"
    else:
        text = repr(value)
    return text if len(text) <= most else text[: most - 3] + "..."


def _check_tokens(text: str) -> None:
    line = 1
    depth = parts = 0
    joined = False
    for found in _TOKEN.finditer(text):
        token = found[0]
        first = token[0]
        if first in " \t":
            continue
        if first == ".":
            joined = True
            continue
        if first in "\"'" or first.isalnum() or first in "_+-":
            parts = parts + 1 if joined else 1
            if parts > MAX_DEPTH:
                _too_much(line, f"joins more than {MAX_DEPTH} keys by dots")
            if first not in "\"'" and len(token) > MAX_WORD:
                _too_much(line, f"has {len(token):,} letters or digits in a row without quotes")
        elif first in "[{":
            depth += 1
            if depth > MAX_DEPTH:
                _too_much(line, f"nests brackets more than {MAX_DEPTH} deep")
        elif first in "]}":
            depth -= 1
        joined = False
        line += token.count("\n")


def _too_much(line: int, what: str) -> NoReturn:
    raise TextFault(f"line {line} {what}", "Nothing that is read here needs that: write it plainly.")


def _unreadable(error: Exception, mend: str) -> NoReturn:
    if isinstance(error, RecursionError):
        raise TextFault("is nested too deep", mend) from error
    raise TextFault(str(error).rstrip("."), mend) from error


def _int(text: str) -> int:
    if len(text) > MAX_DIGITS:
        raise TextFault(f"has a number of {len(text):,} digits", "Write a number of a usual length.")
    return int(text)
