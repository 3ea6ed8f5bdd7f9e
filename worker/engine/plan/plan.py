"""The plan of an artwork: every fab's board ranked by what the eye would see of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np

from worker.engine.arrays import Labels
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.picture import GridPicture, WantedSize
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.plan.advice import Advice, advise
from worker.engine.plan.outlook import OUT_OF_REACH, Outlook, drawn_labels, outlook
from worker.engine.plan.pictures import plan_sheet, preview_png
from worker.engine.plan.planned_artwork import PlannedArtwork, grid_for, planned
from worker.engine.plan.ranking import Ranked, rank
from worker.engine.plan.recolouring import png, recoloured_picture, recoloured_svg
from worker.engine.references.findings import fab_findings
from worker.engine.references.reference import FinishReference
from worker.engine.threads import run_all
from worker.errors import SettingsError
from worker.fab_profile import FabProfile
from worker.job_settings import Settings

MOST_FABS = 200
_SVG_PX = 2000
_ADVICE_PX = 1200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """What each fab's board would show, the best first.

    artwork : on the ground of the best board. advice : what to change in the artwork for that board. labels : uint8,
    the finishes that were looked at of it, as `drawn_labels` gives them, in these `colours`. svg : the artwork's own
    file, where it is one.
    """

    name: str
    format: str
    sha256: str
    picture: GridPicture
    artwork: PlannedArtwork
    ranked: tuple[Ranked, ...]
    viewing_distance_mm: float
    warnings: tuple[str, ...]
    advice: tuple[Advice, ...]
    labels: Labels
    colours: FinishColours
    svg: bytes | None

    def record(self) -> dict[str, Any]:
        """The plan as plain values, for JSON."""
        return {
            "artwork": {
                "name": self.name,
                "format": self.format,
                "sha256": self.sha256,
                "width_mm": round(self.picture.width_mm, 3),
                "height_mm": round(self.picture.height_mm, 3),
                "looked_at_pitch_um": round(self.picture.pitch_um, 2),
                "kind": "flat" if self.picture.flat else "photo-like",
            },
            "viewing_distance_mm": self.viewing_distance_mm,
            "out_of_reach_ciede2000": OUT_OF_REACH,
            "boards": [_board(one) for one in self.ranked],
            "advice": [
                {"kind": one.kind, "text": one.text, "picture": f"advice/{number}-{one.kind}.png"}
                for number, one in enumerate(self.advice, 1)
            ],
            "warnings": list(self.warnings),
        }

    def files(self) -> Iterator[tuple[str, bytes]]:
        """Name and bytes of the pictures: all boards on one, each by itself, advice, and the artwork recoloured."""
        previews = [preview_png(one.outlook.shown) for one in self.ranked]
        artwork = preview_png(self.artwork.blocks)
        yield "boards.png", plan_sheet(artwork, self.ranked, previews)
        yield "artwork.png", artwork
        for one, preview in zip(self.ranked, previews, strict=True):
            yield f"boards/{one.outlook.fab.id}.png", preview
        for number, advice in enumerate(self.advice, 1):
            yield f"advice/{number}-{advice.kind}.png", png(advice.picture(self.artwork.srgb), largest_px=_ADVICE_PX)
        mixed = self.ranked[0].outlook.edges == "dither"
        yield "recoloured.png", png(recoloured_picture(self.artwork.srgb, self.labels, self.colours, mixed=mixed))
        if self.svg is not None:
            yield "recoloured.svg", recoloured_svg(self.svg, self.colours, name=self.name)


def plan_artwork(
    source: BinaryIO | bytes,
    fabs: Sequence[FabProfile],
    settings: Settings,
    *,
    name: str = "artwork",
    threads: int = 1,
) -> Plan:
    """Rank fabs by the error that the eye is expected to see.

    Of the settings, size, viewing distance, edges and conditions count. Each board is estimated on a grid of at most
    4 million pixels, by the routes that a job takes, before limits are repaired.

    Raises
    ------
    ArtworkError, FabProfileError, SettingsError
    """
    _check(fabs)
    longest = max(settings.width_mm or 0.0, settings.height_mm or 0.0)
    pitch_um = max(settings.pitch_um, longest * 1000.0 / _SVG_PX)
    size = WantedSize(width_mm=settings.width_mm, height_mm=settings.height_mm, pitch_um=pitch_um)
    data = source if isinstance(source, bytes) else source.read()
    artwork = read_artwork(data, name=name, size=size)
    smallest_um = 1000.0 * min(finish.smallest_feature_mm for fab in fabs for finish in fab.finishes)
    picture = grid_for(artwork, settings, smallest_um, threads=threads)
    references = [tuple(fab_findings(fab, settings.viewing_conditions).references) for fab in fabs]
    grounds = [_ground(picture, fab, known) for fab, known in zip(fabs, references, strict=True)]
    outlooks: dict[int, Outlook] = {}
    ready: PlannedArtwork | None = None
    for ground in dict.fromkeys(grounds):  # one at a time: a ready artwork takes some hundred MB
        ready = _ready(picture, ground, settings, threads)
        these = [place for place, one in enumerate(grounds) if one == ground]
        _look_ahead(ready, these, fabs, references, settings, outlooks, threads)
    ranked = rank([outlooks[place] for place in range(len(fabs))])
    best = ranked[0].outlook
    place = [fab.id for fab in fabs].index(best.fab.id)
    if ready is None or grounds[place] != grounds[-1]:
        ready = _ready(picture, grounds[place], settings, threads)
    labels, colours = drawn_labels(ready, best, references[place], threads=threads)
    return Plan(
        name=name,
        format=artwork.format,
        sha256=artwork.sha256,
        picture=picture,
        artwork=ready,
        ranked=ranked,
        viewing_distance_mm=settings.viewing_distance_mm,
        warnings=(*artwork.warnings, *picture.warnings),
        advice=advise(ready, best, labels, colours, threads=threads),
        labels=labels,
        colours=colours,
        svg=data if artwork.format == "SVG" else None,
    )


def _check(fabs: Sequence[FabProfile]) -> None:
    if not 1 <= len(fabs) <= MOST_FABS:
        raise SettingsError(f"There are {len(fabs)} fab profiles to plan for.", mend=f"Name 1 to {MOST_FABS}.")
    seen: set[str] = set()
    for fab in fabs:
        if fab.id in seen:
            raise SettingsError(f"Two fab profiles have the id {fab.id}.", mend="Give each profile an id of its own.")
        seen.add(fab.id)


def _ground(picture: GridPicture, fab: FabProfile, references: Sequence[FinishReference]) -> tuple[int, ...]:
    """The colour of a fab's ground, encoded sRGB; () where nothing of it is seen, which is the same on all."""
    if picture.alpha is None:
        return ()
    lab = references[[finish.id for finish in fab.finishes].index(fab.background)].lab
    return tuple(int(value) for value in lab_to_srgb(lab))


