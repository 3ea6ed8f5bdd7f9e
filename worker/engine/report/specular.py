"""The score and the preview with the finishes' mirror reflection and without, where both were read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from worker.engine.arrays import Labels, Srgb
from worker.engine.difference import ciede2000
from worker.engine.palette.finish_colours import FinishColours, colours_of
from worker.engine.palette.hull import Packed
from worker.engine.palette.values import count_values
from worker.engine.references.reference import FinishReference
from worker.engine.references.specular import SpecularPair, specular_pair
from worker.engine.report.pictures import label_colours, labels_png
from worker.engine.report.score import score_separation
from worker.engine.report.statistics import Statistics
from worker.fab_profile import FabProfile
from worker.reading import ViewingConditions

Look = Literal["included", "excluded"]
LOOKS: tuple[Look, Look] = ("included", "excluded")
SPECULAR_MEANING = (
    "Metal and gloss have no one colour. Included is the board where a lamp mirrors in every finish that was read both "
    "with the mirror reflection of its surface and without; excluded is the board where none does. A board in the hand "
    "lies between the two, and changes as it is turned."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpecularScores:
    """How a board scores with the mirror reflection of its finishes and without.

    pairs : by finish id, of the finishes in use that were read both ways. colours : of all finishes, for each look.
    ciede2000, s_cielab : for each look.
    """

    pairs: dict[str, SpecularPair]
    colours: dict[Look, FinishColours]
    ciede2000: dict[Look, Statistics]
    s_cielab: dict[Look, Statistics]

    def block(self) -> dict[str, Any]:
        """What report.json says of it."""
        return {
            "meaning": SPECULAR_MEANING,
            "finishes": [
                {
                    "finish": finish,
                    "delta_e": float(ciede2000(pair.included.lab, pair.excluded.lab)),
                    **{look: _reference(getattr(pair, look)) for look in LOOKS},
                }
                for finish, pair in self.pairs.items()
            ],
            **{
                look: {"ciede2000": asdict(self.ciede2000[look]), "s_cielab": asdict(self.s_cielab[look])}
                for look in LOOKS
            },
        }

    def previews(self, labels: Labels, pitch_um: float) -> dict[str, bytes]:
        """The board in the colours of each look, PNG bytes by name."""
        return {
            f"preview-specular-{look}.png": labels_png(labels, label_colours(self.colours[look].lab), pitch_um)
            for look in LOOKS
        }


def _reference(reference: FinishReference) -> dict[str, Any]:
    return {
        "geometry": reference.geometry,
        "grade": reference.grade,
        "lab": [float(value) for value in reference.lab],
        "uncertainty": float(reference.uncertainty),
    }


def score_specular(
    srgb: Srgb,
    labels: Labels,
    fab: FabProfile,
    references: Sequence[FinishReference],
    conditions: ViewingConditions,
    *,
    hull: Packed,
    pitch_um: float,
    viewing_distance_mm: float,
    threads: int = 1,
) -> SpecularScores | None:
    """Score a separation in both looks; None where no finish in use was read both ways.

    Parameters
    ----------
    srgb, labels, hull, pitch_um, viewing_distance_mm : as of `score_separation`.
    references : of each finish of `fab`, as used for scoring: what was read one way keeps it in both looks.
    """
    used = count_values(labels, threads=threads)
    found = {
        finish.id: pair
        for i, finish in enumerate(fab.finishes)
        if used[i] and (pair := specular_pair(finish, conditions)) is not None
    }
    if not found:
        return None
    colours = {
        look: colours_of([getattr(found[one.finish], look) if one.finish in found else one for one in references])
        for look in LOOKS
    }
    scores = {
        look: score_separation(
            srgb,
            labels,
            colours[look],
            hull=hull,
            pitch_um=pitch_um,
            viewing_distance_mm=viewing_distance_mm,
            threads=threads,
        )
        for look in LOOKS
    }
    return SpecularScores(
        pairs=found,
        colours=colours,
        ciede2000={look: scores[look].ciede2000 for look in LOOKS},
        s_cielab={look: scores[look].s_cielab for look in LOOKS},
    )
