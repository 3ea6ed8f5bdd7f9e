"""The Gerber job file: which file is which layer, the stack-up, plating, colours and sizes, as JSON.

Keys and values from memory of the Gerber Job File Format Specification (Ucamco).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from worker.engine.fabrication.file_attributes import Polarity, Project
from worker.fab_profile import FabProfile

PLATINGS = {
    "ENIG": "ENIG",
    "ENEPIG": "ENEPIG",
    "hard gold": "Hard gold",
    "HASL": "HAL",
    "immersion tin": "ImSn",
    "immersion silver": "ImAg",
    "organic coating": "OSP",
    "none": "None",
}
"""The job file's word for each plating of `worker.fab_profile.PLATINGS`."""

_SIDE_NAMES = {"Top": "top", "Bot": "bottom"}


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerFile:
    """A Gerber file of the package: its name, .FileFunction and .FilePolarity."""

    path: str
    function: str
    polarity: Polarity


def gerber_job(
    files: Sequence[LayerFile], fab: FabProfile, *, project: Project, width_nm: int, height_nm: int
) -> bytes:
    """The job file of a package. `width_nm`, `height_nm` : of the box round the board's outline."""
    software: dict[str, str] = {"Vendor": "Maskwright", "Application": "Maskwright", "Version": project.version}
    header: dict[str, object] = {"GenerationSoftware": software}
    if project.created_text:
        header["CreationDate"] = project.created_text
    stack = fab.stack_up
    job = {
        "Header": header,
        "GeneralSpecs": {
            "ProjectId": {"Name": project.name, "GUID": project.guid, "Revision": project.revision},
            "Size": {"X": width_nm / 1e6, "Y": height_nm / 1e6},
            "LayerNumber": sum(file.function.startswith("Copper,") for file in files),
            "BoardThickness": float(stack["thickness_mm"]),
            "Finish": _plating(fab),
        },
        "DesignRules": [
            {
                "Layers": "Outer",
                "MinLineWidth": fab.limits["copper", "line_mm"].value,
                "TrackToTrack": fab.limits["copper", "gap_mm"].value,
            }
        ],
        "FilesAttributes": [
            {"Path": file.path, "FileFunction": file.function, "FilePolarity": file.polarity} for file in files
        ],
        "MaterialStackup": _stack_up(files, fab),
    }
    return (json.dumps(job, indent=2, ensure_ascii=False) + "\n").encode("utf-8")


def _copper_place(function: str) -> int:
    """The number of a copper layer, from the top: 2 of "Copper,L2,Bot"."""
    return int(function.split(",")[1][1:])


def _plating(fab: FabProfile) -> str:
    if fab.plating == "HASL":
        return "HAL lead-free" if fab.lead_free else "HAL SnPb"
    return PLATINGS[fab.plating]


def _stack_up(files: Sequence[LayerFile], fab: FabProfile) -> list[dict[str, object]]:
    """Layers from top to bottom; only those that the package has a file for, and the laminate."""
    functions = {file.function for file in files}
    stack = fab.stack_up
    copper_mm = float(stack["copper_um"]) / 1000.0
    legend = {"Type": "Legend", "Color": str(stack["legend"])}
    mask = {"Type": "SolderMask", "Color": str(stack["solder_mask"])}
    copper = {"Type": "Copper", "Thickness": copper_mm}
    coppers = sorted((name for name in functions if name.startswith("Copper,")), key=_copper_place)
    laminate = {
        "Type": "Dielectric",
        "Thickness": round((float(stack["thickness_mm"]) - len(coppers) * copper_mm) / max(1, len(coppers) - 1), 6),
        "Material": str(stack["substrate"]),
        "Name": "laminate",
    }
    inner: list[tuple[str, dict[str, object]]] = []
    for function in coppers:
        side = _SIDE_NAMES.get(function.split(",")[2], f"layer {_copper_place(function)}")
        inner += [("", laminate)] * bool(inner) + [(function, {**copper, "Name": f"copper, {side}"})]
    if len(coppers) < 2:  # the laminate lies below a single top copper, and above a single bottom one
        inner.insert(0 if coppers and coppers[0].endswith("Bot") else len(inner), ("", laminate))
    rows: list[tuple[str, dict[str, object]]] = [
        ("Legend,Top", {**legend, "Name": "legend, top"}),
        ("Soldermask,Top", {**mask, "Name": "solder mask, top"}),
        *inner,
        ("Soldermask,Bot", {**mask, "Name": "solder mask, bottom"}),
        ("Legend,Bot", {**legend, "Name": "legend, bottom"}),
    ]
    return [row for function, row in rows if not function or function in functions]
