"""What a fab changed: files rewritten by another program's writer (gerbonara's), then altered by known amounts."""

from __future__ import annotations

import numpy as np
import pytest
from gerbonara import apertures, graphic_objects
from gerbonara.cam import FileSettings
from gerbonara.rs274x import GerberFile
from gerbonara.utils import MM, Inch
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from tests.engine.fabrication.packages import PROJECT, blobs, package_of
from worker.engine.fabrication.board import Hole
from worker.engine.fabrication.drill import xnc_drill
from worker.engine.fabrication.layer_changes import Changes, compare_packages, wide_parts
from worker.engine.fabrication.returned_files import layer_of, match_files
from worker.errors import ReturnedFileError

MADE = package_of(blobs(4, 200, fineness=8.0), pitch_um=50.0)  # 10 x 10 mm
FILES = {file.path: file.data for file in MADE.files}
PACKAGE = match_files(FILES, {}, whose="the package").layers


def rewritten(name: str, *, unit: object = MM, digits: tuple[int, int] = (4, 6), move: tuple[float, float] = (0, 0)):  # type: ignore[no-untyped-def]
    """A file as gerbonara writes it again, and the objects in it."""
    file = GerberFile.from_string(FILES[name].decode("ascii"))
    file.offset(*move, MM)

    def written() -> bytes:
        data: bytes = file.write_to_bytes(FileSettings(unit=unit, number_format=digits))
        return data

    return file, written


def changes(**files: bytes) -> Changes:
    """Against the package, with some of its files in place of its own; names with _ for -."""
    named = {f"{name.replace('_', '-')}.gbr": data for name, data in files.items()}
    return compare_packages(PACKAGE, match_files({**FILES, **named}, {}, whose="x").layers)


def one(found: Changes, layer: str):  # type: ignore[no-untyped-def]
    return next(change for change in found.layers if change.layer == layer)


@pytest.mark.parametrize(("unit", "digits"), [(MM, (4, 6)), (MM, (4, 5)), (Inch, (2, 6)), (Inch, (2, 5))])
def test_another_programs_writing_of_the_same_is_no_change(unit: object, digits: tuple[int, int]) -> None:
    written = {
        name: rewritten(f"{name}.gbr", unit=unit, digits=digits)[1]()
        for name in ("copper-top", "legend-top", "profile")
    }
    found = changes(**{name.replace("-", "_"): data for name, data in written.items()})
    assert found.differing(missing_counts=True) == ()
    assert found.moved_mm == (0.0, 0.0)


def test_a_package_that_moved_as_a_whole_is_said_once() -> None:
    files = {name: rewritten(name, move=(12.5, -3.0))[1]() for name in FILES}
    found = compare_packages(PACKAGE, match_files(files, {}, whose="x").layers)
    assert found.moved_mm == (12.5, -3.0)
    assert found.differing(missing_counts=True) == ()


def test_one_layer_that_moved_is_a_change() -> None:
    found = changes(legend_top=rewritten("legend-top.gbr", move=(0.2, 0.0))[1]())
    (change,) = found.differing(missing_counts=True)
    assert change.layer == "legend-top"
    assert change.added_mm2 == pytest.approx(change.removed_mm2, rel=0.15)
    assert change.added_mm2 > 0.5


def test_a_dot_added_and_a_part_removed_are_found_with_place_and_area() -> None:
    """A disc of 0.6 mm has 0.2827 mm2."""
    file, written = rewritten("legend-top.gbr")
    file.objects.append(graphic_objects.Flash(9.0, 1.5, apertures.CircleAperture(0.6, unit=MM), unit=MM))
    drawn = one(changes(legend_top=written()), "legend-top")
    before = (MADE.sides["top"].planes & 4) != 0
    rows, columns = np.ogrid[:200, :200]
    disc = (rows + 0.5 - (200 - 30)) ** 2 + (columns + 0.5 - 180) ** 2 <= 36
    assert drawn.added_mm2 == pytest.approx((disc & ~before).sum() * 0.05**2, rel=0.03, abs=0.01)
    assert drawn.removed_mm2 == 0.0
    place = drawn.places[0]
    assert abs(place.x_mm - 9.0) < 0.31 and abs(place.y_mm - 1.5) < 0.31

    file, written = rewritten("copper-top.gbr")
    region = max((o for o in file.objects if o.polarity_dark), key=lambda o: len(getattr(o, "outline", ())))
    file.objects.remove(region)
    lost = one(changes(copper_top=written()), "copper-top")
    assert lost.added_mm2 == 0.0 and lost.removed_mm2 > 1.0
    assert lost.places[0].what == "removed"


def test_widening_by_a_hundredth_of_a_millimetre_on_each_side_is_too_narrow_and_by_three_it_is_not() -> None:
    """A square of 2 mm drawn 2.02 and 2.06 mm wide."""

    def square(side_mm: float) -> bytes:
        file = GerberFile()
        file.objects.append(
            graphic_objects.Flash(5.0, 5.0, apertures.RectangleAperture(side_mm, side_mm, unit=MM), unit=MM)
        )
        file.file_attrs = {".FileFunction": ("Legend", "Bot")}
        data: bytes = file.write_to_bytes(FileSettings(unit=MM, number_format=(4, 6)))
        return data

    def against(side_mm: float) -> Changes:
        sides = [match_files({"l.gbr": square(side)}, {}, whose="x").layers for side in (2.0, side_mm)]
        return compare_packages(*sides)

    assert against(2.02).differing(missing_counts=True) == ()
    (wider,) = against(2.06).differing(missing_counts=True)
    assert wider.added_mm2 == pytest.approx(2.06**2 - 2.0**2, rel=0.02)
    assert wider.places[0].width_mm == pytest.approx(2.06, abs=0.011)


