"""What the service answers of fabs, as JSON: profiles with their readings."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime

from pydantic import BaseModel, Field

from service.answers import EXAMPLE_REVISION, moment
from worker.fab_profile import FabProfile
from worker.finish import Finish
from worker.ledger.fabs import StoredFab
from worker.reading import Override, Reading

Triple = tuple[float, float, float]


class SpectrumAnswer(BaseModel):
    """Reflectance factors, 1 for a perfect diffuser: `values[i]` holds at `start_nm + i * step_nm`."""

    start_nm: float = Field(examples=[400.0])
    step_nm: float = Field(examples=[10.0])
    values: list[float] = Field(examples=[[0.041, 0.042, 0.044]])


class ReadingAnswer(BaseModel):
    """One reading of a finish. One of `spectrum`, `xyz` and `lab` is there; a spectrum needs no light of its own."""

    grade: str = Field(examples=["colorimetric"], description="spectral, colorimetric, photo, predicted or assumed")
    spectrum: SpectrumAnswer | None = Field(default=None, examples=[None])
    xyz: Triple | None = Field(default=None, examples=[None], description="Y of the white at 100")
    lab: Triple | None = Field(default=None, examples=[[76.0, 5.0, 33.0]])
    illuminant: str = Field(examples=["D50"])
    observer: str = Field(examples=["2"])
    geometry: str = Field(examples=["45:0"])
    origin: str = Field(examples=["measured"])
    uncertainty: float | None = Field(default=None, examples=[1.2], description="95th percentile, CIEDE2000")
    instrument: str = Field(examples=["hand-held, 10 nm"])
    date: str = Field(examples=["2026-01-31"])
    batch: str = Field(examples=["order 7"])
    coupon: str = Field(examples=["coupon 3"])
    source: str = Field(examples=["two readings, turned by 90 degrees"])


class OverrideAnswer(BaseModel):
    """A reference set by hand, which counts in place of the readings: CIELAB under its illuminant and observer."""

    lab: Triple = Field(examples=[[74.0, 6.0, 35.0]])
    illuminant: str = Field(examples=["D65"])
    observer: str = Field(examples=["2"])
    by: str = Field(examples=["Ada"])
    date: str = Field(examples=["2026-01-31"])
    note: str = Field(examples=["warmer than the coupon"])


class FinishAnswer(BaseModel):
    """One finish of a fab, with all its readings; `geometry` says which count where they are of several."""

    id: str = Field(examples=["legend"])
    name: str = Field(examples=["white ink on the mask"])
    texture: str = Field(examples=["matte"])
    geometry: str = Field(examples=[""])
    readings: list[ReadingAnswer]
    override: OverrideAnswer | None = Field(default=None, examples=[None])
    smallest_feature_mm: float = Field(examples=[0.15])


class FabAnswer(BaseModel):
    """A fab profile in short. Its TOML is the whole; `revision` is its entity tag."""

    id: str = Field(examples=["example-fab"])
    revision: str = Field(examples=[EXAMPLE_REVISION])
    fab: str = Field(examples=["Example Boards (invented)"])
    name: str = Field(examples=["black mask, gold plating"])
    note: str = Field(examples=["Invented for this example."])
    plating: str = Field(examples=["ENIG"])
    lead_free: bool = Field(examples=[True])
    background: str = Field(examples=["mask"])
    finishes: list[FinishAnswer]
    updated: datetime = Field(examples=["2026-01-31T12:00:00.000000Z"])
    href: str = Field(examples=["/v1/fabs/example-fab"])


class FabsAnswer(BaseModel):
    """Every fab there is."""

    fabs: list[FabAnswer]


def fab_answer(stored: StoredFab, fab: FabProfile) -> FabAnswer:
    """A fab as the service shows it."""
    return FabAnswer(
        id=fab.id,
        revision=stored.revision,
        fab=fab.fab,
        name=fab.name,
        note=fab.note,
        plating=fab.plating,
        lead_free=fab.lead_free,
        background=fab.background,
        finishes=[finish_answer(finish) for finish in fab.finishes],
        updated=moment(stored.updated),
        href=f"/v1/fabs/{fab.id}",
    )


def finish_answer(finish: Finish) -> FinishAnswer:
    """A finish as the service shows it."""
    return FinishAnswer(
        id=finish.id,
        name=finish.name,
        texture=finish.texture,
        geometry=finish.geometry,
        readings=[reading_answer(reading) for reading in finish.readings],
        override=None if finish.override is None else override_answer(finish.override),
        smallest_feature_mm=finish.smallest_feature_mm,
    )


def reading_answer(reading: Reading) -> ReadingAnswer:
    """A reading as the service shows it."""
    return ReadingAnswer(grade=reading.grade, **asdict(reading))


def override_answer(override: Override) -> OverrideAnswer:
    """A reference set by hand, as the service shows it."""
    return OverrideAnswer(**asdict(override))


class FinishEdited(BaseModel):
    """A finish with its readings, at a revision of its fab."""

    fab: str = Field(examples=["example-fab"])
    revision: str = Field(examples=[EXAMPLE_REVISION])
    finish: FinishAnswer


def finish_edited(revision: str, fab: FabProfile, finish: str) -> FinishEdited:
    """A finish at a revision, as the service shows it."""
    return FinishEdited(fab=fab.id, revision=revision, finish=finish_answer(fab.finish(finish)))


class ImportedFinish(BaseModel):
    """How many readings of a finish a file gave, and how many it had that the profile held already."""

    finish: str = Field(examples=["gold"])
    added: int = Field(examples=[5])
    left_out: int = Field(examples=[0])


class ImportAnswer(BaseModel):
    """What an import did."""

    fab: str = Field(examples=["example-fab"])
    revision: str = Field(examples=[EXAMPLE_REVISION])
    finishes: list[ImportedFinish]


class EventAnswer(BaseModel):
    """That a revision became current: what was done, whose key did it (`owner`), and by whom as they said."""

    revision: str = Field(examples=[EXAMPLE_REVISION])
    previous: str | None = Field(examples=["9b7a2d48365c1f0e"])
    what: str = Field(examples=["added a reading of gold"])
    owner: str = Field(examples=["local"])
    by: str = Field(examples=["Ada"])
    at: datetime = Field(examples=["2026-01-31T12:00:00.000000Z"])
    href: str = Field(examples=[f"/v1/fabs/example-fab?revision={EXAMPLE_REVISION}"])


class HistoryAnswer(BaseModel):
    """One page of a fab's history, newest first. `next` is where the older ones are, or null."""

    current: str = Field(examples=[EXAMPLE_REVISION])
    revisions: list[EventAnswer]
    next: str | None = Field(examples=["/v1/fabs/example-fab/revisions?limit=50&cursor=1234"])


class DifferenceAnswer(BaseModel):
    """One difference; `finish` is empty where it is about the whole profile."""

    kind: str = Field(examples=["reading added"])
    finish: str = Field(examples=["gold"])
    key: str = Field(examples=["readings"])
    old: str = Field(examples=[""])
    new: str = Field(examples=["Lab 76, 5, 33; D50/2; 45:0; measured"])


class DifferencesAnswer(BaseModel):
    """What differs between two revisions."""

    old: str = Field(examples=["9b7a2d48365c1f0e"])
    new: str = Field(examples=[EXAMPLE_REVISION])
    differences: list[DifferenceAnswer]
