"""What is asked for of each artwork of a collection: whose word counts."""

from __future__ import annotations

import pytest

from worker.collection.file_sizes import size_in_name
from worker.collection.manifest import Entry, Manifest
from worker.collection.members import Members, plan_members
from worker.collection.result_names import result_folders
from worker.errors import ManifestError, OverrideError
from worker.job_settings import Settings


@pytest.mark.parametrize(
    ("path", "size"),
    [
        ("owl_30mm.png", {"width": "30mm"}),
        ("birds/owl-30x40mm.png", {"width": "30mm", "height": "40mm"}),
        ("owl 1.5in.svg", {"width": "1.5in"}),
        ("owl (3×4cm).png", {"width": "3cm", "height": "4cm"}),
        ("30mm.png", {"width": "30mm"}),
        ("30mm/owl.png", {}),
        ("owl30mm.png", {}),
        ("owl_30mm_2.png", {}),
        ("owl_30.png", {}),
        ("owl_12345mm.png", {}),
    ],
)
def test_sizes_stand_at_the_end_of_names(path: str, size: dict[str, str]) -> None:
    assert size_in_name(path) == size


def _planned(paths: list[str], manifest: Manifest, **given: str) -> Members:
    return plan_members(paths, manifest, {name: (text,) for name, text in given.items()})


def test_the_nearest_word_counts() -> None:
    paths = ["a.png", "b_20mm.png", "c_20x10mm.png", "d_20mm.png", "e.png"]
    manifest = Manifest(
        shared={"width": ("50mm",), "edges": ("dither",), "pitch": ("50um",)},
        entries={
            "c_20x10mm.png": Entry(settings={"edges": ("auto",)}),
            "d_20mm.png": Entry(settings={"height": ("7mm",)}),
            "e.png": Entry(settings={"width": ("9mm",)}),
        },
    )
    planned = _planned(paths, manifest, height="60mm", edges="threshold")
    told = {
        m.path: (m.settings.width_mm, m.settings.height_mm, m.settings.edges, m.settings.pitch_um)
        for m in planned.members
    }
    assert told == {
        "a.png": (50.0, 60.0, "threshold", 50.0),
        "b_20mm.png": (20.0, None, "threshold", 50.0),
        "c_20x10mm.png": (20.0, 10.0, "auto", 50.0),
        "d_20mm.png": (None, 7.0, "threshold", 50.0),
        "e.png": (9.0, None, "threshold", 50.0),
    }


def test_each_file_is_an_artwork_goes_with_one_or_is_left_out() -> None:
    paths = ["a.png", "back/a.png", "board.toml", "notes.txt", "odd.name", "b.png", "c.PNG"]
    manifest = Manifest(
        entries={
            "a.png": Entry(settings={}, bottom="back/a.png", board_file="board.toml"),
            "b.png": Entry(settings={}, skip=True),
            "odd.name": Entry(settings={}),
        }
    )
    planned = _planned(paths, manifest, width="10mm")
    assert [member.path for member in planned.members] == ["a.png", "odd.name", "c.PNG"]
    assert planned.members[0].bottom == "back/a.png" and planned.members[0].board_file == "board.toml"
    assert planned.skipped == ("notes.txt", "b.png") and planned.refused == ()


def test_an_artwork_with_wrong_settings_stops_no_other() -> None:
    manifest = Manifest(entries={"a.png": Entry(settings={"width": ("wide",)}), "b.png": Entry(settings={})})

    def check(settings: Settings) -> None:
        if settings.width_mm == 13.0:
            raise OverrideError("No.", mend="Yes.")

    planned = plan_members(["a.png", "b.png", "c_13mm.png"], manifest, {"width": ("8mm",)}, check=check)
    assert [member.path for member in planned.members] == ["b.png"]
    assert [(one.path, one.failure.code) for one in planned.refused] == [
        ("a.png", "settings"),
        ("c_13mm.png", "override"),
    ]
    assert "'wide'" in planned.refused[0].failure.what


def test_what_the_manifest_names_must_be_there() -> None:
    manifest = Manifest(
        name="m.csv", entries={"birds/owl.png": Entry(settings={}, bottom="owl-back.png", place="row 2")}
    )
    with pytest.raises(ManifestError) as caught:
        _planned(["birds/owl.png", "birds/owl-back.png"], manifest)
    assert "row 2" in caught.value.what and "'birds/owl-back.png'" in caught.value.mend


def test_every_result_has_a_folder_of_its_own() -> None:
    paths = ["birds/owl.png", "birds/owl.jpg", "Birds/OWL.png", "wren", "wren.png", "birds", ".hidden", "eggs/a.png"]
    paths += ["report.json", "report.html.png", "contact-sheet-1.png", "contact-sheet-1.jpg", "birds-1"]
    found = result_folders(paths)
    assert list(found) == paths
    names = [name.casefold() for name in found.values()]
    assert len(set(names)) == len(paths)
    assert not any(other.startswith(f"{name}/") for name in names for other in names)
    assert not {"birds", "report.html", "report.json", "contact-sheet-1.png"} & set(names)
    assert found["birds/owl.jpg"] == "birds/owl.jpg" and found["eggs/a.png"] == "eggs/a"
    assert found["report.json"] == "report"
