"""What the service answers of a plan, as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, Field

from service.answers import EXAMPLE_ID

_FILES = f"/v1/jobs/{EXAMPLE_ID}/files"


class PlanFiles(BaseModel):
    """The plan's files: the page with all of it, all boards on one picture, the artwork, and the artwork in colours
    that the best board has; of an SVG as a drawing, too."""

    page: str = Field(examples=[f"{_FILES}/plan.html"])
    boards: str = Field(examples=[f"{_FILES}/boards.png"])
    artwork: str = Field(examples=[f"{_FILES}/artwork.png"])
    recoloured: str = Field(examples=[f"{_FILES}/recoloured.png"])
    recoloured_svg: str | None = Field(examples=[None])


class PlannedBoard(BaseModel):
    """What one fab's board would show. Boards of one `place` can't be told apart by what is known of their finishes."""

    place: int = Field(examples=[1])
    fab: dict[str, Any] = Field(examples=[{"id": "nocturne-gold", "plating": "ENIG", "solder_mask": "clear, gloss"}])
    edges: str = Field(examples=["threshold"])
    edges_reason: str = Field(examples=["flat art keeps its edges in hard regions"])
    expected_s_cielab: dict[str, float] = Field(examples=[{"mean": 5.03, "p95": 8.07}])
    uncertainty: float = Field(examples=[2.7], description="what the mean may be off by in 95 of 100 cases")
    behind_best: dict[str, Any] = Field(examples=[{"mean": 0.0, "uncertainty": 0.0, "as_good_as_best": True}])
    out_of_reach: dict[str, float] = Field(
        examples=[{"of_finishes": 0.04, "of_mixtures": 0.01}],
        description="share of the artwork's colours farther than 10 CIEDE2000 from every finish, or mixture of them",
    )
    finishes: dict[str, Any] = Field(
        examples=[{"areas": {"gold": 0.2}, "needed": 3, "best_by_number": [{"finishes": ["mask"]}]}],
        description="how much each covers, and the error with the best one, two, three; `needed` is the curve's knee",
    )
    too_thin: list[dict[str, Any]] = Field(
        examples=[[{"finish": "gold", "limit_mm": 0.15, "thinnest_mm": 0.09, "places": 2, "saved_at_times": 1.7}]]
    )
    picture: str = Field(examples=[f"{_FILES}/boards/nocturne-gold.png"])


class PlanAdvice(BaseModel):
    """Something to change in the artwork for the best board."""

    kind: str = Field(examples=["merging"], description="merging, banding or thin")
    text: str = Field(examples=["Gradients become steps along some 15 mm."])
    picture: str = Field(examples=[f"{_FILES}/advice/1-banding.png"])


class PlanAnswer(BaseModel):
    """Fabs ranked for an artwork. The files are kept for an hour: ask again then."""

    job: str = Field(examples=[EXAMPLE_ID], description="whose files the pictures are; of the kind `plan`")
    artwork: dict[str, Any] = Field(
        examples=[{"name": "badge.png", "format": "PNG", "width_mm": 60.0, "height_mm": 40.0}]
    )
    viewing_distance_mm: float = Field(examples=[300.0])
    out_of_reach_ciede2000: float = Field(examples=[10.0])
    settings: dict[str, Any] = Field(examples=[{"width": "60mm", "edges": "auto"}])
    boards: list[PlannedBoard]
    advice: list[PlanAdvice]
    warnings: list[str] = Field(examples=[[]])
    files: PlanFiles


def plan_answer(job_id: str, answer: Mapping[str, Any]) -> PlanAnswer:
    """An answer of a worker, as the service shows it."""
    base = f"/v1/jobs/{job_id}/files"
    told = dict(answer)
    told["boards"] = [{**one, "picture": f"{base}/boards/{one['fab']['id']}.png"} for one in told["boards"]]
    told["advice"] = [{**one, "picture": f"{base}/{one['picture']}"} for one in told["advice"]]
    files = PlanFiles(
        page=f"{base}/plan.html",
        boards=f"{base}/boards.png",
        artwork=f"{base}/artwork.png",
        recoloured=f"{base}/recoloured.png",
        recoloured_svg=f"{base}/recoloured.svg" if told["artwork"]["format"] == "SVG" else None,
    )
    return PlanAnswer(job=job_id, files=files, **told)
