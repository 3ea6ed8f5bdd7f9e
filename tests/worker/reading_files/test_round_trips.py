"""What is written reads back as the same readings, whatever they are."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from worker.errors import ReadingFileError
from worker.reading import ILLUMINANTS, ORIGINS, Reading, Spectrum
from worker.reading_files import NamedReading, read_readings, write_cgats, write_csv

TEXTS = st.text(st.characters(exclude_categories=["C", "Z"]) | st.sampled_from(" \"';,#="), max_size=20).map(str.strip)
FINISHES = st.from_regex(r"[a-z0-9]([a-z0-9-]{0,8}[a-z0-9])?", fullmatch=True)


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


@st.composite
def spectra(draw: st.DrawFn) -> Spectrum:
    step = draw(st.sampled_from([2.5, 5.0, 10.0, 10 / 3]))
    start = 400.0 - step * draw(st.integers(0, 5))
    count = int((700.0 - start) / step) + 2 + draw(st.integers(0, 5))
    values = draw(st.lists(numbers(0.0, 2.0), min_size=count, max_size=count))
    return Spectrum(start_nm=round(start, 9), step_nm=round(step, 9), values=tuple(values))


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    kind = draw(st.sampled_from(["spectrum", "xyz", "lab"]))
    lab = (numbers(0, 110), numbers(-160, 160), numbers(-160, 160))
    spectral = kind == "spectrum"
    return Reading(
        geometry=draw(st.sampled_from(["45:0", "d:8 SCI", "d:8 SCE", "photo", "under the lamp"])),
        origin=draw(st.sampled_from(ORIGINS)),
        spectrum=draw(spectra()) if spectral else None,
        xyz=draw(st.tuples(*[numbers(0, 250)] * 3)) if kind == "xyz" else None,
        lab=draw(st.tuples(*lab)) if kind == "lab" else None,
        illuminant="" if spectral else draw(st.sampled_from(ILLUMINANTS)),
        observer="" if spectral else draw(st.sampled_from(["2", "10"])),
        uncertainty=draw(st.none() | numbers(0, 50)),
        instrument=draw(TEXTS),
        date=draw(st.dates(datetime.date(2000, 1, 1)).map(str) | TEXTS),
        batch=draw(TEXTS),
        coupon=draw(TEXTS),
        source=draw(TEXTS),
    )


NAMED = st.builds(NamedReading, finish=FINISHES, reading=readings())
Writer = Callable[[Sequence[NamedReading]], bytes]


@pytest.mark.parametrize("write", [write_csv, write_cgats])
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(NAMED, min_size=1, max_size=4))
def test_what_is_written_reads_back_the_same(write: Writer, written: list[NamedReading]) -> None:
    back = read_readings(write(written))
    assert [each.finish for each in back] == [each.finish for each in written]
    for ours, theirs in zip(back, written, strict=True):
        assert ours.reading == near(theirs.reading, ours.reading)


def near(wanted: Reading, found: Reading) -> Reading:
    """The wanted reading, its wavelengths as the file states them: to a millionth of a nanometre."""
    if wanted.spectrum is None or found.spectrum is None:
        return wanted
    assert found.spectrum.start_nm == pytest.approx(wanted.spectrum.start_nm, abs=1e-6)
    assert found.spectrum.step_nm == pytest.approx(wanted.spectrum.step_nm, abs=1e-6)
    from dataclasses import replace

    grid = {"start_nm": found.spectrum.start_nm, "step_nm": found.spectrum.step_nm}
    return replace(wanted, spectrum=replace(wanted.spectrum, **grid))


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_read_or_refused_with_a_mend(data: bytes) -> None:
    try:
        assert read_readings(data)
    except ReadingFileError as error:
        assert error.mend


@pytest.mark.parametrize("write", [write_csv, write_cgats])
@settings(max_examples=60, deadline=None)
@given(data=st.data(), cut=st.floats(0.0, 1.0), inserted=st.binary(max_size=3))
def test_damaged_files_are_read_or_refused_with_a_mend(
    write: Writer, data: st.DataObject, cut: float, inserted: bytes
) -> None:
    whole = write(data.draw(st.lists(NAMED, min_size=1, max_size=2)))
    place = int(cut * len(whole))
    for damaged in (whole[:place], whole[:place] + inserted + whole[place:], whole[:place] + whole[place + 5 :]):
        try:
            read_readings(damaged)
        except ReadingFileError as error:
            assert error.mend
