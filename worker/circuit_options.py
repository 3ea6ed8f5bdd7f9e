"""The circuit that the command line names: its options, its files, and pictures of files that say too little."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from worker.errors import CircuitError, MaskwrightError

if TYPE_CHECKING:
    from worker.circuit_file import GivenCircuit

PICTURES = "layers-to-name"


def add_circuit_options(parser: argparse.ArgumentParser) -> None:
    """The options of a circuit that art shares its board with."""
    group = parser.add_argument_group("a working circuit", "art goes around it; its own files give the board's shape")
    group.add_argument("--circuit", type=Path, metavar="PATH", help="folder or archive of its Gerber and drill files")
    group.add_argument(
        "--layer",
        action="append",
        default=[],
        metavar="FILE=FUNCTION",
        help="which layer a file is that does not say so itself, such as one.gbr=Copper,L1,Top; may be repeated",
    )
    group.add_argument("--net", help="the one net that art may touch and use as colour, such as GND")
    group.add_argument(
        "--art-at",
        metavar="X,Y",
        help="lower left corner of the artwork in mm, in the circuit's coordinates (default: the board's middle)",
    )
    group.add_argument(
        "--keep-out",
        type=Path,
        metavar="PICTURE",
        help="a picture or SVG of the board from the top, dark where art keeps out",
    )
    group.add_argument(
        "--circuit-file", type=Path, metavar="FILE", help="all of this and places to keep out of (.toml or .json)"
    )


def circuit_paths(given: argparse.Namespace) -> list[Path]:
    """Every file that the circuit and what is said of it are read from."""
    inside = [path for path in given.circuit.rglob("*") if path.is_file()] if given.circuit is not None else []
    return [*inside, *(path for path in (given.circuit, given.circuit_file, given.keep_out) if path and path.is_file())]


def circuit_digests(circuit: GivenCircuit | None) -> tuple[str, ...] | None:
    """What tells one circuit, with all that is said of it, from another."""
    if circuit is None:
        return None
    files = "".join(f"{name} {sha256(data).hexdigest()}\n" for name, data in sorted(circuit.files.items()))
    painting = "" if circuit.painting is None else sha256(circuit.painting.data).hexdigest()
    return sha256(files.encode()).hexdigest(), sha256(repr(circuit.said).encode()).hexdigest(), painting


def given_circuit(given: argparse.Namespace) -> GivenCircuit | None:
    """The circuit that is asked for, its files read. Raises CircuitError."""
    named = {
        "--layer": given.layer,
        "--net": given.net,
        "--art-at": given.art_at,
        "--keep-out": given.keep_out,
        "--circuit-file": given.circuit_file,
    }
    if given.circuit is None:
        for option, value in named.items():
            if value:
                raise CircuitError(f"{option} is given, and no circuit.", mend="Add --circuit PATH.")
        return None
    # Takes a while to load, and most commands name no circuit.
    from worker.circuit_file import CircuitFile, GivenCircuit, Painting, read_circuit_file, read_roles

    said = CircuitFile()
    if given.circuit_file is not None:
        said = read_circuit_file(_read(given.circuit_file), file_name=given.circuit_file.name)
    return GivenCircuit(
        name=given.circuit.name,
        files=_files(given.circuit),
        said=said.with_said(read_roles(given.layer), given.net, _point(given.art_at)),
        painting=None if given.keep_out is None else Painting(name=given.keep_out.name, data=_read(given.keep_out)),
    )


def circuit_parts(given: argparse.Namespace) -> list[tuple[str, str, bytes]]:
    """The circuit as parts of a request: name of the part, name and bytes of the file. Raises CircuitError."""
    circuit = given_circuit(given)
    if circuit is None:
        return []
    from worker.circuit_file import circuit_table, read_roles
    from worker.zip_archive import zipped

    said: dict[str, Any] = {}
    if given.circuit_file is not None:
        said = circuit_table(_read(given.circuit_file), file_name=given.circuit_file.name)
    if given.layer:
        named = {name: role.function for name, role in read_roles(given.layer).items()}
        said["layers"] = {**said.get("layers", {}), **named}
    if given.net is not None:
        said["net"] = given.net
    if (point := _point(given.art_at)) is not None:
        said["artwork"] = {"x": point[0], "y": point[1]}
    # In one order, so that the service knows the same files again.
    parts = [("circuit", f"{given.circuit.stem}.zip", zipped(dict(sorted(circuit.files.items()))))]
    if said:
        name = "circuit.json" if given.circuit_file is None else f"{given.circuit_file.stem}.json"
        parts.append(("circuit_file", name, json.dumps(said).encode()))
    if circuit.painting is not None:
        parts.append(("keep_out", circuit.painting.name, circuit.painting.data))
    return parts


def _point(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError as error:
        raise CircuitError(f"--art-at is {text!r}.", mend="Write two numbers of mm, such as 20,30.") from error
    return x, y


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise CircuitError(f"{path} can't be read: {error.strerror or error}.", mend="Check its name.") from error


def _files(path: Path) -> dict[str, bytes]:
    from worker.circuit_archive import unpacked_circuit
    from worker.circuit_file import ARCHIVES, MAX_BYTES, MAX_FILES, check_circuit_files, too_many, too_much

    if not path.is_dir():
        data = _read(path)
        if not data.startswith(ARCHIVES):
            raise CircuitError(
                f"{path} is neither a folder nor an archive.", mend="Give the folder or ZIP file with all its layers."
            )
        files = unpacked_circuit(data, name=path.name)
    else:
        files = {}
        total = 0
        for inside in sorted(path.rglob("*")):
            name = inside.relative_to(path)
            if not inside.is_file() or any(part.startswith(".") for part in name.parts):
                continue
            total += inside.stat().st_size
            if len(files) >= MAX_FILES:
                raise too_many(path.name)
            if total > MAX_BYTES:
                raise too_much(path.name)
            files[name.as_posix()] = _read(inside)
    check_circuit_files(files, name=path.name)
    return files


def draw_unknown_layers(circuit: GivenCircuit, faults: Iterable[MaskwrightError], out: Path) -> None:
    """Pictures of the files that don't say which layer they are, for the user to look at, in a new folder of `out`."""
    names = {name for fault in faults if isinstance(fault, CircuitError) for name in fault.unknown}
    if not names:
        return
    from worker.engine.circuit.layer_pictures import layer_pictures
    from worker.result_folder import write_new_folder

    folder = next(
        place for i in range(1, 10_000) if not (place := out / (PICTURES if i == 1 else f"{PICTURES}-{i}")).exists()
    )
    write_new_folder(folder, layer_pictures(circuit.files, sorted(names)))
    print(f"pictures of these files: {folder}")
