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
    check_circuit_files,
    read_circuit_file,
    too_many,
    too_much,
)
from worker.collection.archives import archived_files
from worker.errors import CircuitError, MaskwrightError
from worker.job import CIRCUIT, CIRCUIT_FILE


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


def given_by_files(archive: bytes, said: bytes | None, *, name: str, said_name: str = "circuit file") -> GivenCircuit:
    """A circuit from its archive, and the circuit file with what is said of it. Raises CircuitError."""
    files = unpacked_circuit(archive, name=name)
    check_circuit_files(files, name=name)
    read = CircuitFile() if said is None else read_circuit_file(said, file_name=said_name)
    return GivenCircuit(name=name, files=files, said=read)


def circuit_of(inputs: Mapping[str, BinaryIO], names: Mapping[str, str]) -> GivenCircuit | None:
    """The circuit among the further files of a job; None where there is none. `names` : what people call them."""
    if CIRCUIT not in inputs:
        return None
    said = inputs[CIRCUIT_FILE].read() if CIRCUIT_FILE in inputs else None
    return given_by_files(
        inputs[CIRCUIT].read(),
        said,
        name=names.get(CIRCUIT) or CIRCUIT,
        said_name=names.get(CIRCUIT_FILE) or CIRCUIT_FILE,
    )
