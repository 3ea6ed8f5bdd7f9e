"""The files of a circuit that comes as one archive."""

from __future__ import annotations

import io
import zipfile

from worker.circuit_file import MAX_BYTES, MAX_FILE_BYTES, MAX_FILES, too_many, too_much
from worker.collection.archives import archived_files
from worker.errors import CircuitError, MaskwrightError


def unpacked_circuit(data: bytes, *, name: str) -> dict[str, bytes]:
    """The files of a circuit's ZIP or TAR archive, by path. Raises CircuitError."""
    if not data.startswith(b"PK") and zipfile.is_zipfile(io.BytesIO(data)):
        raise CircuitError(f"{name} has something else before its archive.", mend="Pack it anew, as a plain ZIP file.")
    files: dict[str, bytes] = {}
    total = 0
    try:
        for found in archived_files(io.BytesIO(data), name=name, most_bytes=MAX_FILE_BYTES):
            if found.fault:
                raise CircuitError(f"{found.path} in {name} {found.fault}.", mend="Pack it anew, as plain files.")
            if found.path in files:
                raise CircuitError(f"{name} holds {found.path} twice.", mend="Pack it anew, each file once.")
            parts: list[bytes] = []
            for chunk in found.chunks():
                total += len(chunk)
                if total > MAX_BYTES:
                    raise too_much(name)
                parts.append(chunk)
            files[found.path] = b"".join(parts)
            if len(files) > MAX_FILES:
                raise too_many(name)
    except CircuitError:
        raise
    except MaskwrightError as error:
        raise CircuitError(error.what, mend=error.mend) from error
    return files
