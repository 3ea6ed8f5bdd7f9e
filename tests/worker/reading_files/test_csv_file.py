"""CSV of readings: both layouts, files that other programs wrote, and what may be wrong with one."""

from __future__ import annotations

from pathlib import Path

import colour
import pytest

from worker.errors import ReadingFileError
from worker.fab_profile import MAX_BYTES as MAX_PROFILE
from worker.reading_files import MAX_BYTES, NamedReading, ReadingDefaults, read_readings

THEIRS = Path(colour.__file__).parent / "io" / "tests" / "resources"
SAMPLES = Path(__file__).parents[3] / "samples" / "readings"
MEASURED = {"geometry": "45:0", "origin": "measured"}
LAB = "finish,geometry,origin,illuminant,observer,L*,a*,b*\n"
LAB += "gold,45/0,measured,d50,2°,71,4,29\nmask,45:0,photo,D65,10,91,0,2\n"
NM = list(range(400, 701, 10))
SPECTRA = "finish,geometry,origin," + ",".join(map(str, NM)) + "\n"
SPECTRA += "gold,d:8 SCI,measured," + ",".join(f"{0.2 + nm / 2000:g}" for nm in NM) + "\n"
SPECTRA += "mask,d:8 SCI,measured," + ",".join("0.1" for _ in NM) + "\n"
COLUMNS = "wavelength,gold,mask\n" + "".join(f"{nm},{0.2 + nm / 2000:g},0.1\n" for nm in NM)


def read(text: str | bytes, **defaults: object) -> list[NamedReading]:
    data = text.encode() if isinstance(text, str) else text
    return read_readings(data, file_name="f.csv", defaults=ReadingDefaults(**defaults))  # type: ignore[arg-type]


def refusal(text: str | bytes, **defaults: object) -> ReadingFileError:
    with pytest.raises(ReadingFileError) as caught:
        read(text, **defaults)
    assert caught.value.what.startswith("f.csv: ")
    assert caught.value.mend
    return caught.value


def test_lab_by_rows_with_conditions_in_other_words() -> None:
    gold, mask = read(LAB)
    assert (gold.finish, gold.place) == ("gold", "row 2")
    assert gold.reading.lab == (71.0, 4.0, 29.0)
    assert (gold.reading.geometry, gold.reading.illuminant, gold.reading.observer) == ("45:0", "D50", "2")
    assert (mask.reading.origin, mask.reading.observer, mask.reading.grade) == ("photo", "10", "photo")


def test_both_layouts_of_spectra_give_the_same() -> None:
    by_rows, by_columns = read(SPECTRA), read(COLUMNS, geometry="d:8 SCI", origin="measured")
    assert [each.reading for each in by_rows] == [each.reading for each in by_columns]
    assert [each.finish for each in by_columns] == ["gold", "mask"]
    assert [each.place for each in by_columns] == ["column gold", "column mask"]
    spectrum = by_rows[0].reading.spectrum
    assert spectrum is not None
    assert (spectrum.start_nm, spectrum.step_nm, spectrum.values[0], spectrum.values[-1]) == (400.0, 10.0, 0.4, 0.55)


@pytest.mark.parametrize("name", ["colorchecker_n_ohta.csv", "colorchecker_n_ohta_transposed.csv"])
def test_published_spectra_read_as_colour_science_reads_them(name: str) -> None:
    """N. Ohta's spectra of the 24 patches, as colour-science ships them with its tests, by columns and by rows."""
    theirs = colour.read_sds_from_csv_file(str(THEIRS / "colorchecker_n_ohta.csv"))
    ours = read((THEIRS / name).read_bytes(), **MEASURED)
    assert len(ours) == 24
    for each in ours:
        spectrum = each.reading.spectrum
        assert spectrum is not None
        assert spectrum.values == tuple(theirs[each.finish].values)
        assert (spectrum.start_nm, spectrum.step_nm) == (380.0, 5.0)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: text.replace(",", ";"),
        lambda text: text.replace(",", "\t"),
        lambda text: "# a comment, and more\n" + text,
        lambda text: text.replace("\n", ",,\n"),
        lambda text: text + "\n\n,,\n",
        lambda text: text.replace("gold", '"gold"'),
        lambda text: text.rstrip("\n"),
    ],
)
def test_what_changes_nothing(change: object) -> None:
    plain = [(each.finish, each.reading) for each in read(SPECTRA)]
    assert [(each.finish, each.reading) for each in read(change(SPECTRA))] == plain  # type: ignore[operator]


