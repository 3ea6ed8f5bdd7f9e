"""A circuit's files, read: which is which layer by what they or the job file or the user say, never by their names."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import numpy as np

from worker.bounded_text import TextFault, parse_json
from worker.circuit_file import FORMS, Role, check_circuit_files, read_role
from worker.engine.circuit.board_outline import read_outline
from worker.engine.circuit.circuit import LARGEST_MM, Circuit, CircuitDrill, CircuitLayer, SaidBy
from worker.engine.circuit.drill_files import circuit_drills
from worker.engine.circuit.written_out import written_out
from worker.engine.fabrication.board import Ring
from worker.engine.fabrication.gerber_reader import ReadLayer, read_gerber
from worker.engine.fabrication.returned_files import is_drill, is_gerber
from worker.errors import CircuitError, ReturnedFileError

JOB_SUFFIX = ".gbrjob"
_LOOKED_AT = ("Copper", "Soldermask", "Legend", "Profile")
_COMMENT = re.compile(rb"G04\s*#@!\s*((?:TF|TA|TO|TD)[^*%]*)\*")
"""An attribute in a comment: how a file of the first extended Gerber format carries those of the second one."""
_FUNCTION = re.compile(rb"TF\.FileFunction,([^*\r\n]+)")
_POLARITY = re.compile(rb"TF\.FilePolarity,([A-Za-z]+)")
_NOTHING = re.compile(rb"%(?:SRX1Y1[^*%]*|LMN|LR0(?:\.0*)?|LS1(?:\.0*)?)\*%")
"""Repeated once, not mirrored, not turned, not scaled."""
_REPEATED = re.compile(rb"%(?:LM|LR|LS)[^*%]*\*")
_TURNED = re.compile(rb"%(IPNEG|IR[1-9]|MI[AB]?[^*%]*1|ASAYBX|SF[^*%]*|OF[^*%]*[1-9][^*%]*|IF[^*%]*)\*")
_WRONG = re.compile(r"Unknown statement|truncated|Re-definition")
_BINARY = re.compile(rb"[\x00-\x08\x0e-\x1f]")


def read_circuit(files: Mapping[str, bytes], said: Mapping[str, Role], *, name: str = "the circuit") -> Circuit:
    """Read a circuit from its files.

    Parameters
    ----------
    files : bytes by name.
    said : what the user says of files, by name; it counts before what a file says.

    Raises
    ------
    CircuitError
        A file can't be read, or can't be used without a guess. With `unknown`, files that don't say what they are.
    """
    check_circuit_files(files, name=name)
    for wrong in said.keys() - files.keys():
        raise CircuitError(f"{wrong!r} is not among the files of {name}.", mend=f"There are: {_listed(sorted(files))}.")
    job = _job_file(files)
    listed = {} if job is None else _job_roles(*job, files)
    layers: list[CircuitLayer] = []
    drills: list[CircuitDrill] = []
    others: list[tuple[str, bytes]] = []
    unknown: list[str] = []
    for path, data in files.items():
        if job is not None and path == job[0]:
            continue
        if not is_gerber(data) and not is_drill(data):
            _check_other(path, data, path in said or path in listed)
            others.append((path, data))
            continue
        role, said_by = _role(path, data, said, listed)
        if role is None:
            unknown.append(path)
        elif is_drill(data) or role.drilled:
            text = data
            if not is_drill(data):
                _check_text(path, data, role)
                text = with_attributes(data, name=path)
            drills += circuit_drills(path, data, role, said_by, text=text)
        else:
            layers.append(_layer(path, data, role, said_by))
    if unknown:
        raise _unknown(unknown, name)
    _check_roles(layers, name)
    profile = next(layer for layer in layers if layer.role.kind == "Profile")
    remarks = [f"{layer.name}: {said}" for layer in layers if layer.drawing for said in layer.drawing.remarks]
    return Circuit(
        name=name,
        layers=tuple(layers),
        drills=tuple(drills),
        outline=_outline(profile),
        job=job,
        others=tuple(others),
        remarks=(*remarks, *(f"{drill.name}: {said}" for drill in drills for said in drill.drill.remarks)),
    )


def known_roles(files: Mapping[str, bytes], said: Mapping[str, Role]) -> dict[str, tuple[Role | None, SaidBy]]:
    """Of each Gerber and drill file what it is, None where nothing says so, and who says so. Raises CircuitError."""
    job = _job_file(files)
    listed = {} if job is None else _job_roles(*job, files)
    return {path: _role(path, files[path], said, listed) for path in gerber_names(files)}


def _unknown(names: list[str], whose: str) -> CircuitError:
    error = CircuitError(
        f"{_listed(names)} of {whose} {'does' if len(names) == 1 else 'do'} not say which layer it is.",
        mend=f"Look at it and say so for each: FILE=FUNCTION, such as {names[0]}={FORMS[0]}. The usual functions: "
        f"{'; '.join(FORMS)}.",
    )
    error.unknown = tuple(names)
    return error


def _listed(names: list[str]) -> str:
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "") or "none"


def _job_file(files: Mapping[str, bytes]) -> tuple[str, bytes] | None:
    jobs = [path for path in files if path.endswith(JOB_SUFFIX)]
    if len(jobs) > 1:
        raise CircuitError(
            f"There are {len(jobs)} job files: {_listed(jobs)}.", mend="Give the files of one circuit alone."
        )
    return (jobs[0], files[jobs[0]]) if jobs else None


def _job_roles(path: str, data: bytes, files: Mapping[str, bytes]) -> dict[str, Role]:
    """The roles that the job file gives, by the names of files that are there."""
    try:
        job = parse_json(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise CircuitError(f"{path} is not UTF-8 text.", mend="Write the job file anew, or leave it out.") from error
    except TextFault as fault:
        raise CircuitError(f"{path} can't be read: {fault.what}", mend=fault.mend) from fault
    rows = job.get("FilesAttributes", []) if isinstance(job, dict) else None
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise CircuitError(f"{path} has no list FilesAttributes.", mend="Write the job file anew, or leave it out.")
    by_name: dict[str, list[str]] = {}
    for name in files:
        by_name.setdefault(_last(name), []).append(name)
    roles: dict[str, Role] = {}
    for row in rows:
        listed, function = row.get("Path"), row.get("FileFunction")
        if not isinstance(listed, str) or not isinstance(function, str):
            continue
        found = by_name.get(_last(listed), [])
        if not found:
            raise CircuitError(
                f"{path} lists {listed!r} ({function}), which is not there.",
                mend="Add that file, or leave the job file out.",
            )
        role = read_role(function, whose=f"{listed} in {path}")
        for name in found:
            if roles.setdefault(name, role) != role:
                raise CircuitError(f"{path} lists {listed!r} twice, as two layers.", mend="Mend it, or leave it out.")
    return roles


def _last(path: str) -> str:
    """A path's last part."""
    return path.replace("\\", "/").rsplit("/", 1)[-1]


