"""Circuits as they come from anywhere, broken: an archive, and single files in it."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from functools import cache

from tests.engine.circuit.circuits import small_circuit
from tests.hostile.damage import Case, broken
from tests.hostile.judging import fault_of
from worker.circuit_archive import unpacked_circuit
from worker.circuit_file import read_circuit_file
from worker.engine.circuit.nets import read_nets
from worker.engine.circuit.reading import read_circuit
from worker.errors import MaskwrightError

SAID = b"""net = "GND"
pads_mm = 0.4
[layers]
"one.gbr" = "Copper,L1,Top"
[artwork]
x = 10.0
y = 20.0
[[places]]
kind = "antenna"
sides = ["top"]
path = "M 11 21 H 14 V 23 Z"
"""


@cache
def archive() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in small_circuit().items():
            packed.writestr(name, data)
    return stream.getvalue()


def cases(size: int) -> Iterator[Case]:
    files = {"zip": archive(), "toml": SAID}
    files |= {name: small_circuit()[name] for name in ("one.gbr", "edge.gbr", "holes.xnc")}
    for name, data in files.items():
        yield Case(name=f"{name} whole", data=data, of=name)
        yield from broken(name, data, cut=size, flip=size, lose=size)


def examine(case: Case) -> tuple[str, str]:
    """How a case ends, and what is wrong with that."""
    quoted = case.data.decode("latin-1") + "".join(data.decode() for data in small_circuit().values())
    try:
        if case.of == "toml":
            read_circuit_file(case.data)
        else:
            files = small_circuit()
            if case.of == "zip":
                files = unpacked_circuit(case.data, name="small.zip")
            else:
                files[case.of] = case.data
            read_nets(read_circuit(files, {}))
    except MaskwrightError as error:
        return "refused", fault_of(error, quoted)
    except Exception as error:
        return "refused", fault_of(error)
    return "taken", ""
