"""What questions about references answer, and that a process keeps the jobs that are tuned at hand."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from service.tuning_answers import PreviewAnswer, ReferencesAnswer
from tests.boards import FABS, board
from tests.engine.open_pictures import photograph, png_of
from worker import tuning
from worker.engine.pipeline import Conversion, convert
from worker.engine.report.tuning_data import write_tuning_data
from worker.errors import FabProfileError, StorageError
from worker.job_settings import read_settings
from worker.settings import PROJECT
from worker.table_folder import TableFolder

FAB = "nocturne-gold"
TOML = (FABS / f"{FAB}.toml").read_bytes()
LAB = {"lab": [60.0, 12.0, 40.0], "illuminant": "D65", "observer": "2"}
READING = {**LAB, "geometry": "45:0", "origin": "measured"}


@pytest.fixture(scope="module")
def token(table_folder: Path) -> Conversion:
    artwork = (PROJECT / "samples" / "artworks" / "night-watch-token.png").read_bytes()
    settings = read_settings({"width": "30mm", "pitch": "50um", "clusters": "8"})
    return convert(artwork, board(FAB), settings, tables=TableFolder(table_folder), threads=2)


class Opened:
    """Opens a job's tuning data, and counts how often."""

    def __init__(self, conversion: Conversion) -> None:
        self.content = write_tuning_data(conversion.tuning)
        self.times = 0

    def __call__(self) -> BinaryIO:
        self.times += 1
        return io.BytesIO(self.content)


def preview(conversion: Conversion, sha256: str = "", toml: bytes = TOML, **asked: Any) -> dict[str, Any]:
    answer = tuning.preview_answer(
        toml, asked, Opened(conversion), tuning_sha256=sha256 or str(id(conversion)), fab_id=FAB, threads=1
    )
    PreviewAnswer.model_validate({"job": "", "fab": "", "revision": "", **answer}, strict=False)
    return answer


def finish(answer: dict[str, Any], finish_id: str) -> dict[str, Any]:
    found: dict[str, Any] = next(one for one in answer["finishes"] if one["id"] == finish_id)
    return found


def test_without_an_edit_nothing_changes(token: Conversion) -> None:
    answer = preview(token)
    assert answer["preview"] and answer["ciede2000"]["preview"] and answer["s_cielab"]["preview"]
    for name in ("ciede2000", "s_cielab"):
        assert answer[name]["before"] == answer[name]["after"] and answer[name]["change"] == 0.0
        assert answer[name]["exact"]["mean"] == getattr(token.score, name).mean
    assert abs(answer["ciede2000"]["after"]["mean"] - token.score.ciede2000.mean) < 0.1
    assert answer["clusters"] == {"moved": [], "reassigned": None}
    assert sum(one["share"] for one in answer["finishes"]) == pytest.approx(1.0)


def test_an_edit_shows_in_its_finish_alone(token: Conversion) -> None:
    before = preview(token)
    answer = preview(token, edits=[{"finish": "gold", "override": LAB}])
    gold = finish(answer, "gold")
    assert gold["reference"]["overridden"] and gold["reference"]["lab"] == LAB["lab"]
    old = token.colours.lab[token.colours.ids.index("gold")]
    assert gold["reference_change"] == pytest.approx(float(deltaE_ciede2000(old, np.array(LAB["lab"]))), abs=1e-6)
    assert abs(gold["ciede2000"]["after"] - gold["ciede2000"]["before"]) > 0.5
    for one in answer["finishes"]:
        if one["id"] != "gold":
            assert one["reference"] == finish(before, one["id"])["reference"] and one["reference_change"] < 1e-9
            if one["ciede2000"] is not None:
                assert one["ciede2000"]["after"] == one["ciede2000"]["before"]
    assert answer["ciede2000"]["change"] == pytest.approx(
        answer["ciede2000"]["after"]["mean"] - answer["ciede2000"]["before"]["mean"]
    )


def test_a_measured_reading_counts_before_assumed_ones(token: Conversion) -> None:
    gold = finish(preview(token, edits=[{"finish": "gold", "reading": READING}]), "gold")
    count = len(board(FAB).finish("gold").readings)
    assert gold["reference"]["grade"] == "colorimetric" and gold["reference"]["used"] == [count]
    assert [aside["index"] for aside in gold["reference"]["set_aside"]] == list(range(count))
    assert gold["reference"]["lab"] == READING["lab"]