def _check_other(path: str, data: bytes, has_role: bool) -> None:
    """CircuitError where a file that should be a layer is none."""
    if has_role or path.lower().endswith((".gbr", ".xnc", ".drl")):
        what = "is empty" if not data.strip() else "is neither a Gerber nor an Excellon (XNC) file"
        raise CircuitError(f"{path} {what}.", mend="Write it anew, or leave it out.")


def _role(path: str, data: bytes, said: Mapping[str, Role], listed: Mapping[str, Role]) -> tuple[Role | None, SaidBy]:
    if path in said:
        return said[path], "the user"
    found = _FUNCTION.search(data)
    if found is None:
        return listed.get(path), "the job file"
    role = read_role(found[1].decode("ascii", "replace").strip(), whose=path)
    if listed.get(path, role) != role:
        raise CircuitError(
            f"{path} says that it is {role.function}, and the job file says {listed[path].function}.",
            mend=f"Say which counts, such as {path}={role.function}.",
        )
    return role, "the file"


def _layer(path: str, data: bytes, role: Role, said_by: SaidBy) -> CircuitLayer:
    drawing = _drawing(path, data, role) if role.kind in _LOOKED_AT else None
    return CircuitLayer(name=path, data=data, role=role, said_by=said_by, drawing=drawing)


def with_attributes(data: bytes, *, name: str) -> bytes:
    """A Gerber file as its reader understands it: attributes in comments are attributes proper, what repeats is written
    out, and commands that do nothing are gone. CircuitError.
    """
    return written_out(_COMMENT.sub(rb"%\1*%", _NOTHING.sub(b"", data)), name=name)


