"""What the questions about references answer: the references of a fab, and a finished job scored with others."""

from __future__ import annotations

import functools
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, BinaryIO

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.difference import ciede2000
from worker.engine.references.findings import fab_findings
from worker.engine.references.reference import FinishReference, finish_reference
from worker.engine.report.rescore import Bench, Moved, Rescored, prepare, reassigned, rescore, rescore_reassigned
from worker.engine.report.statistics import Statistics
from worker.engine.report.tuning_data import TuningData, read_tuning_data, tuning_data, write_tuning_data
from worker.errors import FabProfileError
from worker.fab_profile import FabProfile, read_fab_profile, read_override, read_reading
from worker.finish import Finish
from worker.reading import STANDARD_CONDITIONS, ViewingConditions, read_viewing_conditions

KEPT_JOBS = 6
"""So many jobs' tuning data stay in a process: some 12 MB each, whatever the size of the artwork."""

CIEDE2000_HOW = (
    "A preview: from the histogram that the job kept, each of its {bins} colours against its finish; every pixel keeps "
    "the finish that it has."
)
S_CIELAB_HOW = (
    "A preview: from artwork and board reduced to {width} x {height} blocks of {step} pixels; every pixel keeps the "
    "finish that it has."
)
REASSIGNED_HOW = (
    "A preview: from the histogram, with these clusters in the finishes that they would go to; rims and specks stay."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Kept:
    """A job on the bench, and its preview under the references that it was scored with."""

    bench: Bench
    before: Rescored


_kept: OrderedDict[str, _Kept] = OrderedDict()


def warm() -> None:
    """Load what a preview runs, so that the first one does not wait for it; no threads are started."""
    none = Statistics(mean=0.0, median=0.0, p95=0.0, max=0.0)
    square = np.zeros((4, 4), dtype=np.uint8)
    data = tuning_data(
        np.zeros((4, 4, 3), dtype=np.uint8),
        square,
        square,
        finish_ids=("one", "two"),
        reference_lab=np.array([[20.0, 0.0, 0.0], [90.0, 0.0, 0.0]]),
        conditions=STANDARD_CONDITIONS.text(),
        edges="threshold",
        active=(0, 1),
        clusters=(),
        ciede2000=none,
        s_cielab=none,
        pitch_um=100.0,
        viewing_distance_mm=300.0,
    )
    rescore(prepare(read_tuning_data(write_tuning_data(data))), data.reference_lab)


def references_answer(toml: bytes, conditions: str, *, fab_id: str) -> dict[str, Any]:
    """Every reference of a profile under viewing conditions, and what to look at. Raises FabProfileError."""
    viewing = read_viewing_conditions(conditions)
    found = fab_findings(read_fab_profile(toml, file_name=f"fab {fab_id}"), viewing)
    return {
        "viewing_conditions": viewing.text(),
        "references": [reference_answer(reference) for reference in found.references],
        "warnings": [
            {"rule": each.rule, "finishes": list(each.finishes), "text": each.text} for each in found.warnings
        ],
    }


def reference_answer(reference: FinishReference) -> dict[str, Any]:
    """A reference as JSON: places of readings count from 0."""
    return {
        "finish": reference.finish,
        "lab": _rounded(reference.lab),
        "viewing_lab": _rounded(reference.viewing_lab),
        "srgb": _hex(reference.lab),
        "grade": reference.grade,
        "spread": None if reference.spread is None else float(reference.spread),
        "uncertainty": float(reference.uncertainty),
        "derivation": reference.derivation,
        "geometry": reference.geometry,
        "overridden": reference.overridden,
        "read_under": [known.text() for known in reference.read_under],
        "used": list(reference.used),
        "set_aside": [{"index": aside.index, "reason": aside.reason} for aside in reference.set_aside],
    }


def preview_answer(
    toml: bytes,
    asked: Mapping[str, Any],
    open_tuning: Callable[[], BinaryIO],
    *,
    tuning_sha256: str,
    fab_id: str,
    threads: int,
) -> dict[str, Any]:
    """A finished job scored with edited references.

    Parameters
    ----------
    toml : the profile that the edits start from. asked : `edits`, or `toml` in place of it.
    open_tuning : opens the job's tuning.npz, which is not read when this process holds it still.

    Raises
    ------
    FabProfileError, StorageError
    """
    kept = _on_the_bench(tuning_sha256, open_tuning, threads)
    data = kept.bench.data
    finishes = _tried(toml, asked, fab_id=fab_id, data=data)
    conditions = read_viewing_conditions(data.conditions)
    references = [_reference(finish, conditions) for finish in finishes]
    lab = np.array([reference.lab for reference in references])
    after = rescore(kept.bench, lab, threads=threads)
    moved = reassigned(kept.bench, lab)
    height, width = data.artwork_srgb.shape[:2]
    return {
        "preview": True,
        "viewing_conditions": data.conditions,
        "viewing_distance_mm": data.viewing_distance_mm,
        "ciede2000": {
            **_compared(data.ciede2000, kept.before.ciede2000, after.ciede2000),
            "how": CIEDE2000_HOW.format(bins=len(data.colour_px)),
        },
        "s_cielab": {
            **_compared(data.s_cielab, kept.before.s_cielab, after.s_cielab),
            "how": S_CIELAB_HOW.format(width=width, height=height, step=data.step),
        },
        "finishes": [_finish(data, kept.before, after, references, i) for i in range(len(references))],
        "clusters": {
            "moved": [_moved(data, one) for one in moved],
            "reassigned": _reassigned(kept.bench, lab, moved),
        },
    }


def _on_the_bench(sha256: str, open_tuning: Callable[[], BinaryIO], threads: int) -> _Kept:
    """The job of this tuning.npz, from memory where it was used lately."""
    if sha256 in _kept:
        _kept.move_to_end(sha256)
        return _kept[sha256]
    with open_tuning() as source:
        data = read_tuning_data(source.read())
    bench = prepare(data, threads=threads)
    _kept[sha256] = _Kept(bench=bench, before=rescore(bench, data.reference_lab, threads=threads))
    while len(_kept) > KEPT_JOBS:
        _kept.popitem(last=False)
    return _kept[sha256]


@functools.lru_cache(maxsize=256)
def _reference(finish: Finish, conditions: ViewingConditions) -> FinishReference:
    return finish_reference(finish, conditions)


@functools.lru_cache(maxsize=8)
def _profile(toml: bytes, fab_id: str) -> FabProfile:
    return read_fab_profile(toml, file_name=f"fab {fab_id}")


def _tried(toml: bytes, asked: Mapping[str, Any], *, fab_id: str, data: TuningData) -> list[Finish]:
    """The finishes of the job, in its order, as they are to be tried."""
    whole = asked.get("toml")
    fab = _profile(toml, fab_id) if whole is None else _profile(whole.encode(), f"{fab_id} as sent")
    finishes = {finish.id: finish for finish in fab.finishes}
    for edit in asked.get("edits", ()):
        finishes[edit["finish"]] = _edited(finishes[edit["finish"]], edit, fab_id)
    missing = [finish for finish in data.finish_ids if finish not in finishes]
    if missing:
        raise FabProfileError(
            f"fab {fab_id}: has no finish {missing[0]!r}, which the job was made with.",
            mend="Preview a job that was made with these finishes, or run it again.",
        )
    return [finishes[finish] for finish in data.finish_ids]


def _edited(finish: Finish, edit: Mapping[str, Any], fab_id: str) -> Finish:
    place = f"fab {fab_id}: finish {finish.id}"
    if "reading" in edit:
        return replace(finish, readings=(*finish.readings, read_reading(edit["reading"], place=place)))
    return replace(finish, override=read_override(edit["override"], place=place))


def _compared(exact: Statistics, before: Statistics, after: Statistics) -> dict[str, Any]:
    return {
        "preview": True,
        "exact": asdict(exact),
        "before": asdict(before),
        "after": asdict(after),
        "change": after.mean - before.mean,
    }


def _finish(
    data: TuningData, before: Rescored, after: Rescored, references: Sequence[FinishReference], i: int
) -> dict[str, Any]:
    old, new = before.by_finish[i], after.by_finish[i]
    share = float(data.colour_px[data.colour_finish == i].sum() / max(1, data.colour_px.sum()))
    return {
        "id": data.finish_ids[i],
        "share": share,
        "before_lab": _rounded(data.reference_lab[i]),
        "reference": reference_answer(references[i]),
        "reference_change": float(ciede2000(data.reference_lab[i], references[i].lab)),
        "ciede2000": None if old is None or new is None else {"before": old[0], "after": new[0]},
        "s_cielab": None if old is None or new is None else {"before": old[1], "after": new[1]},
    }


def _moved(data: TuningData, one: Moved) -> dict[str, Any]:
    return {
        "cluster": one.cluster,
        "colour": _hex(np.array(one.lab)),
        "share": one.share,
        "from": data.finish_ids[one.before],
        "to": data.finish_ids[one.after],
        "margin": one.margin,
    }


def _reassigned(bench: Bench, lab: Floats, moved: tuple[Moved, ...]) -> dict[str, Any] | None:
    """The score once the clusters have moved; None where none does, and for a dither, which mixes its finishes."""
    if not moved or bench.data.edges != "threshold":
        return None
    return {"preview": True, "ciede2000": asdict(rescore_reassigned(bench, lab, moved)), "how": REASSIGNED_HOW}


def _rounded(lab: Floats) -> list[float]:
    return [round(float(value), 4) for value in lab]


def _hex(lab: Floats) -> str:
    red, green, blue = lab_to_srgb(lab)
    return f"#{red:02X}{green:02X}{blue:02X}"
