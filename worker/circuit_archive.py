"""The files of a circuit that comes as one archive."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from typing import BinaryIO

from worker.circuit_file import (
    MAX_BYTES,
    MAX_FILE_BYTES,
    MAX_FILES,
    CircuitFile,
    GivenCircuit,
    Painting,
    check_circuit_files,
    read_circuit_file,
    too_many,
    too_much,
)
from worker.collection.archives import archived_files
from worker.errors import CircuitError, MaskwrightError
from worker.job import CIRCUIT, CIRCUIT_FILE, KEEP_OUT


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


def circuit_of(inputs: Mapping[str, BinaryIO], names: Mapping[str, str]) -> GivenCircuit | None:
    """The circuit among the further files of a job; None where there is none. Raises CircuitError.

    `names` : what people call them.
    """
    if CIRCUIT not in inputs:
        return None
    called = {part: names.get(part) or part for part in (CIRCUIT, CIRCUIT_FILE, KEEP_OUT)}
    files = unpacked_circuit(inputs[CIRCUIT].read(), name=called[CIRCUIT])
    check_circuit_files(files, name=called[CIRCUIT])
    said, painting = CircuitFile(), None
    if CIRCUIT_FILE in inputs:
        said = read_circuit_file(inputs[CIRCUIT_FILE].read(), file_name=called[CIRCUIT_FILE])
    if KEEP_OUT in inputs:
        painting = Painting(name=called[KEEP_OUT], data=inputs[KEEP_OUT].read())
    return GivenCircuit(name=called[CIRCUIT], files=files, said=said, painting=painting)
