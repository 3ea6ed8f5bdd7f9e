"""What the service answers of a closer look and of a draft, as JSON."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, Field

from service.answers import EXAMPLE_ID

_FILES = f"/v1/jobs/{EXAMPLE_ID}/files"


class ShownAnswer(BaseModel):
    """The grid of a picture: each pixel of it is `step_px` pixels of the board's grid wide."""

    step_px: int = Field(examples=[1])
    width_px: int = Field(examples=[3000])
    height_px: int = Field(examples=[2000])


class ShownFinish(BaseModel):
    """A finish as the pictures show it. `copper`, `mask_opening`, `legend`: what the fab puts there."""

    id: str = Field(examples=["gold"])
    name: str = Field(examples=["gold plating"])
    texture: str = Field(examples=["metallic"])
    colour: str = Field(examples=["#CBB37A"])
    lab: tuple[float, float, float] = Field(examples=[[75.1, 5.4, 33.8]])
    share: float = Field(examples=[0.21])
    copper: str = Field(examples=["solid"])
    mask_opening: bool = Field(examples=[True])
    legend: bool = Field(examples=[False])


class WorstAnswer(BaseModel):
    """A place of high error: in pixels of the grid from the upper left, in mm from the lower left corner."""

    x_px: int = Field(examples=[1520])
    y_px: int = Field(examples=[412])
    x_mm: float = Field(examples=[30.41])
    y_mm: float = Field(examples=[31.75])
    delta_e: float = Field(examples=[24.1])
    finish: str | None = Field(examples=["legend"])
    cluster: int | None = Field(examples=[2])


class PictureLinks(BaseModel):
    """The pictures, PNG.

    artwork, board, clusters (grey: a cluster's id) are on the grid `shown`; board is indexed by finish, 255 off the
    board. error (grey: 239ths of 20 CIEDE2000, 251 off the board), eye_artwork and eye_board, both as the eye's
    channels pass them at the viewing distance, are on the grid `error_map`; a draft has none of these two.
    """

    artwork: str = Field(examples=[f"{_FILES}/artwork.png"])
    board: str = Field(examples=[f"{_FILES}/board.png"])
    clusters: str = Field(examples=[f"{_FILES}/clusters.png"])
    error: str = Field(examples=[f"{_FILES}/error.png"])
    eye_artwork: str | None = Field(examples=[f"{_FILES}/eye-artwork.png"])
    eye_board: str | None = Field(examples=[f"{_FILES}/eye-board.png"])


class LookAnswer(BaseModel):
    """What there is to look at. The pictures are kept for an hour: ask again then."""

    job: str = Field(examples=[EXAMPLE_ID], description="whose files the pictures are; of the kind `look`")
    side: Literal["top", "bottom"] = Field(examples=["top"])
    grid: dict[str, Any] = Field(examples=[{"pitch_um": 20.0, "width_px": 3000, "height_px": 2000}])
    shown: ShownAnswer
    error_map: ShownAnswer
    edges: dict[str, Any] = Field(examples=[{"route": "threshold", "reason": "The artwork is flat.", "cell_um": 20.0}])
    finishes: list[ShownFinish]
    clusters: list[dict[str, Any]] = Field(
        examples=[[{"id": 0, "colour": "#C8A050", "finish": "gold", "second_finish": "legend", "margin": 3.2}]],
        description="as in report.json",
    )
    score: dict[str, Any] = Field(examples=[{"viewing_distance_mm": 300, "s_cielab": {"mean": 4.2}}])
    worst: list[WorstAnswer]
    cautions: list[dict[str, Any]] = Field(examples=[[]])
    warnings: list[Any] = Field(examples=[[]])
    pictures: PictureLinks


def look_answer(job_id: str, answer: Any, *, draft: bool) -> LookAnswer:
    """An answer of a worker, as the service shows it."""
    base = f"/v1/jobs/{job_id}/files"
    pictures = {
        name: None if draft and name.startswith("eye_") else f"{base}/{name.replace('_', '-')}.png"
        for name in PictureLinks.model_fields
    }
    return LookAnswer(job=job_id, pictures=PictureLinks.model_validate(pictures), **answer)
