"""Gerber, drill and ZIP files as they come back from anywhere, broken."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from tests.hostile.damage import Case, broken
from tests.hostile.judging import fault_of
from worker.compare_run import read_returned
from worker.engine.fabrication.gerber_reader import read_drill, read_gerber
from worker.errors import MaskwrightError

GERBER = b"""%TF.FileFunction,Copper,L1,Top*%
%FSLAX46Y46*%
%MOMM*%
%ADD10C,0.2*%
%AMA*1,1,$1,0,0*%
%ADD11A,1.0*%
D10*
X0Y0D02*
G01X1000000Y1000000D01*
D11*
X2000000Y0D03*
G36*
X0Y0D02*
X1000000D01*
Y1000000D01*
X0Y0D01*
G37*
M02*
"""
DRILL = b"M48\n;TF.FileFunction,Plated,1,2,PTH\nMETRIC\nT1C0.8\n%\nG05\nT1\nX1.0Y2.0\nX3.0Y2.0\nM30\n"


@cache
def archive() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("a.gbr", GERBER * 50)
        packed.writestr("b.drl", DRILL)
    return stream.getvalue()


def bomb() -> bytes:
    """30 MB of zeros in 30 kB."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("a.gbr", bytes(30_000_000))
    return stream.getvalue()


def cases(size: int) -> Iterator[Case]:
    for name, data in (("gerber", GERBER), ("drill", DRILL), ("zip", archive())):
        yield Case(name=f"{name} whole", data=data, of=name)
        yield from broken(name, data, cut=size, flip=size, lose=size)
    for what in (
        b"%IFz.zip*%",
        b"%SRX1000000Y1000000I0.1J0.1*%",
        b"%ADD12C,nan*%",
        b"%ADD12C,1e999*%",
        b"X" + b"9" * 5000,
    ):
        yield Case(name=f"gerber with {what[:20]!r}", data=GERBER[:60] + what + b"\n" + GERBER[60:], of="gerber")
    yield Case(name="zip that swells", data=bomb(), of="zip")


def examine(case: Case) -> tuple[str, str]:
    """How reading it ended, and what is wrong with that."""
    quoted = case.data.decode("latin-1")
    try:
        if case.of == "gerber":
            read_gerber(case.data, name="a.gbr")
        elif case.of == "drill":
            read_drill(case.data, name="b.drl")
        else:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "z.zip"
                quoted += str(path)  # the command line names the file that it was given
                path.write_bytes(case.data)
                files, _ = read_returned([path])
                sound = {"a.gbr": GERBER * 50, "b.drl": DRILL, "z.zip": case.data}
                if any(name in sound and data != sound[name] for name, data in files.items()):
                    return "taken", "unpacked to other bytes than were packed"
    except MaskwrightError as error:
        return "refused", fault_of(error, quoted)
    except Exception as error:
        return "refused", fault_of(error)
    return ("refused", "swelled") if case.name == "zip that swells" else ("taken", "")
