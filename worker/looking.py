"""What a page shows of a conversion before or after it: pictures to look at closely, and the answer that explains them.

A job is deterministic, so the same artwork, profile and settings give its pictures again, without layers and files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, BinaryIO

from worker.board_file import read_board_file
from worker.circuit_archive import circuit_of
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.grid import size_of
from worker.engine.artwork.picture import Artwork, WantedSize
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.palette.shared import SharedPalette, read_palette
from worker.engine.palette.tables import DraftTables, TableStore
from worker.engine.pipeline import Conversion, Progress, StageClock, judge, part_artwork, place_artwork
from worker.engine.report.look_pictures import LookPictures, look_pictures
from worker.engine.separation.continuity import Coherence, read_previous
from worker.fab_profile import FabProfile
from worker.job import ARTWORK, BOARD_FILE, BOTTOM, PALETTE_FILE, PLAN_FILE, PREVIOUS_FILE
from worker.job_settings import DRAFT_PITCH_UM, Settings, length_mm, read_settings

if TYPE_CHECKING:
    from worker.engine.circuit.circuit import Circuit

_CIRCUIT_UM = 100.0
"""Beside a circuit no coarser: its pads and clearances would be lost between the pixels."""


def look(
    fab: FabProfile,
    inputs: Mapping[str, BinaryIO],
    asked: Mapping[str, Any],
    *,
    tables: TableStore,
    threads: int,
    progress: Progress,
) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Pictures by name, and the answer. A draft's are fewer: not those of what the eye sees.

    Parameters
    ----------
    inputs : artwork, and the further files of a conversion where there are. asked : `settings` as written; `names` of
        the artworks; `side`; `longest_px`, where a coarser grid is enough, else None; `viewing_distance`, where another
        than the settings' is wanted, else None.

    Raises
    ------
    ArtworkError, FabProfileError, SettingsError, OverrideError, BoardError, CircuitError,
    ImpossiblePlaceError
    """
    given = dict(asked["settings"])
    series = {name: given.pop(name, None) for name in ("frame", "still", "milliseconds")}
    settings = read_settings(given)
    settings = replace(settings, fabrication=False)
    if asked.get("viewing_distance"):
        distance = length_mm("viewing_distance", asked["viewing_distance"])
        settings = replace(settings, viewing_distance_mm=distance)
    board_file = None
    if BOARD_FILE in inputs:
        board_file = read_board_file(inputs[BOARD_FILE].read(), file_name=BOARD_FILE)
    longest_px = asked.get("longest_px")
    store: TableStore = tables if longest_px is None else DraftTables(tables)
    side = asked["side"]
    names = asked["names"]
    palette, coherence = _shared(inputs, series["still"])
    shape, beside = None, None
    given_circuit = circuit_of(inputs, names)
    sent = inputs[ARTWORK].read()
    source: bytes | Artwork = sent
    if longest_px is not None and given_circuit is None:
        settings, source = _coarser(settings, sent, longest_px, name=names[ARTWORK])
    if given_circuit is not None:
        from worker.engine.circuit.beside import sides_beside
        from worker.engine.circuit.reading import read_circuit

        circuit = read_circuit(given_circuit.files, given_circuit.said.roles, name=given_circuit.name)
        settings = _coarser_beside(settings, circuit, longest_px)
        beside = sides_beside(given_circuit, fab, settings, [side], circuit=circuit, threads=threads)[side]
    elif side == BOTTOM:
        from worker.engine.fabrication.board import mirrored

        top = place_artwork(
            source,
            fab,
            settings,
            name=names[ARTWORK],
            board_file=board_file,
            coherence=coherence,
            threads=threads,
        )
        shape, coherence = mirrored(top.shape), None
    conversion = judge(
        part_artwork(
            inputs[BOTTOM].read() if side == BOTTOM else source,
            fab,
            settings,
            name=names[BOTTOM if side == BOTTOM else ARTWORK],
            side=side,
            board_file=board_file if shape is None else None,
            shape=shape,
            palette=palette,
            coherence=coherence,
            beside=beside,
            tables=store,
            threads=threads,
            clock=StageClock(progress),
        )
    )
    drawn = look_pictures(
        picture=conversion.picture,
        labels=conversion.separation.labels,
        cluster_of=conversion.cluster_of,
        colours=conversion.colours,
        background=conversion.colours.ids.index(conversion.background),
        hull=conversion.hull,
        score=conversion.score,
        as_seen=longest_px is None,
        threads=threads,
    )
    return drawn.files, _answer(conversion, drawn, side)