def _drawing(path: str, data: bytes, role: Role) -> ReadLayer:
    _check_text(path, data, role)
    try:
        drawing = read_gerber(with_attributes(data, name=path), name=path, marked=True)
    except ReturnedFileError as error:
        raise CircuitError(error.what, mend=error.mend) from error
    for remark in drawing.remarks:
        if _WRONG.search(remark):
            raise CircuitError(f"{path}, {remark}.", mend="What it draws would be wrong: write the file anew.")
    if not drawing.unit:
        raise CircuitError(f"{path} states no unit.", mend="Write it anew, with %MOMM*% or %MOIN*%.")
    boxes = drawing.boxes
    if len(boxes) and (not np.isfinite(boxes).all() or np.abs(boxes).max() > 10 * LARGEST_MM):
        raise CircuitError(
            f"{path} draws something {np.abs(boxes).max():.0f} mm from its origin.",
            mend="A file that far out has lost its unit or format: write it anew.",
        )
    if drawing.open_regions:
        raise CircuitError(
            f"{path} has {drawing.open_regions} regions that are not closed.", mend="Write it anew, each closed."
        )
    return drawing


def _check_text(path: str, data: bytes, role: Role) -> None:
    """CircuitError where a file holds what its reader would pass over, or read otherwise than a fab does."""
    if _BINARY.search(data):
        raise CircuitError(f"{path} holds bytes that are no text.", mend="It is damaged: get it again.")
    repeated = _REPEATED.search(_NOTHING.sub(b"", data))
    if repeated is not None:
        raise CircuitError(
            f"{path} mirrors, turns or scales parts of it ({repeated[0].decode('ascii', 'replace')}).",
            mend="Give the single circuit, each of its objects written out.",
        )
    turned = _TURNED.search(data)
    if turned is not None:
        raise CircuitError(
            f"{path} has a deprecated command that changes the whole picture ({turned[0].decode('ascii', 'replace')}).",
            mend="Write it anew, as Gerber X2.",
        )
    found = _POLARITY.search(data)
    usual = b"Negative" if role.kind == "Soldermask" else b"Positive"
    if found is not None and found[1] != usual:
        raise CircuitError(
            f"{path} is {role.function} with the polarity {found[1].decode('ascii')}.",
            mend="Write solder mask as its openings (Negative), and every other layer as what is there (Positive).",
        )


def _check_roles(layers: list[CircuitLayer], name: str) -> None:
    seen: dict[tuple[str, ...], str] = {}
    for layer in layers:
        words = layer.role.function.split(",")
        if layer.role.kind not in _LOOKED_AT:
            continue
        key = ("Profile",) if words[0] == "Profile" else tuple(words[: 3 if words[0] == "Copper" else 2])
        if key in seen:
            raise CircuitError(
                f"Both {seen[key]} and {layer.name} of {name} are {','.join(key)}.",
                mend=f"Give one, or say what the other is, such as {layer.name}=Other,copy.",
            )
        seen[key] = layer.name
    if ("Profile",) not in seen:
        raise CircuitError(
            f"{name} has no profile, so nothing says where the board ends.",
            mend="Add the file with the board's edge, and say so if it doesn't itself: FILE=Profile,NP.",
        )
    copper = sorted((int(key[1][1:]), key[2]) for key in seen if key[0] == "Copper")
    if not copper:
        raise CircuitError(f"{name} has no copper layer.", mend="Add its copper files.")
    numbers = [number for number, _ in copper]
    sides = ["Top", *["Inr"] * (len(copper) - 2), "Bot"][: len(copper)]
    complete = numbers == list(range(1, len(copper) + 1)) and [side for _, side in copper] == sides
    if not complete and (len(copper) > 1 or copper[0][1] == "Inr"):
        found = "; ".join(f"Copper,L{number},{side}" for number, side in copper)
        raise CircuitError(
            f"The copper layers of {name} are {found}.",
            mend="They are counted from Copper,L1,Top to the bottom, with none left out.",
        )


def _outline(profile: CircuitLayer) -> tuple[Ring, ...]:
    try:
        outline = read_outline(with_attributes(profile.data, name=profile.name), name=profile.name)
    except ReturnedFileError as error:
        raise CircuitError(error.what, mend=error.mend) from error
    width, height = np.ptp(outline[0], axis=0)
    if max(width, height) > LARGEST_MM:
        raise CircuitError(
            f"The board in {profile.name} is {width:.0f} x {height:.0f} mm.",
            mend=f"A board is {LARGEST_MM:g} mm long at most: check its unit.",
        )
    return outline


def gerber_names(files: Mapping[str, bytes]) -> Iterator[str]:
    """Names of the files that are Gerber or drill files, of which a picture can be drawn."""
    return (name for name, data in files.items() if is_gerber(data) or is_drill(data))
