"""The flow with fabrication files: what comes out, and that the report says it."""

from __future__ import annotations

import hashlib
import io
import json
import weakref
from typing import Any

import jsonschema
import numpy as np
import pytest
from PIL import Image

from tests.boards import FABS, board
from tests.engine.conftest import MemoryTables
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.picture import Artwork
from worker.engine.made_board import make_board
from worker.engine.pipeline import convert
from worker.engine.report.report import report_schema
from worker.job_settings import read_settings

TOKEN = (FABS.parent / "artworks" / "night-watch-token.png").read_bytes()
WRITTEN = {"width": "20mm", "board": "disc", "pitch": "40um", "fabrication": "on"}


@pytest.fixture(scope="module")
def files(tables: MemoryTables) -> dict[str, bytes]:
    found = convert(TOKEN, board("nocturne-gold"), read_settings(WRITTEN), name="token", tables=tables, threads=2)
    return dict(found.files())


def report(files: dict[str, bytes]) -> dict[str, object]:
    loaded: dict[str, object] = json.loads(files["report.json"])
    return loaded


def test_the_report_follows_its_schema(files: dict[str, bytes]) -> None:
    jsonschema.validate(report(files), report_schema())


def test_every_fabrication_file_is_listed_with_its_hash(files: dict[str, bytes]) -> None:
    listed = {entry["path"]: entry for entry in report(files)["fabrication"]["files"]}  # type: ignore[index]
    assert set(listed) == {path for path in files if path.startswith("fabrication/")}
    for path, entry in listed.items():
        assert entry["sha256"] == hashlib.sha256(files[path]).hexdigest()
    assert listed["fabrication/copper-top.gbr"]["function"] == "Copper,L1,Top"
    assert listed["fabrication/solder-mask-bottom.gbr"]["function"] == "Soldermask,Bot"
    assert listed["fabrication/profile.gbr"]["function"] == "Profile,NP"


def test_no_limit_is_broken_in_what_is_written(files: dict[str, bytes]) -> None:
    violations = report(files)["fabrication"]["violations"]  # type: ignore[index]
    assert violations["found"]
    assert violations["left"] == {} and violations["listed"] == []


def test_what_will_be_seen_is_a_partition_of_the_board(files: dict[str, bytes]) -> None:
    def masks(folder: str) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
        names = [name for name in files if name.startswith(folder)]
        assert len(names) == 5
        return sum(np.asarray(Image.open(io.BytesIO(files[name]))).astype(np.int64) for name in names)  # type: ignore[return-value]

    seen, asked = masks("fabrication/seen/"), masks("masks/")
    assert set(np.unique(seen)) == {0, 1}
    assert (seen == asked).all()


def test_without_the_setting_there_is_nothing_of_it(tables: MemoryTables) -> None:
    plain = read_settings({**WRITTEN, "fabrication": "off"})
    found = dict(convert(TOKEN, board("nocturne-gold"), plain, tables=tables, threads=2).files())
    assert not [path for path in found if path.startswith("fabrication/")]
    assert "fabrication" not in report(found)


def test_the_same_input_gives_the_same_bytes(files: dict[str, bytes]) -> None:
    again = convert(TOKEN, board("nocturne-gold"), read_settings(WRITTEN), name="token", tables=MemoryTables())
    for path, data in again.files():
        if path != "report.json":
            assert files[path] == data, path


def test_the_artwork_as_it_was_read_is_let_go_before_the_layers_are_made(
    tables: MemoryTables, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[weakref.ref[np.ndarray[tuple[int, ...], np.dtype[np.uint8]]]] = []
    held: list[bool] = []

    def read(*arguments: Any, **named: Any) -> Artwork:
        artwork = read_artwork(*arguments, **named)
        kept.append(weakref.ref(artwork.srgb))
        return artwork

    def make(*arguments: Any, **named: Any) -> Any:
        held.extend(ref() is not None for ref in kept)
        return make_board(*arguments, **named)

    monkeypatch.setattr("worker.engine.pipeline.read_artwork", read)
    monkeypatch.setattr("worker.engine.pipeline.make_board", make)
    convert(TOKEN, board("nocturne-gold"), read_settings(WRITTEN), tables=tables, threads=1)
    assert held == [False]