def test_a_whole_profile_is_tried_as_its_edits_are(token: Conversion) -> None:
    from worker.profile_edits import set_override
    from worker.reading import Override

    override = Override(lab=(60.0, 12.0, 40.0), illuminant="D65", observer="2")
    whole = set_override(TOML, "gold", override).decode()
    one = preview(token, edits=[{"finish": "gold", "override": LAB}])
    other = tuning.preview_answer(
        TOML, {"toml": whole}, Opened(token), tuning_sha256=str(id(token)), fab_id=FAB, threads=1
    )
    assert one == other


def test_clusters_that_would_go_elsewhere_are_told_with_the_score_then(token: Conversion) -> None:
    labs = {finish_id: token.colours.lab[i].tolist() for i, finish_id in enumerate(token.colours.ids)}
    swapped = [
        {"finish": one, "override": {**LAB, "lab": labs[other]}} for one, other in (("gold", "mask"), ("mask", "gold"))
    ]
    clusters = preview(token, edits=swapped)["clusters"]
    assert {(one["from"], one["to"]) for one in clusters["moved"]} == {("gold", "mask"), ("mask", "gold")}
    by_id = {cluster.id: cluster for cluster in token.clusters}
    for one in clusters["moved"]:
        assert by_id[one["cluster"]].finish == one["from"] and by_id[one["cluster"]].share == one["share"]
        assert one["margin"] > 0 and one["colour"].startswith("#")
    assert clusters["reassigned"]["preview"]
    assert clusters["reassigned"]["ciede2000"]["mean"] == pytest.approx(token.score.ciede2000.mean, abs=0.6)


def test_a_dither_is_not_reassigned_since_it_mixes(table_folder: Path) -> None:
    settings = read_settings({"width": "20mm", "pitch": "50um", "edges": "dither"})
    dithered = convert(png_of(photograph("coffee")), board(FAB), settings, tables=TableFolder(table_folder), threads=2)
    edits = [{"finish": "gold", "override": {**LAB, "lab": [5.0, 0.0, 0.0]}}]
    clusters = preview(dithered, edits=edits)["clusters"]
    assert clusters["moved"] and clusters["reassigned"] is None


def test_a_profile_without_a_finish_of_the_job_is_refused(token: Conversion) -> None:
    other = TOML.replace(b'id = "gold"', b'id = "brass"')
    with pytest.raises(FabProfileError, match="gold"):
        preview(token, toml=other)


def test_the_jobs_used_last_stay_in_memory(token: Conversion) -> None:
    opened = Opened(token)

    def ask(number: int) -> None:
        tuning.preview_answer(TOML, {}, opened, tuning_sha256=f"job {number}", fab_id=FAB, threads=1)

    for number in range(tuning.KEPT_JOBS):
        ask(number)
    assert opened.times == tuning.KEPT_JOBS
    ask(0)
    assert opened.times == tuning.KEPT_JOBS
    ask(tuning.KEPT_JOBS)  # it pushes out job 1, which was used least lately
    ask(0)
    assert opened.times == tuning.KEPT_JOBS + 1
    ask(1)
    assert opened.times == tuning.KEPT_JOBS + 2


def test_damaged_data_are_an_error_and_stay_out_of_memory(token: Conversion) -> None:
    with pytest.raises(StorageError, match=r"tuning\.npz"):
        tuning.preview_answer(TOML, {}, lambda: io.BytesIO(b"PK"), tuning_sha256="damaged", fab_id=FAB, threads=1)
    tuning.preview_answer(TOML, {}, Opened(token), tuning_sha256="damaged", fab_id=FAB, threads=1)


def test_references_answer_with_grade_uncertainty_and_findings() -> None:
    answer = tuning.references_answer(TOML, "D50/2", fab_id=FAB)
    ReferencesAnswer.model_validate({"fab": FAB, "revision": "", **answer})
    fab = board(FAB)
    assert [one["finish"] for one in answer["references"]] == [finish.id for finish in fab.finishes]
    assert answer["viewing_conditions"] == "D50/2"
    for one in answer["references"]:
        assert one["grade"] == "assumed" and one["uncertainty"] > 0 and one["used"]
    override = b'override = { lab = [50, -40, 20], illuminant = "D65", observer = "2" }'
    green = TOML.replace(b'id = "gold"', b'id = "gold"\n' + override)
    found = tuning.references_answer(green, "D65/2", fab_id=FAB)
    assert [warning for warning in found["warnings"] if "gold" in warning["finishes"]]
    assert next(one for one in found["references"] if one["finish"] == "gold")["overridden"]
