"""CGATS.17 / ISO 28178 text: files written by hand from the standard's keywords (from memory), a real instrument's file
that colour-science ships with its tests, and what may be wrong with one."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import colour
import pytest

from worker.errors import ReadingFileError
from worker.reading import Reading, Spectrum
from worker.reading_files import NamedReading, ReadingDefaults, read_readings, write_cgats

DATA = Path(__file__).parents[2] / "data" / "readings"
SPECTRA = (DATA / "spectra.txt").read_text(encoding="utf-8")
TABLES = (DATA / "two_tables.txt").read_text(encoding="utf-8")
GREEN = (5, 5, 5.5, 6, 6, 6.5, 7, 8, 10, 13, 18, 22, 24, 23, 20, 17, 14, 11, 9, 8, 7, 6.5, 6, 6, 6, 6, 6, 6.5, 7, 8, 9)


def read(text: str, **defaults: object) -> list[NamedReading]:
    return read_readings(text.encode(), file_name="f.txt", defaults=ReadingDefaults(**defaults))  # type: ignore[arg-type]


def refusal(text: str, **defaults: object) -> ReadingFileError:
    with pytest.raises(ReadingFileError) as caught:
        read(text, **defaults)
    return caught.value


def test_a_file_in_percent_with_comments_quotes_and_a_declared_keyword() -> None:
    first, second = read(SPECTRA)
    assert first.finish == 'green "wet" field'
    assert second.finish == "white"
    assert first.place == "line 24"
    spectrum = first.reading.spectrum
    assert spectrum is not None
    assert (spectrum.start_nm, spectrum.step_nm) == (400.0, 10.0)
    assert spectrum.values == pytest.approx([value / 100 for value in GREEN], abs=1e-15)
    reading = first.reading
    assert (reading.geometry, reading.origin, reading.batch) == ("45:0", "measured", "17")
    assert (reading.instrument, reading.date, reading.source) == (
        "bench instrument, 45/0",
        "2026-11-25",
        "written by hand",
    )
    assert (reading.illuminant, reading.observer) == ("", "")  # a spectrum holds under any light


def test_two_tables_each_under_its_own_keywords() -> None:
    gold, mask, legend = read(TABLES)
    assert (gold.finish, mask.finish, legend.finish) == ("gold", "mask", "legend")
    assert gold.reading.xyz == (42.1, 42.6, 23.4)
    assert (gold.reading.illuminant, gold.reading.observer, gold.reading.geometry) == ("D65", "10", "d:8 SCI")
    assert mask.reading.lab == (91.5, -0.5, 2.5)
    assert (mask.reading.illuminant, mask.reading.observer, mask.reading.geometry) == ("D50", "2", "45:0")


def test_keywords_of_one_table_do_not_leak_into_the_next() -> None:
    error = refusal(TABLES.replace('MEASUREMENT_GEOMETRY "45/0"\n', ""))
    assert "line 23: has a Lab without geometry" in error.what
    assert "--geometry" in error.mend


def instrument_file() -> Path:
    (found,) = (Path(colour.__file__).parent / "io" / "tests" / "resources").glob("X-*.txt")
    return found


def their_reader() -> Callable[[str], Any]:
    (name,) = (name for name in colour.io.__all__ if re.fullmatch(r"read_sds_from_x.*_file", name))
    return getattr(colour, name)


def test_a_real_instruments_file_reads_as_colour_science_reads_it() -> None:
    """The file is a test resource of colour-science (BSD-3), the other reader is colour-science's own."""
    path = instrument_file()
    theirs = their_reader()(str(path))
    ours = read_readings(path.read_bytes(), defaults=ReadingDefaults(geometry="45:0"))
    assert [each.finish for each in ours] == list(theirs)
    assert len(ours) == 10
    for each in ours:
        spectrum = each.reading.spectrum
        assert spectrum is not None
        assert [spectrum.start_nm, spectrum.end_nm] == [theirs[each.finish].shape.start, theirs[each.finish].shape.end]
        assert spectrum.values == tuple(theirs[each.finish].values)