def _shared(inputs: Mapping[str, BinaryIO], still: Any) -> tuple[SharedPalette | None, Coherence | None]:
    """The palette of many artworks, or what a piece of a series follows, where there is one."""
    if PLAN_FILE in inputs:
        from worker.engine.series import read_plan

        plan = read_plan(inputs[PLAN_FILE].read())
        previous = read_previous(inputs[PREVIOUS_FILE].read()) if PREVIOUS_FILE in inputs else None
        return plan.palette, plan.coherence(previous, float(still))
    return (read_palette(inputs[PALETTE_FILE].read()) if PALETTE_FILE in inputs else None), None


def _coarser(settings: Settings, source: bytes, longest_px: int, *, name: str) -> tuple[Settings, bytes | Artwork]:
    """Settings whose pitch gives the board's longer side so many pixels, or the job's own where that is coarser.

    The artwork comes back decoded, but for a drawing, which is drawn for its grid. Raises ArtworkError, SettingsError.
    """
    size = WantedSize(width_mm=settings.width_mm, height_mm=settings.height_mm, pitch_um=settings.pitch_um)
    known_um = max(size.width_mm or 0.0, size.height_mm or 0.0) * 1000.0 / longest_px
    artwork = read_artwork(source, name=name, size=replace(size, pitch_um=max(size.pitch_um, known_um)))
    grid = size_of(artwork, size)
    wanted_um = max(grid.width_mm, grid.height_mm) * 1000.0 / longest_px
    settings = replace(settings, pitch_um=min(max(size.pitch_um, wanted_um), DRAFT_PITCH_UM))
    return settings, source if artwork.format == "SVG" else artwork


def _coarser_beside(settings: Settings, circuit: Circuit, longest_px: int | None) -> Settings:
    """The same by the board of a circuit; None: as they are."""
    if longest_px is None:
        return settings
    left, low, right, high = circuit.box_mm
    wanted_um = max(right - left, high - low) * 1000.0 / longest_px
    return replace(settings, pitch_um=max(settings.pitch_um, min(wanted_um, _CIRCUIT_UM)))


def _answer(conversion: Conversion, drawn: LookPictures, side: str) -> dict[str, Any]:
    report, fab, score = conversion.report, conversion.fab, conversion.score
    ids = [finish.id for finish in fab.finishes]
    height = conversion.picture.height_px
    pitch_mm = conversion.picture.pitch_um / 1000.0
    return {
        "side": side,
        "grid": report["grid"],
        "shown": {"step_px": drawn.step_px, "width_px": drawn.width_px, "height_px": drawn.height_px},
        "error_map": {
            "step_px": score.error_map_step_px,
            "width_px": score.error_map.shape[1],
            "height_px": score.error_map.shape[0],
        },
        "edges": report["edges"],
        "finishes": [
            {
                "id": finish.id,
                "name": finish.name,
                "texture": finish.texture,
                "colour": _hex(conversion.colours.lab[i]),
                "lab": [round(float(value), 4) for value in conversion.colours.lab[i]],
                "share": report["finishes"][i]["share"],
                "copper": finish.recipe.copper,
                "mask_opening": finish.recipe.mask_opening,
                "legend": finish.recipe.legend,
            }
            for i, finish in enumerate(fab.finishes)
        ],
        "clusters": report["clusters"],
        "score": report["score"],
        "worst": [
            {
                **place,
                "x_mm": round((place["x_px"] + 0.5) * pitch_mm, 3),
                "y_mm": round((height - place["y_px"] - 0.5) * pitch_mm, 3),
                "finish": ids[place["finish"]] if place["finish"] < len(ids) else None,
                "cluster": place["cluster"] if place["cluster"] < len(report["clusters"]) else None,
            }
            for place in drawn.worst
        ],
        "cautions": report["cautions"],
        "warnings": report["warnings"],
    }


def _hex(lab: Any) -> str:
    red, green, blue = lab_to_srgb(lab)
    return f"#{red:02X}{green:02X}{blue:02X}"
