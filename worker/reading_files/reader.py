"""One file of readings, of whatever kind its content shows."""

from __future__ import annotations

import re

from worker.reading_files.cgats_file import IDENTIFIER, read_cgats
from worker.reading_files.csv_file import read_csv
from worker.reading_files.cxf_file import read_cxf
from worker.reading_files.named_reading import MAX_BYTES, MAX_LINES, FileName, NamedReading, ReadingDefaults

_CGATS_MARK = re.compile(r"^[ \t]*BEGIN_DATA(?:_FORMAT)?\b", re.IGNORECASE | re.MULTILINE)


def read_readings(
    data: bytes, *, file_name: str = "readings", defaults: ReadingDefaults | None = None
) -> list[NamedReading]:
    """The readings in a file of CSV, CGATS.17 / ISO 28178 text or CxF3; the content shows which it is.

    Parameters
    ----------
    data : bytes
        The file, at most `MAX_BYTES`.
    file_name : str
        How errors name it.
    defaults : ReadingDefaults
        What holds where the file does not say.

    Raises
    ------
    ReadingFileError
        Names file, row or line, column and mend.
    """
    file, defaults = FileName(name=file_name), defaults or ReadingDefaults()
    if len(data) > MAX_BYTES:
        file.fail("", f"has {len(data)} bytes", f"A file of readings has {MAX_BYTES} at most: split it.")
    if data.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"<"):
        return read_cxf(data, defaults, file)
    lines = data.count(b"\n") + 1
    if lines > MAX_LINES:
        file.fail("", f"has {lines} lines", f"A file of readings has {MAX_LINES} at most: split it.")
    if _is_cgats(data):
        return read_cgats(data, defaults, file)
    return read_csv(data, defaults, file)


def _is_cgats(data: bytes) -> bool:
    text = data.decode("utf-8-sig", "replace").replace("\r", "\n")
    return bool(IDENTIFIER.match(text) or _CGATS_MARK.search(text))