@pytest.mark.parametrize("form", ["SPECTRAL_NM{}", "SPECTRAL_{}", "nm{}", "NM_{}", "SPECTRAL_NM_{}", "SPECTRAL_DEC{}"])
def test_every_form_of_a_wavelengths_name(form: str) -> None:
    text = re.sub(r"SPECTRAL_PCT(\d+)", lambda found: form.format(found[1]), SPECTRA)
    given = {} if "DEC" in form else {"scale": "percent"}
    if "DEC" in form:
        assert "declared as fractions" in refusal(text).what
    else:
        spectrum = read(text, **given)[0].reading.spectrum
        assert spectrum is not None
        assert spectrum.values[12] == pytest.approx(0.24)


@pytest.mark.parametrize(("keyword", "scale"), [("SPECTRAL_PCT", 100.0), ("SPECTRAL_DEC", 1.0)])
def test_wavelengths_in_pairs_with_their_values(keyword: str, scale: float) -> None:
    """ISO 28178 knows fields SPECTRAL_NM, SPECTRAL_PCT and SPECTRAL_DEC (from memory)."""
    fields = " ".join(f"SPECTRAL_NM {keyword}" for _ in range(31))
    values = " ".join(f"{nm} {scale * (0.2 + nm / 2000):.6g}" for nm in range(400, 701, 10))
    text = (
        f'CGATS.17\nMEASUREMENT_GEOMETRY "45/0"\nBEGIN_DATA_FORMAT\nSAMPLE_ID {fields}\nEND_DATA_FORMAT\n'
        f"BEGIN_DATA\ngold {values}\nEND_DATA\n"
    )
    (gold,) = read(text)
    assert gold.reading.spectrum is not None
    assert gold.reading.spectrum.values == pytest.approx([0.2 + nm / 2000 for nm in range(400, 701, 10)])
    assert "SPECTRAL_NM without its value" in refusal(text.replace(keyword, "D_VIS", 1)).what


UNDECLARED = SPECTRA.replace("SPECTRAL_PCT", "SPECTRAL_NM")


def test_percent_is_never_guessed() -> None:
    error = refusal(UNDECLARED)
    assert "line 25" in error.what
    assert "86, and white is 1" in error.what
    assert "--scale percent" in error.mend
    assert read(UNDECLARED, scale="percent")[0].reading == read(SPECTRA)[0].reading


@pytest.mark.parametrize(("said", "fits"), [("100", True), ("1", False), ("percent", True), ("fraction", False)])
def test_a_declared_keyword_settles_the_scale(said: str, fits: bool) -> None:
    keyword = "READING_SCALE" if said.isalpha() else "SPECTRAL_NORM"
    text = UNDECLARED.replace("NUMBER_OF_FIELDS", f'KEYWORD "{keyword}"\n{keyword} "{said}"\nNUMBER_OF_FIELDS', 1)
    if fits:
        assert read(text)[0].reading == read(SPECTRA)[0].reading
    else:
        assert "declared as fractions" in refusal(text).what


def test_a_scale_given_against_the_files_is_an_error() -> None:
    assert "is percent in the file, but fraction was given" in refusal(SPECTRA, scale="fraction").what


def one_percent(text: str) -> str:
    head, data = text.split("BEGIN_DATA\n")
    return head + "BEGIN_DATA\n" + re.sub(r"(?<= )(\d+(\.\d+)?)(?= )", "0.5", data)


def test_declared_percent_that_looks_like_fractions_is_refused() -> None:
    error = refusal(one_percent(SPECTRA))
    assert "declared as percent, where white is 100" in error.what


