"""From the names of samples to the finishes of a profile. A name that fits none is an error, never left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from worker.errors import ReadingFileError
from worker.reading import Reading
from worker.reading_files.named_reading import NamedReading


def to_finishes(
    readings: Sequence[NamedReading],
    finishes: Sequence[str],
    *,
    file_name: str = "readings",
    samples: Mapping[str, str] | None = None,
    finish: str = "",
) -> list[tuple[str, Reading]]:
    """Each reading with the id of its finish.

    `samples` names the finish of a sample, `finish` that of every sample that it does not name; without either the
    sample's name must be a finish's id.

    Raises
    ------
    ReadingFileError
        A name fits no finish, or a sample that was named is not in the file.
    """
    samples = dict(samples or {})
    known = f"The finishes are: {', '.join(finishes)}."
    for name, target in [*samples.items(), ("", finish)]:
        if target and target not in finishes:
            raise ReadingFileError(f"There is no finish {target!r}{f' for sample {name!r}' * bool(name)}.", mend=known)
    strangers = [name for name in samples if name not in {each.finish for each in readings}]
    if strangers:
        there = ", ".join(repr(name) for name in dict.fromkeys(each.finish for each in readings))
        raise ReadingFileError(f"{file_name}: there is no sample {strangers[0]!r}.", mend=f"The samples are: {there}.")
    return [(_finish(each, finishes, samples, finish, file_name, known), each.reading) for each in readings]


def _finish(
    each: NamedReading, finishes: Sequence[str], samples: Mapping[str, str], finish: str, file_name: str, known: str
) -> str:
    found = samples.get(each.finish, finish) or (each.finish if each.finish in finishes else "")
    if found:
        return found
    what = f"sample {each.finish!r} is no finish of the profile" if each.finish else "the reading has no name"
    option = f"--sample '{each.finish}=FINISH', or --finish FINISH" if each.finish else "--finish FINISH"
    raise ReadingFileError(f"{file_name}: {each.place}: {what}.", mend=f"Say which it is: {option} for all. {known}")
