"""Text and numbers of a file: what is no text, or no number, is an error that says where."""

from __future__ import annotations

import re

from worker.reading_files.named_reading import MAX_LINE, MAX_LINES, FileName

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d{1,3})?", re.ASCII)
_NO_TEXT = {
    b"PK\x03\x04": "a spreadsheet or an archive",
    b"\xd0\xcf\x11\xe0": "a spreadsheet of an old form",
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"\x1f\x8b": "a packed file",
}
_MEND = "Save it as text, CSV or CGATS, in UTF-8."


def read_text(data: bytes, file: FileName) -> str:
    """The text of a file: UTF-8 with or without a byte order mark, any line ends, which become line feeds."""
    for start, what in _NO_TEXT.items():
        if data.startswith(start):
            file.fail("", f"is no text but {what}", _MEND)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        file.fail("", "is UTF-16", _MEND)
    if b"\0" in data:
        file.fail(_line_of(data, data.index(b"\0")), "holds a zero byte, so it is no text", _MEND)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        file.fail(_line_of(data, error.start), f"byte 0x{data[error.start]:02X} is not UTF-8", _MEND)
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = text.split("\n")
    if len(lines) > MAX_LINES:
        file.fail("", f"has {len(lines)} lines", f"A file of readings has {MAX_LINES} at most: split it.")
    for index, line in enumerate(lines):
        if len(line) > MAX_LINE:
            file.fail(f"line {index + 1}", f"has {len(line)} letters", "Check that it is a file of readings.")
    return text


def _line_of(data: bytes, byte: int) -> str:
    return f"line {data.count(10, 0, byte) + 1}"


def number(text: str, file: FileName, place: str, *, decimal_comma: bool) -> float:
    """A finite number, written with a decimal point, or with a comma where that was said."""
    stripped = text.strip()
    if decimal_comma and "." not in stripped:
        stripped = stripped.replace(",", ".", 1)
    elif decimal_comma:
        file.fail(place, f"is {text!r}, with a decimal point", "Write decimal commas throughout, or points.")
    elif _DECIMAL_COMMA.fullmatch(stripped):
        file.fail(place, f"is {text!r}, with a comma", "If it is a decimal comma, say --decimal comma.")
    if not _NUMBER.fullmatch(stripped) or abs(float(stripped)) > 1e12:
        file.fail(place, f"is {text!r}, not a number", "Write a plain number, without a sign of its unit.")
    return float(stripped)