def test_wavelengths_in_any_order() -> None:
    lines = COLUMNS.splitlines(keepends=True)
    backwards = "".join([lines[0], *reversed(lines[1:])])
    assert read(backwards, **MEASURED)[0].reading == read(COLUMNS, **MEASURED)[0].reading


def test_decimal_commas_are_refused_until_they_are_declared() -> None:
    text = SPECTRA.replace(",", ";").replace(".", ",")
    error = refusal(text)
    assert "row 2, column 400: is '0,4', with a comma" in error.what
    assert "--decimal comma" in error.mend
    assert [each.reading for each in read(text, decimal_comma=True)] == [each.reading for each in read(SPECTRA)]
    assert "with a decimal point" in refusal(SPECTRA, decimal_comma=True).what
    assert "has 65 cells, the header 34" in refusal(SPECTRA.replace("0.", "0,")).what


# --- scale


def times(factor: float, text: str = COLUMNS) -> str:
    lines = [text.splitlines()[0]]
    for line in text.splitlines()[1:]:
        nm, *values = line.split(",")
        lines.append(",".join([nm, *(f"{float(value) * factor:.6g}" for value in values)]))
    return "\n".join(lines) + "\n"


def test_percent_is_never_guessed() -> None:
    error = refusal(times(100), **MEASURED)
    assert "column gold, 700 nm: is 55, and white is 1" in error.what
    assert "--scale percent" in error.mend
    assert read(times(100), **MEASURED, scale="percent")[0].reading == read(COLUMNS, **MEASURED)[0].reading


def test_what_could_be_either_is_refused_until_it_is_declared() -> None:
    error = refusal(times(3), **MEASURED)  # up to 1.65: a glossy metal, or a very dark thing in percent
    assert "may be a fraction above white or a small percentage" in error.what
    assert read(times(3), **MEASURED, scale="fraction")[0].reading.spectrum is not None
    error = refusal(COLUMNS, **MEASURED, scale="percent")
    assert "declared as percent, where white is 100" in error.what
    assert "--scale fraction" in error.mend


def test_a_scale_that_the_values_contradict() -> None:
    assert "declared as fractions" in refusal(times(100), **MEASURED, scale="fraction").what
    assert "percent" in refusal(times(10_000), **MEASURED, scale="percent").what


def test_a_scale_column_declares_each_row() -> None:
    text = (
        SPECTRA.replace("finish,", "scale,finish,")
        .replace("\ngold", "\nfraction,gold")
        .replace("\nmask", "\nfraction,mask")
    )
    assert [each.reading for each in read(text)] == [each.reading for each in read(SPECTRA)]
    assert "is fraction in the file, but percent was given" in refusal(text, scale="percent").what
    assert "row 2, scale: is 'factor'" in refusal(text.replace("fraction", "factor", 1)).what


def test_xyz_and_lab_with_a_white_of_one() -> None:
    xyz = "finish,geometry,origin,illuminant,observer,X,Y,Z\ngold,45:0,measured,D65,2,0.42,0.43,0.2\n"
    assert "--scale fraction" in refusal(xyz).mend
    assert read(xyz, scale="fraction")[0].reading.xyz == pytest.approx((42.0, 43.0, 20.0))
    assert read(xyz, scale="percent")[0].reading.xyz == (0.42, 0.43, 0.2)
    lab = LAB.replace("71,4,29", "0.71,0.04,0.29").replace("91,0,2", "0.91,0,0.02")
    assert "row 3, L*: is 0.91, the highest of the file" in refusal(lab).what


# --- conditions


