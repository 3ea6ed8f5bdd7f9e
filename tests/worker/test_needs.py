"""Jobs that wait for others, on both databases: let go in order, once, whatever becomes of those that they need."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sql

from worker.job import Claim, Failure, JobFile, JobRequest, Package
from worker.ledger import Ledger
from worker.ledger.collections import CollectionRequest, MemberRequest
from worker.ledger.needs import NOT_MADE
from worker.ledger.tables import metadata

LOST = Failure(code="crashed", what="It crashed.", mend="Mend it.")


@pytest.fixture
def ledger(url: str) -> Iterator[Ledger]:
    ledger = Ledger(url, lease_seconds=30, attempts=3)
    ledger.migrate()
    with ledger.database.writing() as connection:
        for table in reversed(metadata.sorted_tables):
            connection.execute(sql.delete(table))
    for owner in ("local", "other"):
        ledger.fabs.create(owner, "fab", "r1", b"first")
    yield ledger
    ledger.close()


def request(fingerprint: str, *needs: str, **changes: Any) -> JobRequest:
    values: dict[str, Any] = {
        "owner": "local", "kind": "convert", "lane": "batch", "name": fingerprint, "artwork": "0" * 64,
        "artwork_bytes": 1, "fab_id": "fab", "fab_revision": "r1", "settings": {}, "fingerprint": fingerprint,
        "needs": needs,
    }  # fmt: skip
    return JobRequest(**{**values, **changes})


def collect(ledger: Ledger, *members: JobRequest, shared: tuple[JobRequest, ...]) -> str:
    wanted = CollectionRequest(
        owner="local", name="c", fab_id="fab", fab_revision="r1", fingerprint="c", shared=shared,
        members=[MemberRequest(path=one.name, request=one) for one in members],
    )  # fmt: skip
    made, _ = ledger.collections.add(wanted)
    return made.id


def states(ledger: Ledger, collection: str) -> dict[str, str]:
    return {one.path: one.job.state for one in ledger.collections.members(collection) if one.job is not None}


def claimed(ledger: Ledger, name: str) -> Claim:
    claim = ledger.jobs.claim("batch", f"task of {name}")
    assert claim is not None and claim.job.name == name
    return claim


def publish(ledger: Ledger, claim: Claim, *paths: str) -> None:
    files = [JobFile(path=path, start=60, bytes=3, sha256="1" * 64, media_type="image/png") for path in paths]
    key = f"results/{claim.job.id}/{claim.token}"
    assert ledger.jobs.publish(claim.job.id, claim.token, Package(key=key, bytes=200, files=tuple(files)), {})


def palette() -> JobRequest:
    return request("p", kind="palette", artwork="")


def test_members_wait_for_their_palette_and_get_its_files(ledger: Ledger) -> None:
    collection = collect(ledger, request("a", "p"), request("b", "p"), request("c"), shared=(palette(),))
    first = claimed(ledger, "p")
    claimed(ledger, "c")  # it needs nothing
    assert ledger.jobs.claim("batch", "none") is None and ledger.jobs.let_go() == 0
    assert ledger.jobs.waiting()["batch"] == 0  # so that no worker is thought to be idle for them
    publish(ledger, first, "palette.npz")
    assert ledger.jobs.let_go() == 2 and ledger.jobs.let_go() == 0
    claim = claimed(ledger, "a")
    found = claim.job.inputs["palette.npz"]
    assert (found.key, found.start, found.bytes) == (f"results/{first.job.id}/{first.token}", 60, 3)
    # A worker that is lost costs an attempt; the files are there again.
    assert ledger.jobs.give_back_task("task of a", LOST) == 1
    again = [ledger.jobs.claim("batch", str(i)) for i in range(2)]
    assert all(one is not None and "palette.npz" in one.job.inputs for one in again)
    assert states(ledger, collection) == {"a": "running", "b": "running", "c": "running"}


def test_what_failed_for_all_fails_each_and_is_made_again_on_request(ledger: Ledger) -> None:
    collection = collect(ledger, request("a", "p"), request("b", "p"), shared=(palette(),))
    claim = claimed(ledger, "p")
    assert ledger.jobs.fail(claim.job.id, claim.token, LOST)
    ledger.jobs.let_go()
    assert states(ledger, collection) == {"a": "failed", "b": "failed"}
    job = ledger.collections.members(collection)[0].job
    assert job is not None and job.failure is not None
    assert job.failure.what == f"{NOT_MADE}It crashed." and job.failure.mend == "Mend it."
    assert ledger.collections.retry(collection) == 2
    publish(ledger, claimed(ledger, "p"), "palette.npz")
    assert ledger.jobs.let_go() == 2
    assert "palette.npz" in claimed(ledger, "a").job.inputs


def series() -> tuple[JobRequest, list[JobRequest]]:
    plan = request("p", kind="series-plan", artwork="")
    pieces = [request("0", "p", kind="piece"), *(request(str(i), "p", str(i - 1), kind="piece") for i in range(1, 4))]
    return plan, pieces


def test_pieces_follow_on_one_another_and_step_over_bad_ones(ledger: Ledger) -> None:
    plan, pieces = series()
    collection = collect(ledger, *pieces, shared=(plan,))
    publish(ledger, claimed(ledger, "p"), "plan.zip")
    ledger.jobs.let_go()
    first = claimed(ledger, "0")
    publish(ledger, first, "continuity.npz")
    for name in ("1", "2"):
        assert ledger.jobs.let_go() == 1
        bad = claimed(ledger, name)
        assert ledger.jobs.claim("batch", "none") is None
        assert ledger.jobs.fail(bad.job.id, bad.token, LOST)
    assert ledger.jobs.let_go() == 1
    last = claimed(ledger, "3")
    assert last.job.inputs["continuity.npz"].key == f"results/{first.job.id}/{first.token}"
    assert set(last.job.inputs) == {"continuity.npz", "plan.zip"}
    publish(ledger, last, "continuity.npz")
    assert states(ledger, collection) == {"0": "done", "1": "failed", "2": "failed", "3": "done"}
    # Asked for again, they follow on the last piece that was made before them.
    assert ledger.collections.retry(collection) == 2 and ledger.jobs.let_go() == 2
    for name in ("1", "2"):
        assert claimed(ledger, name).job.inputs["continuity.npz"].key == f"results/{first.job.id}/{first.token}"


def test_a_stopped_collection_leaves_nothing_waiting(ledger: Ledger) -> None:
    plan, pieces = series()
    collection = collect(ledger, *pieces, shared=(plan,))
    assert ledger.collections.cancel(collection) == 4
    publish(ledger, claimed(ledger, "p"), "plan.zip")
    assert ledger.jobs.let_go() == 0 and ledger.jobs.claim("batch", "none") is None


def test_a_result_that_is_waited_for_is_not_given_up(ledger: Ledger) -> None:
    collect(ledger, request("a", "p"), shared=(palette(),))
    publish(ledger, claimed(ledger, "p"), "palette.npz")
    assert ledger.expiry.by_age(-10.0) == []


def test_an_equal_collection_takes_the_jobs_of_then_and_makes_no_palette(ledger: Ledger) -> None:
    collect(ledger, request("a", "p"), shared=(palette(),))
    publish(ledger, claimed(ledger, "p"), "palette.npz")
    ledger.jobs.let_go()
    publish(ledger, claimed(ledger, "a"))
    collect(ledger, request("a", "p"), shared=(palette(),))
    assert ledger.jobs.let_go() == 0 and ledger.jobs.claim("batch", "none") is None
    # Another artwork of the same palette waits for nothing that is not there.
    collect(ledger, request("b", "p"), shared=(palette(),))
    assert ledger.jobs.let_go() == 1
    assert "palette.npz" in claimed(ledger, "b").job.inputs


def test_those_let_go_take_their_turn_and_no_other_owners(ledger: Ledger) -> None:
    """While they waited others were served; that is not made up for: turns alternate from now on."""
    collect(ledger, *(request(f"a{i}", "p") for i in range(4)), shared=(palette(),))
    first = claimed(ledger, "p")
    for i in range(8):
        ledger.jobs.add(request(f"o{i}", owner="other"))
    for i in range(6):
        publish(ledger, claimed(ledger, f"o{i}"))
    publish(ledger, first, "palette.npz")
    assert ledger.jobs.let_go() == 4
    order = []
    while (claim := ledger.jobs.claim("batch", "any")) is not None:
        order.append(claim.job.owner)
        publish(ledger, claim)
    assert "other" in order[:3]