def _ready(picture: GridPicture, ground: tuple[int, ...], settings: Settings, threads: int) -> PlannedArtwork:
    colour = np.array(ground or (0, 0, 0), dtype=np.uint8)
    return planned(picture, colour, viewing_distance_mm=settings.viewing_distance_mm, threads=threads)


def _look_ahead(
    ready: PlannedArtwork,
    places: Sequence[int],
    fabs: Sequence[FabProfile],
    references: Sequence[tuple[FinishReference, ...]],
    settings: Settings,
    out: dict[int, Outlook],
    threads: int,
) -> None:
    """Add the outlooks of the fabs at these places: as many fabs at once as there are threads, each on one.

    Few fabs follow on one another instead, each on all threads.
    """
    each = 1 if len(places) >= threads else threads

    def look(place: int) -> None:
        out[place] = outlook(
            ready,
            fabs[place],
            references[place],
            edges=settings.edges,
            viewing_distance_mm=settings.viewing_distance_mm,
            threads=each,
        )

    run_all(look, [(place,) for place in places], 1 if each > 1 else threads)


def _board(one: Ranked) -> dict[str, Any]:
    board = one.outlook
    ids = [finish.id for finish in board.fab.finishes]
    return {
        "place": one.place,
        "fab": {
            "id": board.fab.id,
            "fab": board.fab.fab,
            "name": board.fab.name,
            "plating": board.fab.plating,
            "solder_mask": board.fab.stack_up["solder_mask"],
            "legend": board.fab.stack_up["legend"],
            "substrate": board.fab.stack_up["substrate"],
            "revision": board.fab.revision,
        },
        "edges": board.edges,
        "edges_reason": board.reason,
        "expected_s_cielab": {"mean": round(board.mean, 3), "p95": round(board.p95, 3)},
        "uncertainty": round(board.uncertainty, 3),
        "behind_best": {
            "mean": round(one.behind, 3),
            "uncertainty": round(one.behind_uncertainty, 3),
            "as_good_as_best": one.as_good_as_best,
        },
        "out_of_reach": {
            "of_finishes": round(board.beyond_finishes, 4),
            "of_mixtures": round(board.beyond_mixtures, 4),
        },
        "finishes": {
            "areas": {finish: round(area, 4) for finish, area in zip(ids, board.areas, strict=True)},
            "needed": board.knee,
            "best_by_number": [
                {"finishes": [ids[i] for i in chosen.finishes], "ciede2000_mean": round(chosen.mean, 3)}
                for chosen in board.sets
            ],
        },
        "too_thin": [
            {
                "finish": risk.finish,
                "limit_mm": risk.limit_mm,
                "places": risk.places,
                "area_mm2": round(risk.area_mm2, 3),
                "thinnest_mm": round(risk.thinnest_mm, 3),
                "saved_at_times": risk.saved_by,
                "largest_at_mm": [round(risk.x_mm, 2), round(risk.y_mm, 2)],
            }
            for risk in board.risks
        ],
    }