def test_missing_and_added_layers() -> None:
    fewer = {name: data for name, data in FILES.items() if name != "legend-top.gbr"}
    found = compare_packages(PACKAGE, match_files(fewer, {}, whose="x").layers)
    assert one(found, "legend-top").state == "missing"
    assert [change.layer for change in found.differing(missing_counts=True)] == ["legend-top"]
    assert found.differing(missing_counts=False) == ()
    extra = {**FILES, "new.gbr": FILES["legend-top.gbr"].replace(b"Legend,Top", b"Legend,Bot")}
    found = compare_packages(PACKAGE, match_files(extra, {}, whose="x").layers)
    assert one(found, "legend-bottom").state == "added"
    assert one(found, "legend-bottom").added_mm2 > 1.0


def drill(*holes: Hole) -> dict[str, tuple[str, bytes]]:
    data = xnc_drill(holes, plated=False, project=PROJECT)
    assert data is not None
    return {**PACKAGE, "holes-unplated": ("holes.xnc", data)}


def test_holes_are_compared_as_numbers() -> None:
    mine = Hole(x_mm=3.0, y_mm=4.0, diameter_mm=1.0, plated=False)
    slot = Hole(x_mm=6.0, y_mm=4.0, diameter_mm=1.0, plated=False, slot_to=(8.0, 4.0))
    turned = Hole(x_mm=8.0, y_mm=4.0, diameter_mm=1.0, plated=False, slot_to=(6.0, 4.0))
    assert compare_packages(drill(mine, slot), drill(turned, mine)).differing(missing_counts=True) == ()
    larger = Hole(x_mm=3.0, y_mm=4.0, diameter_mm=1.1, plated=False)
    (change,) = compare_packages(drill(mine, slot), drill(larger, slot)).differing(missing_counts=True)
    assert [place.what for place in change.places] == ["added", "removed"]
    assert change.added_mm2 == pytest.approx(np.pi * 0.55**2)
    (change,) = compare_packages(drill(mine, slot), drill(mine)).differing(missing_counts=True)
    assert change.removed_mm2 == pytest.approx(2.0 + np.pi / 4)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_wide_parts_are_an_opening_by_a_square(seed: int) -> None:
    """By SciPy's binary opening."""
    rng = np.random.default_rng(seed)
    plane = rng.random(tuple(rng.integers(1, 12, 2))) < 0.7
    padded = np.pad(plane, 2)
    assert (wide_parts(plane) == ndimage.binary_opening(padded, np.ones((2, 2)))[2:-2, 2:-2]).all()


@pytest.mark.parametrize(
    ("head", "wanted"),
    [
        (b"%TF.FileFunction,Copper,L1,Top*%", "copper-top"),
        (b"%TF.FileFunction,Copper,L4,Bot*%", "copper-bottom"),
        (b"%TF.FileFunction,Copper,L2,Inr*%", None),
        (b"G04 #@! TF.FileFunction,Legend,Bot*", "legend-bottom"),
        (b"; #@! TF.FileFunction,NonPlated,1,2,NPTH\n", "holes-unplated"),
        (b"%TF.FileFunction,Paste,Top*%", None),
        (b"%FSLAX46Y46*%", None),
    ],
)
def test_a_file_says_itself_which_layer_it_is(head: bytes, wanted: str | None) -> None:
    assert layer_of(head) == wanted


NAMELESS = b"%FSLAX46Y46*%\n%MOMM*%\nM02*\n"


@pytest.mark.parametrize(
    ("files", "said", "message"),
    [
        ({"legend-top.gbr": NAMELESS}, {}, "does not say which layer"),
        ({"a": NAMELESS, "b": NAMELESS}, {"profile": "a"}, "b of the files does not say"),
        ({"a": FILES["profile.gbr"], "b": FILES["profile.gbr"]}, {}, "are profile"),
        ({"a": NAMELESS}, {"profil": "a"}, "no layer 'profil'"),
        ({"a": NAMELESS}, {"profile": "b"}, "not among"),
        ({"a": NAMELESS}, {"profile": "a", "legend-top": "a"}, "said to be"),
        ({"a": NAMELESS}, {"holes-plated": "a"}, "no drill file"),
    ],
)
def test_nothing_is_guessed(files: dict[str, bytes], said: dict[str, str], message: str) -> None:
    with pytest.raises(ReturnedFileError, match=message):
        match_files(files, said, whose="the files")


def test_what_the_user_says_counts() -> None:
    found = match_files(
        {"a": NAMELESS, "profile.gbr": FILES["profile.gbr"], "notes.txt": b"hello"}, {"profile": "a"}, whose="x"
    )
    assert found.layers["profile"][0] == "a"
    assert found.others == ("profile.gbr", "notes.txt")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (NAMELESS.replace(b"M02*", b"X1Y1D03*\nM02*"), "can't be read"),
        (NAMELESS.replace(b"M02*", b"G36*\nX0Y0D02*\nX99000000000Y0D01*\nX0Y9D01*\nX0Y0D01*\nG37*\nM02*"), "99000 mm"),
    ],
)
def test_files_that_cannot_be_compared_are_named(data: bytes, message: str) -> None:
    with pytest.raises(ReturnedFileError, match=message):
        compare_packages(PACKAGE, {"legend-top": ("back.gbr", data)})
    with pytest.raises(ReturnedFileError, match="None of the files"):
        compare_packages(PACKAGE, {"copper-bottom": ("back.gbr", NAMELESS)})
