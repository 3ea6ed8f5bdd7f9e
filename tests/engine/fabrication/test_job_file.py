"""The Gerber job file: keys and values from memory of Ucamco's specification."""

from __future__ import annotations

import dataclasses
import json

import pytest

from tests.boards import board
from tests.engine.fabrication.test_gerber import PROJECT
from worker.engine.fabrication.job_file import PLATINGS as JOB_PLATINGS
from worker.engine.fabrication.job_file import LayerFile, gerber_job
from worker.fab_profile import PLATINGS, FabProfile

FILES = (
    LayerFile(path="copper-top.gbr", function="Copper,L1,Top", polarity="Positive"),
    LayerFile(path="solder-mask-top.gbr", function="Soldermask,Top", polarity="Negative"),
    LayerFile(path="legend-top.gbr", function="Legend,Top", polarity="Positive"),
    LayerFile(path="copper-bottom.gbr", function="Copper,L2,Bot", polarity="Positive"),
    LayerFile(path="solder-mask-bottom.gbr", function="Soldermask,Bot", polarity="Negative"),
    LayerFile(path="profile.gbr", function="Profile,NP", polarity="Positive"),
)


def job(fab: FabProfile) -> dict:  # type: ignore[type-arg]
    return json.loads(gerber_job(FILES, fab, project=PROJECT, width_nm=60_000_000, height_nm=40_500_000))  # type: ignore[no-any-return]


def test_sizes_plating_and_files() -> None:
    found = job(board("nocturne-gold"))
    specs = found["GeneralSpecs"]
    assert specs["Size"] == {"X": 60.0, "Y": 40.5}
    assert (specs["LayerNumber"], specs["BoardThickness"], specs["Finish"]) == (2, 1.6, "ENIG")
    assert specs["ProjectId"]["GUID"] == PROJECT.guid
    assert found["Header"]["CreationDate"] == "2026-11-25T12:30:00+00:00"
    assert [row["Path"] for row in found["FilesAttributes"]] == [file.path for file in FILES]
    assert found["FilesAttributes"][1] == {
        "Path": "solder-mask-top.gbr",
        "FileFunction": "Soldermask,Top",
        "FilePolarity": "Negative",
    }


def test_the_stack_up_runs_from_top_to_bottom_and_adds_up() -> None:
    rows = job(board("nocturne-gold"))["MaterialStackup"]
    assert [row["Type"] for row in rows] == [
        "Legend",
        "SolderMask",
        "Copper",
        "Dielectric",
        "Copper",
        "SolderMask",
    ]
    assert rows[0]["Color"] == "white" and rows[1]["Color"] == "clear, gloss"
    assert sum(row.get("Thickness", 0.0) for row in rows) == pytest.approx(1.6)
    assert rows[2]["Thickness"] == 0.035


def test_every_plating_has_a_word_and_lead_is_told_apart() -> None:
    assert set(JOB_PLATINGS) == set(PLATINGS)
    fab = board("nocturne-gold")
    words = {
        lead_free: job(dataclasses.replace(fab, plating="HASL", lead_free=lead_free))["GeneralSpecs"]["Finish"]
        for lead_free in (True, False)
    }
    assert words == {True: "HAL lead-free", False: "HAL SnPb"}
