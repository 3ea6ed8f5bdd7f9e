"""What may be sent to edit a fab, or to try an edit, as JSON."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from service.answers import EXAMPLE_ID, EXAMPLE_REVISION

Triple = tuple[float, float, float]


class SpectrumBody(BaseModel):
    """Reflectance factors, 1 for a perfect diffuser: `values[i]` holds at `start_nm + i * step_nm`."""

    model_config = ConfigDict(extra="allow")

    start_nm: float = Field(examples=[400])
    step_nm: float = Field(examples=[10])
    values: list[float] = Field(examples=[[0.04] * 31])


class ReadingBody(BaseModel):
    """One reading, with a profile's keys: one of `spectrum`, `xyz` and `lab`, and the conditions it holds under."""

    model_config = ConfigDict(extra="allow")  # the profile's own reader says what is wrong with a key

    spectrum: SpectrumBody | None = Field(default=None, examples=[None])
    xyz: Triple | None = Field(default=None, examples=[None], description="Y of the white at 100")
    lab: Triple | None = Field(default=None, examples=[[76.0, 5.0, 33.0]])
    illuminant: str | None = Field(default=None, examples=["D50"], description="not for a spectrum")
    observer: str | None = Field(default=None, examples=["2"], description="2 or 10; not for a spectrum")
    geometry: str | None = Field(default=None, examples=["45:0"])
    origin: str | None = Field(default=None, examples=["measured"])
    uncertainty: float | None = Field(default=None, examples=[1.2], description="95th percentile, CIEDE2000")
    instrument: str | None = Field(default=None, examples=["hand-held, 10 nm"])
    date: str | None = Field(default=None, examples=["2026-01-31"])
    batch: str | None = Field(default=None, examples=["order 7"])
    coupon: str | None = Field(default=None, examples=["coupon 3"])
    source: str | None = Field(default=None, examples=["turned by 90 degrees"])


class NewReading(BaseModel):
    """A reading to add, and who adds it."""

    model_config = ConfigDict(extra="forbid")

    reading: ReadingBody
    by: str = Field(default="", examples=["Ada"])


class OverrideBody(BaseModel):
    """A reference to set by hand: CIELAB under its illuminant and observer, who sets it and why."""

    model_config = ConfigDict(extra="forbid")

    lab: Triple = Field(examples=[[74.0, 6.0, 35.0]])
    illuminant: str = Field(examples=["D65"])
    observer: str = Field(examples=["2"])
    by: str = Field(default="", examples=["Ada"])
    date: str = Field(default="", examples=["2026-01-31"], description="today, where it is left out")
    note: str = Field(default="", examples=["warmer than the coupon"])


class RestoreBody(BaseModel):
    """The revision to go back to, and who goes back."""

    model_config = ConfigDict(extra="forbid")

    revision: str = Field(examples=[EXAMPLE_REVISION])
    by: str = Field(default="", examples=["Ada"])


class FinishEdit(BaseModel):
    """What to try on one finish: a reading more, or another reference."""

    model_config = ConfigDict(extra="forbid")

    finish: str = Field(examples=["gold"])
    reading: ReadingBody | None = Field(default=None, examples=[None])
    lab: Triple | None = Field(default=None, examples=[[74.0, 6.0, 35.0]])
    illuminant: str | None = Field(default=None, examples=["D65"], description="of `lab`")
    observer: str | None = Field(default=None, examples=["2"], description="of `lab`")


class PreviewBody(BaseModel):
    """A finished job, and what to try: edits of finishes, or a whole profile as TOML. Nothing of it is saved."""

    model_config = ConfigDict(extra="forbid")

    job: str = Field(examples=[EXAMPLE_ID])
    side: Literal["top", "bottom"] = Field(default="top", examples=["bottom"], description="of a job with two artworks")
    edits: list[FinishEdit] = Field(default=[], max_length=64)
    toml: str | None = Field(default=None, examples=[None], description="in place of `edits`")
    revision: str | None = Field(
        default=None, examples=[EXAMPLE_REVISION], description="what the edits start from: the current one if left out"
    )


def given(body: BaseModel) -> dict[str, Any]:
    """What was sent, as a table of a profile would hold it."""
    return body.model_dump(mode="json", exclude_unset=True, exclude_none=True)