@pytest.mark.parametrize(
    ("old", "new", "what", "mend"),
    [
        (
            "NUMBER_OF_SETS\t2",
            "NUMBER_OF_SETS\t3",
            "line 22: NUMBER_OF_SETS is 3, but there are 2 sets",
            "get it whole",
        ),
        ("NUMBER_OF_FIELDS\t37", "NUMBER_OF_FIELDS\t38", "line 12: NUMBER_OF_FIELDS is 38", "correct the number"),
        ("NUMBER_OF_FIELDS\t37", "NUMBER_OF_FIELDS\tmany", "NUMBER_OF_FIELDS is many", "correct the number"),
        ("END_DATA\n", "", "line 23: BEGIN_DATA has no END_DATA", "whole"),
        ("END_DATA_FORMAT\n", "", "line 13: BEGIN_DATA_FORMAT has no END_DATA_FORMAT", "whole"),
        ("BEGIN_DATA\n", "", "names fields, but no BEGIN_DATA follows", "whole"),
        ("2 white 61", "2 white", "line 25: has 36 values, the format names 37 fields", "on one line"),
        ('field" 5 5', "field 5 5", "line 24: has a quote that does not end", "Close it"),
        ("2 white 61", "2 white nan", "line 25, column SPECTRAL_PCT400: is 'nan', not a number", "plain number"),
        ("2 white 61", "2 white 6,1", "line 25, column SPECTRAL_PCT400: is '6,1', with a comma", "--decimal comma"),
        ("2 white 61", "2 white -61", "line 25, 400 nm: is a reflectance factor of -0.61", "0 to 2"),
        ("SPECTRAL_PCT410", "SPECTRAL_PCT400", "there are two columns for 400 nm", "Keep one"),
        ("SPECTRAL_PCT410", "SPECTRAL_PCT411", "400 to 411 nm: is a step of 11 nm among steps of 10 nm", "even steps"),
        ("SPECTRAL_PCT410", "D_RED", "line 24, 410 nm: has no value", "Fill the gap"),
        ("SPECTRAL_PCT700", "D_RED", "the spectrum goes from 400 to 690 nm", "must cover 400 to 700 nm"),
        ("SPECTRAL_PCT410", "SPECTRAL_DEC410", "declare different scales", "all in percent"),
    ],
)
def test_what_is_wrong_is_said_with_its_place_and_mend(old: str, new: str, what: str, mend: str) -> None:
    assert old in SPECTRA
    text = re.sub(rf"(?m)(?<![A-Z_]){re.escape(old)}", lambda _: new, SPECTRA, count=1)
    error = refusal(text)
    assert error.what.startswith("f.txt: ")
    assert what in error.what
    assert mend in error.mend


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("ILLUMINANT, D50", "ILLUMINANT, D51", "line 16, illuminant: is 'D51'"),
        ("2 degree", "4 degree", "line 17, observer: is '4 degree'"),
        ("LAB_L LAB_A", "LAB_L LAB_C", "has the columns LAB_L, LAB_B"),
        ("SAMPLE_ID XYZ_X XYZ_Y XYZ_Z", "SAMPLE_ID D_R D_G D_B", "names no field of a colour"),
        ("OBSERVER_ANGLE", 'WEIGHTING_FUNCTION "ILLUMINANT, A"\nOBSERVER_ANGLE', "is A, and D65 elsewhere"),
        ("gold 42.1 42.6", "gold 0.421 0.426", ""),
        ("mask 91.5", "mask 191.5", "line 24, L*: is 191.5"),
    ],
)
def test_wrong_conditions_and_columns(old: str, new: str, what: str) -> None:
    text = TABLES.replace(old, new, 1)
    assert text != TABLES
    if what:
        assert what in refusal(text).what
    else:
        text = text.replace("23.4", "0.234")
        assert "--scale fraction" in refusal(text).mend
        xyz = read(text, scale="fraction")[0].reading.xyz
        assert xyz == pytest.approx((42.1, 42.6, 23.4))


def test_what_the_file_says_may_not_be_contradicted() -> None:
    error = refusal(TABLES, illuminant="A")
    assert "line 12, illuminant: is 'D65' in the file, but 'A' was given" in error.what
    assert "--illuminant" in error.mend


def test_crlf_and_a_byte_order_mark_change_nothing() -> None:
    plain = read_readings(SPECTRA.encode())
    assert read_readings(b"\xef\xbb\xbf" + SPECTRA.replace("\n", "\r\n").encode()) == plain


def test_the_export_is_read_by_another_reader(tmp_path: Path) -> None:
    """colour-science's reader takes such files where names are bare and wavelengths are called nm400."""
    values = tuple(round(0.1 + index / 100, 4) for index in range(31))
    reading = Reading(geometry="45:0", origin="measured", spectrum=Spectrum(start_nm=400, step_nm=10, values=values))
    text = write_cgats([NamedReading(finish="gold", reading=reading)]).decode()
    path = tmp_path / "gold.txt"
    path.write_text(text.replace("SPECTRAL_NM", "nm").replace('"gold"', "gold"))
    theirs = their_reader()(str(path))["gold"]
    assert tuple(theirs.values) == values
    assert (theirs.shape.start, theirs.shape.end, theirs.shape.interval) == (400, 700, 10)
