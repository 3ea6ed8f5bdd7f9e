"""Whether the pads of plated holes have room: they are drawn whole wherever they stand, so what is too near is said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from shapely.geometry import LineString, Polygon

from worker.engine.fabrication.board import Score
from worker.engine.fabrication.board_checks import BoardFinding, FindingKind, Opening, finding
from worker.fab_profile import FabProfile

_ROUNDING_MM = 1e-6


def pad_findings(
    outline: Polygon,
    plated: Sequence[Opening],
    others: Sequence[Opening],
    scores: Sequence[tuple[str, Score]],
    fab: FabProfile,
) -> list[BoardFinding]:
    """Pads that are too near to each other, to an edge, or to a score, for the fab's limits.

    others : cut-outs and bare holes, which are edges too.
    """
    limits = _Limits(fab)
    findings: list[BoardFinding] = []
    for i, hole in enumerate(plated):
        for other in plated[i + 1 :]:
            findings += limits.between(other, hole)
        findings += limits.at_edge(hole, "the board's edge", float(hole.polygon.distance(outline.exterior)))
        for edge in others:
            findings += limits.at_edge(hole, edge.name, float(hole.polygon.distance(edge.polygon)))
        for name, score in scores:
            findings += limits.at_score(hole, name, float(hole.polygon.distance(_line(outline, score))))
    return findings


def _line(outline: Polygon, score: Score) -> LineString:
    left, low, right, high = outline.bounds
    at = score.at_mm
    return LineString([(at, low), (at, high)] if score.upright else [(left, at), (right, at)])


class _Limits:
    """How far from a plated hole's wall its pad reaches, and what a profile wants beside it, in mm."""

    def __init__(self, fab: FabProfile) -> None:
        def limit(section: str, key: str) -> float:
            return fab.limits[section, key].value_mm

        self.ring = limit("copper", "ring_mm")
        self.opening = self.ring + limit("solder_mask", "registration_mm")
        self.gap, self.web = limit("copper", "gap_mm"), limit("solder_mask", "web_mm")
        self.routed, self.mask = limit("edge", "routed_mm"), limit("edge", "mask_mm")
        self.scored = limit("edge", "scored_mm")

    def between(self, hole: Opening, other: Opening) -> Iterator[BoardFinding]:
        """Two pads that leave too little between them."""
        distance = float(hole.polygon.distance(other.polygon))
        copper, mask = distance - 2.0 * self.ring, distance - 2.0 * self.opening
        short = max(self.gap - copper, self.web - mask)
        if short <= _ROUNDING_MM:
            return
        limit = ("copper.gap_mm", copper, self.gap)
        if self.web - mask >= self.gap - copper:
            limit = ("solder_mask.web_mm", mask, self.web)
        if copper <= _ROUNDING_MM:
            said = f"has its ring of copper meet that of {other.name}, which connects the two holes"
        elif mask <= _ROUNDING_MM:
            said = f"has no mask between its pad and that of {other.name}, {copper:.3g} mm away"
        else:
            said = f"leaves {mask:.3g} mm of mask, and {copper:.3g} mm without copper, to the pad of {other.name}"
        text = f"{said}; the fab wants {self.web:g} mm of mask and {self.gap:g} mm without copper"
        yield _finding(hole, "close pads", text, f"Move them {_more(short)} mm farther apart", limit)

    def at_edge(self, hole: Opening, edge: str, distance: float) -> Iterator[BoardFinding]:
        """A pad whose copper or opening is too near to an edge."""
        copper, opening = distance - self.ring, distance - self.opening
        short = max(self.routed - copper, self.mask - opening if self.mask else 0.0)
        if short <= _ROUNDING_MM:
            return
        limit = ("edge.routed_mm", copper, self.routed)
        if self.routed - copper < short:
            limit = ("edge.mask_mm", opening, self.mask)
        said = f"has its ring of copper cut off by {edge}"
        if copper > 0.0:
            said = f"has its ring of copper {copper:.3g} mm from {edge}, and its opening {max(0.0, opening):.3g} mm"
        text = f"{said}; the fab wants {self.routed:g} and {self.mask:g} mm"
        yield _finding(hole, "pad at edge", text, f"Move it {_more(short)} mm away from there", limit)

    def at_score(self, hole: Opening, score: str, distance: float) -> Iterator[BoardFinding]:
        """A pad that is too near to a score, or on it."""
        left = distance - self.opening
        if self.scored - left <= _ROUNDING_MM:
            return
        text = f"has its pad {max(0.0, left):.3g} mm from {score}, and the fab wants {self.scored:g} mm"
        mend = f"Move it {_more(self.scored - left)} mm away from there"
        yield _finding(hole, "pad at edge", text, mend, ("edge.scored_mm", left, self.scored))


def _more(short_mm: float) -> str:
    """A distance that mends it, rounded up to hundredths."""
    return f"{-(-(short_mm - _ROUNDING_MM) // 0.01) * 0.01:.2f}"


def _finding(hole: Opening, kind: FindingKind, text: str, mend: str, limit: tuple[str, float, float]) -> BoardFinding:
    key, size, least = limit
    return finding(hole, kind, f"{text}. {mend}, or give plated = false", (max(0.0, size), least, key))