@pytest.mark.parametrize("missing", ["illuminant", "observer", "geometry", "origin"])
def test_a_lab_without_its_conditions_names_what_is_missing(missing: str) -> None:
    text = without(missing)
    error = refusal(text)
    assert error.what == f"f.csv: row 2: has a Lab without {missing}."
    assert f"--{missing}" in error.mend
    value = {"illuminant": "D50", "observer": "10", "geometry": "d/8", "origin": "assumed"}[missing]
    given = getattr(read(text, **{missing: value})[0].reading, missing)
    assert given == value.replace("/", ":")


def without(column: str) -> str:
    rows = [line.split(",") for line in LAB.splitlines()]
    index = rows[0].index(column)
    return "\n".join(",".join(cell for place, cell in enumerate(row) if place != index) for row in rows) + "\n"


def test_all_that_is_missing_is_named_at_once() -> None:
    text = "finish,L*,a*,b*\ngold,71,4,29\n"
    error = refusal(text)
    assert "without illuminant, observer, geometry, origin" in error.what
    assert "without geometry, origin" in refusal(COLUMNS).what


def test_the_files_word_may_not_be_contradicted() -> None:
    error = refusal(LAB, illuminant="D65")
    assert "row 2, illuminant: is 'D50' in the file, but 'D65' was given" in error.what
    assert read(LAB, source="me")[0].reading.source == "me"


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("d50", "D51", "row 2, illuminant: is 'D51'"),
        ("2°", "3", "row 2, observer: is '3'"),
        ("photo", "guessed", "row 3, origin: is 'guessed'"),
        ("45/0", "4" * 501, "row 2, geometry: is longer than 500 letters"),
        ("gold", "go\x07ld", "row 2, name: is longer than 500 letters or holds control letters"),
        ("71,4,29", "171,4,29", "row 2, L*: is 171"),
        ("71,4,29", "71,4,-161", "row 2, b*: is -161"),
        ("71,4,29", "71,4", "row 2: has 7 cells, the header 8"),
        ("71,4,29", "71,,29", "row 2, column a*: is '', not a number"),
        ("71,4,29", ",,", "row 2: has no colour"),
        ("71,4,29", "71,4,NaN", "row 2, column b*: is 'NaN', not a number"),
        ("71,4,29", "71,4,inf", "row 2, column b*: is 'inf', not a number"),
        ("71,4,29", "71,4,1_0", "row 2, column b*: is '1_0', not a number"),
        ("71,4,29", "71,4,1e400", "row 2, column b*: is '1e400', not a number"),
        ("71,4,29", "71,4,29 %", "row 2, column b*: is '29 %', not a number"),
        ("71,4,29", "71,4,٢٩", "row 2, column b*: is '٢٩', not a number"),
        ("L*,a*,b*", "L,a,b", "row 1, column 6: 'L' is not a known column"),
        ("L*,a*,b*", "L*,a*,c", "row 1: has the columns L*, a*"),
        ("L*,a*,b*", "L*,a*,a*", "row 1: has the columns L*, a*, a*"),
        ("illuminant", "geometry", "row 1, column geometry: is there twice"),
        ("illuminant", "colour", "row 1, column 4: 'colour' is not a known column"),
        ("L*,a*,b*", "x,y,Y", "row 1: has the columns Y"),
        ("gold", '"gold', "row 4: is no CSV"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(old: str, new: str, what: str) -> None:
    assert what in refusal(LAB.replace(old, new, 1)).what


def test_hunters_lab_is_not_taken_for_cielab() -> None:
    assert "Hunter" in refusal(LAB.replace("L*,a*,b*", "L,a,b")).mend


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("550,0.475,0.1\n", "", "column gold, 550 nm: has no value"),
        ("550,0.475,", "550,,", "column gold, 550 nm: has no value"),
        ("550,", "555,", "column gold, 540 to 555 nm: is a step of 15 nm among steps of 10 nm"),
        ("550,", "540,", "row 17: has 540 nm again, after row 16"),
        ("700,0.55,0.1\n", "", "column gold: the spectrum goes from 400 to 690 nm"),
        ("400,0.4,0.1\n", "", "column gold: the spectrum goes from 410 to 700 nm"),
        ("550,0.475", "550,-0.001", "column gold, 550 nm: is a reflectance factor of -0.001"),
        ("550,0.475,0.1", "550,0.475", "row 17: has 2 cells, the header 3"),
        ("wavelength,gold", "wavelength,", "row 1, column 2: names no sample"),
        ("wavelength,gold,mask", "lambda,gold,mask", "row 1, column 1: 'lambda' is not a known column"),
        ("550,", "green,", "row 17, wavelength: is 'green', not a number"),
    ],
)
def test_broken_spectra(old: str, new: str, what: str) -> None:
    assert old in COLUMNS
    error = refusal(COLUMNS.replace(old, new, 1), **MEASURED)
    assert what in error.what


