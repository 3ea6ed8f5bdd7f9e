"""What a circuit's files are, told to whoever gave them: their layers, as far as known, with a picture of each."""

from __future__ import annotations

from typing import Any

from worker.circuit_file import GivenCircuit
from worker.engine.circuit.layer_pictures import layer_pictures
from worker.engine.circuit.nets import read_nets
from worker.engine.circuit.reading import known_roles, read_circuit
from worker.errors import CircuitError


def circuit_contents(given: GivenCircuit) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Pictures by name, and what the files are.

    Where a circuit can't be used yet, as for files that don't say what they are, `fault` says why. CircuitError where
    not even its list of files makes sense.
    """
    roles = known_roles(given.files, given.said.roles)
    nets: list[dict[str, Any]] = []
    box, fault, circuit = None, None, None
    try:
        circuit = read_circuit(given.files, given.said.roles, name=given.name)
        box = dict(zip(("left", "low", "right", "high"), circuit.box_mm, strict=True))
        nets = [{"name": net.text, "area_mm2": net.area_mm2} for net in read_nets(circuit).nets if net.names]
    except CircuitError as error:
        fault = {"what": error.what, "mend": error.mend}
    pictures = dict(layer_pictures(given.files, list(roles), circuit))
    layers = [
        {
            "name": name,
            "function": None if role is None else role.function,
            "said_by": None if role is None else said_by,
            "picture": picture if (picture := f"{name.replace('/', '-')}.png") in pictures else None,
        }
        for name, (role, said_by) in roles.items()
    ]
    return pictures, {
        "name": given.name,
        "layers": layers,
        "unknown": [layer["name"] for layer in layers if layer["function"] is None],
        "other_files": [name for name in given.files if name not in roles],
        "box_mm": box,
        "nets": sorted(nets, key=lambda net: -net["area_mm2"]),
        "fault": fault,
    }
