"""Manifests: the same said in TOML 1.0, JSON (RFC 8259) and CSV (RFC 4180), and what is wrong with one."""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.hostile.judging import fault_of_words
from worker.collection.manifest import MAX_ARTWORKS, Manifest, read_manifest
from worker.errors import ManifestError

TOML = """
width = "40mm"
fabrication = true
[artworks."birds/owl.png"]
width = "30mm"
pin = ["#C82828=legend", "#ffffff~3=mask"]
max_finishes = 3
[artworks.'wren.png']
skip = true
bottom = "./back/wren.png"
"""
CSV = """artwork,width,pin,max_finishes,skip,bottom\r
birds/owl.png,30mm,#C82828=legend #ffffff~3=mask,3,,\r
\r
./wren.png,,,,on,back\\wren.png\r
"""


def _json() -> str:
    pins = ["#C82828=legend", "#ffffff~3=mask"]
    return json.dumps(
        {
            "width": "40mm",
            "fabrication": True,
            "artworks": {
                "birds/owl.png": {"width": "30mm", "pin": pins, "max_finishes": 3},
                "wren.png": {"skip": True, "bottom": "back/wren.png"},
            },
        }
    )


def _said(manifest: Manifest) -> dict[str, object]:
    return {
        path: (dict(entry.settings), entry.bottom, entry.board_file, entry.skip)
        for path, entry in manifest.entries.items()
    }


def test_all_kinds_say_the_same() -> None:
    toml = read_manifest(TOML.encode(), file_name="m.toml")
    told = _said(toml)
    assert told == _said(read_manifest(_json().encode(), file_name="M.JSON"))
    assert told == _said(read_manifest(b"\xef\xbb\xbf" + CSV.encode(), file_name="m.csv"))
    assert told == _said(read_manifest(CSV.replace(",", ";").encode(), file_name="m.csv"))
    owl = {"width": ("30mm",), "pin": ("#C82828=legend", "#ffffff~3=mask"), "max_finishes": ("3",)}
    assert told == {"birds/owl.png": (owl, "", "", False), "wren.png": ({}, "back/wren.png", "", True)}
    assert toml.shared == {"width": ("40mm",), "fabrication": ("on",)}


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("m.txt", "", ("does not say what it is", ".csv")),
        ("m.toml", "widht = '3mm'", ("widht", "width")),
        ("m.toml", "[artworks.'a.png']\ncolour = 1", ("a.png", "colour", "bottom")),
        ("m.toml", "artworks = 3", ("artworks: is 3",)),
        ("m.toml", "[artworks]\n'a.png' = 3", ("a.png", "width")),
        ("m.toml", "[artworks.'a.png']\nwidth = ['1mm', '2mm']", ("width has 2 values",)),
        ("m.toml", "[artworks.'a.png']\nwidth = {}", ("width is {}", "quotes")),
        ("m.toml", "[artworks.'a.png']\nskip = 'perhaps'", ("skip", "on or off")),
        ("m.toml", "[artworks.'a.png']\n[artworks.'./a.png']", ("there twice",)),
        ("m.toml", "= 3", ("TOML",)),
        ("m.json", "[]", ("Write a table",)),
        ("m.json", "{", ("JSON",)),
        ("m.csv", "", ("is empty", "artwork")),
        ("m.csv", "width\n3mm", ("no column artwork",)),
        ("m.csv", "artwork,width,width\n", ("two columns", "width")),
        ("m.csv", "artwork,depth\n", ("depth", "Known")),
        ("m.csv", "artwork,width\na.png,3mm,4mm", ("row 2", "3 cells under 2 names")),
        ("m.csv", "artwork,width\n,3mm", ("row 2", "names no artwork")),
        ("m.csv", 'artwork,width\n"a.png,3mm', ("row 2", "quotes")),
        ("m.csv", "artwork\n" + "".join(f"{i}.png\n" for i in range(MAX_ARTWORKS + 1)), ("20,001",)),
    ],
)
def test_what_is_wrong_is_said_with_its_place(name: str, text: str, words: tuple[str, ...]) -> None:
    with pytest.raises(ManifestError) as caught:
        read_manifest(text.encode(), file_name=name)
    told = f"{caught.value.what} {caught.value.mend}"
    assert name in told and all(word in told for word in words), told


def test_what_is_no_text_is_said() -> None:
    with pytest.raises(ManifestError, match="byte 0"):
        read_manifest(b"\xff\xfe", file_name="m.csv")


@given(
    data=st.binary(max_size=300) | st.text(max_size=300).map(str.encode), kind=st.sampled_from(["toml", "json", "csv"])
)
def test_any_bytes_are_read_or_refused_in_words(data: bytes, kind: str) -> None:
    try:
        read_manifest(data, file_name=f"m.{kind}")
    except ManifestError as error:
        assert fault_of_words(error.what, error.mend, data.decode("latin-1")) == ""


@given(paths=st.lists(st.from_regex(r"[a-zä \",;'-]{1,12}\.png", fullmatch=True), unique=True, max_size=8))
def test_paths_that_python_writes_as_csv_are_read_back(paths: list[str]) -> None:
    paths = [path for path in paths if path == path.strip()]
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["artwork", "width"])
    writer.writerows([path, "3mm"] for path in paths)
    assert list(read_manifest(text.getvalue().encode(), file_name="m.csv").entries) == paths
