"""Samples go to finishes by name or by what was said, and never get lost."""

from __future__ import annotations

import pytest

from worker.errors import ReadingFileError
from worker.reading import Reading
from worker.reading_files import NamedReading, to_finishes

FINISHES = ["mask", "gold"]


def named(name: str, red: float) -> NamedReading:
    reading = Reading(geometry="45:0", origin="measured", lab=(50.0, red, 0.0), illuminant="D65", observer="2")
    return NamedReading(finish=name, reading=reading, place="row 2")


def test_by_id_by_sample_and_all_the_rest() -> None:
    readings = [named("gold", 1.0), named("A1", 2.0), named("A2", 3.0)]
    found = to_finishes(readings, FINISHES, samples={"A1": "gold"}, finish="mask")
    assert [(finish, reading.lab[1]) for finish, reading in found if reading.lab] == [
        ("mask", 1.0),
        ("gold", 2.0),
        ("mask", 3.0),
    ]
    assert [finish for finish, _ in to_finishes(readings[:2], FINISHES, samples={"A1": "mask"})] == ["gold", "mask"]


@pytest.mark.parametrize(
    ("name", "options", "what", "mend"),
    [
        ("Gold", {}, "f: row 2: sample 'Gold' is no finish", "--sample 'Gold=FINISH'"),
        ("", {}, "f: row 2: the reading has no name", "--finish FINISH"),
        ("A1", {"finish": "silver"}, "There is no finish 'silver'", "mask, gold"),
        ("A1", {"samples": {"A1": "silver"}}, "There is no finish 'silver' for sample 'A1'", "mask, gold"),
        ("A1", {"samples": {"A2": "gold"}}, "there is no sample 'A2'", "The samples are: 'A1'"),
    ],
)
def test_a_name_that_fits_nothing(name: str, options: dict[str, object], what: str, mend: str) -> None:
    with pytest.raises(ReadingFileError) as caught:
        to_finishes([named(name, 1.0)], FINISHES, file_name="f", **options)  # type: ignore[arg-type]
    assert what in caught.value.what
    assert mend in caught.value.mend
