"""What the service answers of references and of jobs scored with others, as JSON."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from service.answers import EXAMPLE_ID, EXAMPLE_REVISION

Triple = tuple[float, float, float]


class SetAsideAnswer(BaseModel):
    """A reading that does not count, by its place in the finish's list, from 0."""

    index: int = Field(examples=[2])
    reason: str = Field(examples=["it is assumed, and colorimetric readings are there"])


class ReferenceAnswer(BaseModel):
    """The colour that a finish is scored in, and how sure it is. Places of readings count from 0."""

    finish: str = Field(examples=["gold"])
    lab: Triple = Field(examples=[[75.1, 5.4, 33.8]], description="CIELAB D65/2, which artworks are compared with")
    viewing_lab: Triple = Field(examples=[[76.0, 8.1, 35.0]], description="CIELAB under the viewing conditions")
    srgb: str = Field(examples=["#CBB37A"], description="the same for a screen")
    grade: str = Field(examples=["colorimetric"], description="spectral, colorimetric, photo, predicted or assumed")
    spread: float | None = Field(examples=[0.6], description="mean CIEDE2000 of the readings from their mean")
    uncertainty: float = Field(examples=[1.2], description="CIEDE2000, 95 of 100 cases")
    derivation: str = Field(examples=["adapted"], description="spectrum, adapted or as read")
    geometry: str = Field(examples=["45:0"])
    overridden: bool = Field(examples=[False], description="set by hand")
    read_under: list[str] = Field(examples=[["D50/2"]], description="what the readings hold under; none for spectra")
    used: list[int] = Field(examples=[[0, 1]])
    set_aside: list[SetAsideAnswer]


class FindingAnswer(BaseModel):
    """Something that a person should look at: a warning, never a refusal."""

    rule: str = Field(examples=["metal hue"])
    finishes: list[str] = Field(examples=[["gold"]])
    text: str = Field(examples=["Finish gold: its hue is 60 degrees, where gold plating has 78 to 92."])


class ReferencesAnswer(BaseModel):
    """The references of a fab's finishes under viewing conditions, and what contradicts itself or physics in them."""

    fab: str = Field(examples=["example-fab"])
    revision: str = Field(examples=[EXAMPLE_REVISION])
    viewing_conditions: str = Field(examples=["D50/2"])
    references: list[ReferenceAnswer]
    warnings: list[FindingAnswer]


class StatisticsAnswer(BaseModel):
    """Of every pixel of the board area."""

    mean: float = Field(examples=[4.2])
    median: float = Field(examples=[3.1])
    p95: float = Field(examples=[11.8])
    max: float = Field(examples=[30.5])


class ComparedAnswer(BaseModel):
    """A score before and after, both as previews, and as the job has it exactly. `change` : of the mean."""

    preview: bool = Field(examples=[True])
    exact: StatisticsAnswer = Field(description="of the job itself, with the references that it was made with")
    before: StatisticsAnswer
    after: StatisticsAnswer
    change: float = Field(examples=[-0.4])
    how: str = Field(examples=["A preview: from artwork and board reduced to 512 x 341 blocks of 12 pixels"])


class ChangeAnswer(BaseModel):
    """A mean, before and after."""

    before: float = Field(examples=[4.2])
    after: float = Field(examples=[3.8])


class PreviewFinishAnswer(BaseModel):
    """A finish with the reference that was tried. The scores are null where it is unused, and rough under 1 %."""

    id: str = Field(examples=["gold"])
    share: float = Field(examples=[0.21])
    before_lab: Triple = Field(examples=[[75.1, 5.4, 33.8]])
    reference: ReferenceAnswer
    reference_change: float = Field(examples=[2.7], description="CIEDE2000 between the two references")
    ciede2000: ChangeAnswer | None
    s_cielab: ChangeAnswer | None


class MovedAnswer(BaseModel):
    """A cluster that would go to another finish. `margin` : the CIEDE2000 by which that is nearer."""

    model_config = ConfigDict(populate_by_name=True)

    cluster: int = Field(examples=[3])
    colour: str = Field(examples=["#C8A050"])
    share: float = Field(examples=[0.12])
    before: str = Field(alias="from", examples=["legend"])
    after: str = Field(alias="to", examples=["gold"])
    margin: float = Field(examples=[0.8])


class ReassignedAnswer(BaseModel):
    """The score once those clusters have gone there."""

    preview: bool = Field(examples=[True])
    ciede2000: StatisticsAnswer
    how: str = Field(examples=["A preview: from the histogram, with these clusters in the finishes they would go to"])


class MovesAnswer(BaseModel):
    """Which clusters would go elsewhere, and the score then; null where none does, and for a dither."""

    moved: list[MovedAnswer]
    reassigned: ReassignedAnswer | None


class PreviewAnswer(BaseModel):
    """A finished job scored with other references: a preview. Nothing of it is saved."""

    preview: bool = Field(examples=[True])
    job: str = Field(examples=[EXAMPLE_ID])
    fab: str = Field(examples=["example-fab"])
    revision: str = Field(examples=[EXAMPLE_REVISION], description="what the edits started from")
    viewing_conditions: str = Field(examples=["D65/2"])
    viewing_distance_mm: float = Field(examples=[300.0])
    ciede2000: ComparedAnswer
    s_cielab: ComparedAnswer
    finishes: list[PreviewFinishAnswer]
    clusters: MovesAnswer
