"""A coupon's fabrication files: its layers as laid out, with nothing repaired, proved and packed as any board's are.

Much on a coupon is finer than the fab's limits, on purpose; only the distances from the edge are kept. So its sheet
asks for other things than a board's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

import worker
from worker.engine.arrays import Lab
from worker.engine.fabrication.board import BoardShape, mirrored, plain_rectangle
from worker.engine.fabrication.coupon import Coupon
from worker.engine.fabrication.edge_keep_out import edge_keep_out
from worker.engine.fabrication.file_attributes import Project, project_guid
from worker.engine.fabrication.layer_files import SideName, layer_files, traced_sides
from worker.engine.fabrication.planes import BOARD, COPPER, LayerPlanes, planes_of
from worker.engine.fabrication.proving import prove_files
from worker.engine.fabrication.read_back import ReadBack
from worker.engine.report.cautions import cautions_for
from worker.engine.report.order_facts import (
    LEFT_BESIDE,
    ORDER_SHEET,
    WIDE,
    caution_lines,
    check_sums,
    file_facts,
    numbered,
    order_facts,
    origin_text,
    section,
    wrapped,
)
from worker.engine.report.package import package_name, pictures_of
from worker.job_settings import Settings
from worker.zip_archive import zipped

SQUARE_DEGREES = 90.0

PLEASE = (
    "Do not remove, widen, clip, merge or fill what is below a limit of yours: what becomes of it is the question.",
    "Do not enlarge or shrink mask openings against the copper, and do not clip the legend.",
    "Do not mirror, scale, turn or move single layers: shifts between layers are read from this board.",
    "Do not add balancing copper, a logo, a date code or an order number on either side; the rail is free.",
)


def coupon_package(coupon: Coupon, lab: Lab, *, threads: int = 1) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of every fabrication file, as they lie beside the coupon's masks, and a ZIP of what a fab needs.

    `lab` : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes. Raises ProofError.
    """
    shape = plain_rectangle(coupon.labels.shape[0], coupon.labels.shape[1], coupon.pitch_um)
    project = _project(coupon)
    planes = coupon_planes(coupon, shape, threads=threads)
    traced = traced_sides(planes, coupon.fab, threads=threads)
    files = dict(layer_files(traced, shape, coupon.fab, project))
    proof = prove_files(files, traced, shape, coupon.fab, lab, threads=threads)
    pictures = pictures_of(proof)
    inside = {name: data for name, data in files.items() if name not in LEFT_BESIDE} | pictures
    sheet = _sheet(coupon, shape, planes, inside, project, proof).encode("utf-8")
    yield from files.items()
    yield ORDER_SHEET, sheet
    yield from pictures.items()
    yield package_name(project), zipped({ORDER_SHEET: sheet, **inside})


def coupon_planes(coupon: Coupon, shape: BoardShape, *, threads: int = 1) -> dict[SideName, LayerPlanes]:
    """The layers of each side, seen from outside it: the far side has mask all over, and copper below its patches."""
    top = planes_of(coupon.labels, coupon.fab, pitch_um=coupon.pitch_um)
    planes: dict[SideName, LayerPlanes] = {"top": edge_keep_out(shape, top, coupon.fab, threads=threads)}
    if coupon.far_copper is not None:
        stack = np.where(coupon.far_copper[:, ::-1], np.uint8(BOARD | COPPER), np.uint8(BOARD))
        below = LayerPlanes(stack=np.ascontiguousarray(stack), pitch_um=coupon.pitch_um)
        planes["bottom"] = edge_keep_out(mirrored(shape), below, coupon.fab, threads=threads)
    return planes


def _project(coupon: Coupon) -> Project:
    fab = coupon.fab
    return Project(
        name=f"coupon-{fab.id}",
        guid=project_guid(b"coupon", fab.toml, f"{coupon.pitch_um:g}".encode()),
        revision=fab.revision,
        version=worker.__version__,
        part="Coupon",
    )


def _sheet(
    coupon: Coupon,
    shape: BoardShape,
    planes: Mapping[SideName, LayerPlanes],
    files: Mapping[str, bytes],
    project: Project,
    proof: ReadBack,
) -> str:
    fab = coupon.fab
    title = f"READ ME FIRST - test coupon of {fab.name}"
    cautions = [caution.text for caution in cautions_for(fab, Settings(), sharpest_degrees=SQUARE_DEGREES)]
    solid = fab.limits["legend", "solid_area_mm2"].value if ("legend", "solid_area_mm2") in fab.limits else None
    known = [
        "Lines, gaps, dots, holes in the mask and hatches run from half of your limits to three times each.",
        "Some finishes stand side by side that your limits keep apart, to see what their border becomes.",
        "Copper parts with no net, and solder mask openings over bare laminate, are what is looked at.",
        *([f"Legend is solid over whole patches, more than your {solid:g} mm2: please print it."] if solid else []),
    ]
    lines = [
        title,
        "=" * min(WIDE, len(title)),
        "",
        *wrapped(
            "This is a test board with no circuit. It shows each surface that you can make, and what becomes of lines "
            "and gaps near your limits. Please make it as drawn: our next orders follow what is read from it."
        ),
        *section("What to order", order_facts(fab, shape, planes)),
        *section("Please leave as drawn", numbered(PLEASE)),
        *section("Known to you, left on purpose", [line for text in known for line in wrapped(text, "- ", "  ")]),
        *section("Files", list(file_facts(files))),
        *section("Proof", wrapped(proof.text())),
        *section("Cautions", caution_lines(cautions)),
        *section("Check sums (SHA-256)", list(check_sums(files))),
        "",
        *wrapped(origin_text(fab, project)),
    ]
    return "\r\n".join(lines) + "\r\n"
