"""Files in one ZIP archive without a clock in it: the same files give the same bytes."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping

from worker.stored_zip import OLDEST_DATE

_LEVEL = 6


def zipped(files: Mapping[str, bytes]) -> bytes:
    """A ZIP archive of files by name, in their order."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=_LEVEL) as archive:
        for name, data in files.items():
            member = zipfile.ZipInfo(name, OLDEST_DATE)
            member.external_attr = 0o644 << 16
            member.create_system = 3
            archive.writestr(member, data, zipfile.ZIP_DEFLATED, _LEVEL)
    return out.getvalue()
