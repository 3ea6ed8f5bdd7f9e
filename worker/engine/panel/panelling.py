"""From a panel file and its pieces to a panel's package: laid, cut, marked, written, proved, told."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import worker
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.fabrication.file_attributes import Project, project_guid
from worker.engine.fabrication.stack_colours import stack_lab
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.panel.checks import check_panel
from worker.engine.panel.cutting import cut_panel
from worker.engine.panel.laying import lay
from worker.engine.panel.marks import set_marks
from worker.engine.panel.panel_files import Panel, panel_files, steps_of
from worker.engine.panel.panel_picture import panel_picture
from worker.engine.panel.panel_proof import MOST_CORNERS, prove_panel
from worker.engine.panel.panel_report import panel_report
from worker.engine.panel.panel_sheet import panel_sheet
from worker.engine.panel.piece import FABRICATION, REPORT, Piece
from worker.engine.pipeline import json_file
from worker.engine.report.order_facts import ORDER_SHEET
from worker.engine.report.package import package_name
from worker.engine.report.png import encode_png
from worker.errors import PanelError
from worker.fab_profile import FabProfile
from worker.panel_file import PanelFile, PlannedPiece
from worker.zip_archive import zipped

PICTURE = "panel.png"
MAX_CORNERS = 60_000_000
"""Of all layers: a package of some gigabytes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadePanel:
    """A panel's result: its files by path, the report, and the panel as it was laid out."""

    files: Mapping[str, bytes]
    report: Mapping[str, Any]
    panel: Panel


def make_panel(
    panel_file: PanelFile,
    pieces: Sequence[tuple[PlannedPiece, Piece]],
    fab: FabProfile,
    *,
    most_corners: int = MOST_CORNERS,
    threads: int = 1,
    progress: Callable[[str, int, int], None] | None = None,
) -> MadePanel:
    """Make a panel of pieces that were made before.

    Parameters
    ----------
    pieces : in the order of the panel file, which is that of a series; each with the entry that names it.
    most_corners : how many of them the outside reader reads before it goes over to a sample.
    progress : called with "layers", "files" and "proof", 0, 1 when each begins.

    Raises
    ------
    PanelError
        It can't be laid out; names the entry and the mend.
    ProofError
        Its files, read back, don't show the pieces' layers.
    """
    begin = progress or (lambda stage, done, of: None)
    begin("layers", 0, 1)
    warnings = _check_alike(panel_file, pieces, fab)
    laid = lay(panel_file, pieces)
    cut = cut_panel(panel_file, laid, fab)
    used = list({id(one.piece): one.piece for one in laid.placed}.values())
    contents = [data for piece in used for data in piece.layers.values()]
    panel = Panel(
        file=panel_file,
        fab=fab,
        project=Project(
            name=panel_file.name,
            guid=project_guid(panel_file.sha256.encode(), fab.toml, *contents),
            revision=fab.revision,
            version=worker.__version__,
            part="Array",
        ),
        laid=laid,
        cut=cut,
        marks=set_marks(panel_file, laid, cut.frame, fab),
        steps=steps_of(used),
    )
    if panel.corners > MAX_CORNERS:
        raise PanelError(
            f"{panel_file.file_name}: the layers have {panel.corners:,} corners.",
            mend=f"Keep a panel below {MAX_CORNERS:,}: put fewer pieces on it.",
        )
    begin("files", 0, 1)
    files = dict(panel_files(panel))
    begin("proof", 0, 1)
    lab = finish_colours(fab).lab
    proof = prove_panel(panel, files, lab_to_srgb(stack_lab(fab, lab)), most_corners=most_corners, threads=threads)
    checks = check_panel(panel)
    looks = {
        f"looks-like-{side}.png": encode_png(picture, palette=None, bits=8, pixels_per_metre=None)
        for side, picture in proof.pictures.items()
    }
    picture = panel_picture(panel, proof.pictures["top"])
    inside = {**files, **looks, PICTURE: picture}
    sheet = panel_sheet(panel, checks, inside, proof).encode("utf-8")
    made = {ORDER_SHEET: sheet, **inside}
    report = panel_report(panel, checks, made, proof, warnings)
    out = {f"{FABRICATION}{name}": data for name, data in made.items() if name != PICTURE}
    out[f"{FABRICATION}{package_name(panel.project)}"] = zipped(made)
    out[PICTURE] = picture
    out[REPORT] = json_file(report)
    return MadePanel(files=out, report=report, panel=panel)


def _check_alike(panel_file: PanelFile, pieces: Sequence[tuple[PlannedPiece, Piece]], fab: FabProfile) -> list[str]:
    """One panel is one board: one stack-up. Other revisions of the profile are told of."""
    warnings = []
    for plan, piece in pieces:
        if piece.fab != fab.id:
            raise PanelError(
                f"{panel_file.file_name}: {plan.entry}: {piece.source} was made for fab profile {piece.fab}, and the "
                f"panel is for {fab.id}.",
                mend="A panel is one board of one stack-up: put pieces of one profile on it.",
            )
        if piece.sides != pieces[0][1].sides:
            raise PanelError(
                f"{panel_file.file_name}: {plan.entry}: {piece.source} has layers for {' and '.join(piece.sides)}, and "
                f"{pieces[0][1].source} for {' and '.join(pieces[0][1].sides)}.",
                mend="Convert both again for the profile as it is now.",
            )
        if piece.revision != fab.revision:
            warnings.append(
                f"{piece.source} was made with revision {piece.revision} of the fab profile, and the panel with "
                f"{fab.revision}: see that stack-up, plating and limits are the same."
            )
    return list(dict.fromkeys(warnings))
