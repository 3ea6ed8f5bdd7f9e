"""The test coupon of a fab, as a folder: its masks, its patch map, what is where, and its fabrication files."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from worker.fab_profile import FabProfile
from worker.result_folder import write_new_folder

if TYPE_CHECKING:
    from worker.engine.fabrication.coupon import Coupon

DEFAULT_PITCH = "12.5um"


def write_coupon(fab: FabProfile, out: Path, *, pitch_um: float, threads: int = 1) -> Coupon:
    """Lay out the coupon of a fab and write it into the new folder `out`, which appears once it is whole.

    Raises
    ------
    CouponError, ProofError
        It can't be laid out for this profile and pitch; its files don't read back as they should.
    ConflictError, StorageError
        `out` exists, or can't be written.
    """
    from worker.engine.fabrication.coupon import lay_out_coupon
    from worker.engine.palette.finish_colours import finish_colours

    lab = finish_colours(fab).lab
    coupon = lay_out_coupon(fab, lab, pitch_um=pitch_um)
    write_new_folder(out, coupon_files(coupon, threads=threads))
    return coupon


def coupon_files(coupon: Coupon, *, threads: int = 1) -> Iterator[tuple[str, bytes]]:
    """Path and bytes of every file of a coupon."""
    from worker.engine.fabrication.coupon_record import coupon_notes, coupon_record
    from worker.engine.palette.finish_colours import finish_colours
    from worker.engine.report.coupon_package import coupon_package
    from worker.engine.report.pictures import label_colours, labels_png, mask_png
    from worker.patch_map import write_patch_map

    lab = finish_colours(coupon.fab).lab
    colours = label_colours(lab)
    for index, finish in enumerate(coupon.fab.finishes):
        yield f"masks/{finish.id}.png", mask_png(coupon.labels, index, coupon.pitch_um)
    board = labels_png(coupon.labels, colours, coupon.pitch_um)
    yield "labels.png", board
    yield "preview.png", board
    if coupon.far_copper is not None:
        yield "far_copper.png", mask_png(coupon.far_copper.view("uint8"), 1, coupon.pitch_um)
    yield "patch_map.json", write_patch_map(coupon.patch_map)
    yield "coupon.json", (json.dumps(coupon_record(coupon), indent=1, ensure_ascii=False) + "\n").encode()
    yield "how_to_use.txt", coupon_notes(coupon).encode()
    for name, data in coupon_package(coupon, lab, threads=threads):
        yield f"fabrication/{name}", data