def test_wavelengths_in_other_units_or_too_far_apart() -> None:
    micrometres = "wavelength,gold\n" + "".join(f"{nm / 1000:g},0.5\n" for nm in NM)
    assert "multiply them by 1000" in refusal(micrometres, **MEASURED).mend
    coarse = "wavelength,gold\n" + "".join(f"{nm},0.5\n" for nm in range(400, 701, 20))
    assert "a value every 20 nm" in refusal(coarse, **MEASURED).what
    wide = "wavelength,gold\n" + "".join(f"{nm},0.5\n" for nm in range(250, 1201, 10))
    assert "from 250 to 1200 nm" in refusal(wide, **MEASURED).what
    alone = "finish,geometry,origin,400\ngold,45:0,measured,0.5\n"
    assert "one value only, at 400 nm" in refusal(alone).what


def test_two_kinds_of_colour_in_one_row() -> None:
    text = "finish,geometry,origin,illuminant,observer,L*,a*,b*,X,Y,Z\ngold,45:0,measured,D50,2,71,4,29,1,2,3\n"
    assert "row 2: has more than one kind of colour" in refusal(text).what


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "is empty"),
        (b"\n \n", "is empty"),
        (LAB.split("\n")[0].encode(), "holds no readings"),
        (b"PK\x03\x04" + b"x" * 100, "a spreadsheet"),
        (b"%PDF-1.7", "a PDF"),
        (LAB.encode("utf-16"), "is UTF-16"),
        (LAB.encode("utf-16-le"), "line 1: holds a zero byte"),
        (LAB.encode("latin-1"), "line 2: byte 0xB0 is not UTF-8"),
        (b"a,b\n1,\x00\n", "line 2: holds a zero byte"),
        (b"x" * (MAX_BYTES + 1), f"has {MAX_BYTES + 1} bytes"),
        (b"finish,L*\n" + b"\n" * 5 + b'"' + b"x" * 200_000 + b'"\n', "is no CSV"),
        (b"{}", "'{}' is not a known column"),
        (b" \n" * 4_000_000 + b"x", "has 4000001 lines"),
        (b"finish," + b"4" * 5_000_000, "line 1: has 5000007 letters"),
        (b"CGATS.17\nWEIGHTING_FUNCTION " + b";" * 5_000_000, "line 2: has 5000019 letters"),
        (b"finish," + b",".join(b"%d" % (10 + i) for i in range(50_000)), "holds no readings"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_hostile_and_wrong_files(data: bytes, what: str) -> None:
    error = refusal(data)
    assert what in error.what
    assert len(error.what) < 1000  # it quotes no more of the file than a person reads


def test_the_cap_leaves_room_for_the_largest_profile() -> None:
    assert MAX_BYTES >= MAX_PROFILE


@pytest.mark.parametrize(("name", "count"), [("alba-black.csv", 12), ("alba-black-batch-b.txt", 6)])
def test_the_samples_read_and_say_that_they_are_invented(name: str, count: int) -> None:
    data = (SAMPLES / name).read_bytes()
    readings = read_readings(data, file_name=name)
    assert len(readings) == count
    assert b"nvented" in data.splitlines()[0] + data.splitlines()[1]
    assert {each.reading.source for each in readings} == {"invented for the demo"}
