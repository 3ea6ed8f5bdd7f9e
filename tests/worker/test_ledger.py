"""The ledger on both databases: SQLite, and PostgreSQL from the system's packages."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sql
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext

from worker.errors import ConflictError, NotFoundError, SettingsError, UnavailableError
from worker.job import Failure, InputFile, JobFile, JobRequest, Package, Progress, Sign
from worker.ledger import Ledger
from worker.ledger.database import MIGRATIONS, Database
from worker.ledger.fabs import Edit
from worker.ledger.tables import jobs, metadata, now, turns

FILE = JobFile(path="masks/a.png", start=60, bytes=3, sha256="0" * 64, media_type="image/png")
LOST = Failure(code="crashed", what="It crashed.", mend="Mend it.")
RESULT = Package(key="results/x/y", bytes=200, files=(FILE,))


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


def request(**changes: Any) -> JobRequest:
    values: dict[str, Any] = {
        "owner": "local", "kind": "convert", "lane": "batch", "name": "a.png", "artwork": "0" * 64, "artwork_bytes": 1,
        "fab_id": "fab", "fab_revision": "r1", "settings": {"width": "60mm", "pin": ["#C82828~12=gold"]},
        "fingerprint": "f",
    }  # fmt: skip
    return JobRequest(**{**values, **changes})


def test_a_job_is_claimed_once_and_published_with_its_files(ledger: Ledger) -> None:
    job, new = ledger.jobs.add(request())
    assert new and job.state == "queued" and job.settings == request().settings
    claim = ledger.jobs.claim("batch", "task")
    assert claim is not None and claim.job.id == job.id and claim.job.attempt == 1 and claim.fab_toml == b"first"
    assert ledger.jobs.claim("batch", "task") is None
    assert ledger.jobs.keep_alive(job.id, claim.token, Progress(stage="score", done=1, of=2))
    assert ledger.jobs.publish(job.id, claim.token, RESULT, {"score": 1.5})
    done = ledger.jobs.get("local", job.id)
    assert done.state == "done" and done.summary == {"score": 1.5} and done.progress is not None
    assert ledger.jobs.package("local", job.id) == RESULT
    assert not ledger.jobs.publish(job.id, claim.token, RESULT, {})


def test_lanes_do_not_mix(ledger: Ledger) -> None:
    job, _ = ledger.jobs.add(request(lane="interactive"))
    assert ledger.jobs.claim("batch", "task") is None
    claim = ledger.jobs.claim("interactive", "task")
    assert claim is not None and claim.job.id == job.id


def test_a_stale_token_changes_nothing(ledger: Ledger) -> None:
    job, _ = ledger.jobs.add(request())
    first = ledger.jobs.claim("batch", "one")
    assert first is not None and ledger.jobs.give_back_task("one", LOST) == 1
    assert not ledger.jobs.publish(job.id, first.token, RESULT, {})
    second = ledger.jobs.claim("batch", "two")
    assert second is not None and second.token != first.token and second.job.attempt == 2
    assert not ledger.jobs.keep_alive(job.id, first.token, None)
    assert not ledger.jobs.publish(job.id, first.token, RESULT, {})
    assert not ledger.jobs.fail(job.id, first.token, Failure(code="internal", what="a", mend="b"))
    with pytest.raises(NotFoundError, match="running"):
        ledger.jobs.package("local", job.id)
    assert ledger.jobs.publish(job.id, second.token, RESULT, {})
    written = {(job.id, first.token), (job.id, second.token), ("nobody", second.token)}
    assert ledger.jobs.owned(written) == {(job.id, second.token)}


def signs_of(ledger: Ledger, job_id: str) -> Sign:
    return next(sign for sign in ledger.jobs.signs() if sign.job_id == job_id)


def test_a_silent_job_is_given_back_and_one_that_gave_a_sign_since_is_not(ledger: Ledger) -> None:
    silent, _ = ledger.jobs.add(request())
    ledger.jobs.claim("batch", "one")
    alive, _ = ledger.jobs.add(request())
    claim = ledger.jobs.claim("batch", "two")
    before = {job.id: signs_of(ledger, job.id) for job in (silent, alive)}
    assert claim is not None and ledger.jobs.keep_alive(alive.id, claim.token, None)
    assert ledger.jobs.give_back_silent(before[silent.id]) and not ledger.jobs.give_back_silent(before[alive.id])
    assert ledger.jobs.get("local", silent.id).state == "queued"
    assert ledger.jobs.get("local", alive.id).state == "running"
    again = ledger.jobs.claim("batch", "one")
    assert again is not None and again.job.id == silent.id
    assert not ledger.jobs.give_back_silent(before[silent.id]), "the sign was another attempt's"


def test_a_job_that_always_loses_its_worker_fails_after_three_attempts(ledger: Ledger) -> None:
    job, _ = ledger.jobs.add(request())
    for attempt in range(3):
        claim = ledger.jobs.claim("batch", f"task{attempt}")
        assert claim is not None
        assert ledger.jobs.keep_alive(job.id, claim.token, Progress(stage="colours", done=1, of=2))
        assert ledger.jobs.give_back_task(f"task{attempt}", LOST) == 1
    failed = ledger.jobs.get("local", job.id)
    assert failed.state == "failed" and failed.failure is not None and failed.failure.code == "crashed"
    assert "3 times" in failed.failure.what and "'colours'" in failed.failure.what and failed.failure.mend
    assert ledger.jobs.claim("batch", "task") is None


def test_a_planned_stop_costs_no_attempt(ledger: Ledger) -> None:
    job, _ = ledger.jobs.add(request())
    for _ in range(5):
        ledger.jobs.claim("batch", "task")
        assert ledger.jobs.give_back_all(counted=False) == 1
    assert ledger.jobs.get("local", job.id).state == "queued"


@pytest.mark.parametrize("times", [1, 2])
def test_a_job_that_lost_its_worker_goes_behind_all_that_its_owner_has(ledger: Ledger, times: int) -> None:
    bad, _ = ledger.jobs.add(request())
    for _ in range(times):
        claim = ledger.jobs.claim("batch", "bad")
        assert claim is not None and claim.job.id == bad.id
        ledger.jobs.give_back_task("bad", LOST)
    good = [ledger.jobs.add(request())[0].id for _ in range(5)]
    good += [ledger.jobs.add(request(owner="other"))[0].id for _ in range(5)]
    order = claim_all(ledger)
    assert order[-1] == bad.id and sorted(order[:-1]) == sorted(good)


def test_a_job_that_lost_its_worker_once_is_not_held_back_by_anothers_many(ledger: Ledger) -> None:
    unlucky, _ = ledger.jobs.add(request())
    ledger.jobs.claim("batch", "task")
    many = [ledger.jobs.add(request(owner="other"))[0].id for _ in range(50)]
    ledger.jobs.give_back_task("task", LOST)
    assert claim_all(ledger).index(unlucky.id) <= 15 < len(many)


def claim_all(ledger: Ledger) -> list[str]:
    order = []
    while claim := ledger.jobs.claim("batch", "task"):
        order.append(claim.job.id)
    return order


@pytest.mark.parametrize("workers", [1, 3])
def test_one_owner_with_many_jobs_does_not_hold_up_another(ledger: Ledger, workers: int) -> None:
    """Whoever asks for one job has it begun by the next worker that is free: it waits for one job's length at most."""
    for _ in range(60):
        ledger.jobs.add(request())
    for number in range(50):
        running = [ledger.jobs.claim("batch", f"{number}-{worker}") for worker in range(workers)]
        assert all(running)
        if number % 10 == 0:
            single, _ = ledger.jobs.add(request(owner="other"))
            claim = ledger.jobs.claim("batch", "free")
            assert claim is not None and claim.job.id == single.id
        if number * workers > 45:
            break


def test_five_thousand_jobs_of_one_owner_delay_nobody(tmp_path: Path) -> None:
    """A model of it: three owners who ask for one job at a time, one worker, a clock that ticks with every job."""
    ledger = Ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}")
    ledger.migrate()
    owners = ("one", "two", "three")
    for owner in ("local", *owners):
        ledger.fabs.create(owner, "fab", "r1", b"")
    first, _ = ledger.jobs.add(request())
    with ledger.database.writing() as connection:
        row = dict(connection.execute(sql.select(jobs).where(jobs.c.id == first.id)).mappings().one())
        del row["seq"]
        connection.execute(sql.insert(jobs), [{**row, "id": f"{n:032}", "turn": n} for n in range(2, 5001)])
        connection.execute(sql.update(turns).where(turns.c.owner == "local").values(turn=5000))
    draw = random.Random(5)
    asked: dict[str, int] = {}
    waits, served = [], 0
    for tick in range(400):
        for owner in owners:
            if owner not in asked and draw.random() < 0.4:
                ledger.jobs.add(request(owner=owner))
                asked[owner] = tick
        claim = ledger.jobs.claim("batch", "task")
        assert claim is not None
        if claim.job.owner == "local":
            served += 1
        else:
            waits.append(tick - asked.pop(claim.job.owner))
        ledger.jobs.publish(claim.job.id, claim.token, None, {})
    assert len(waits) > 100 and max(waits) <= len(owners), "at most one job of each other owner comes first"
    assert served >= 400 / (len(owners) + 1) - 1, "the owner of the many has a fair share too"
    ledger.close()


def test_an_owner_who_was_away_gets_no_credit_for_it(ledger: Ledger) -> None:
    for _ in range(20):
        ledger.jobs.add(request())
        ledger.jobs.claim("batch", "task")
    mine = [ledger.jobs.add(request())[0].id for _ in range(3)]
    others = [ledger.jobs.add(request(owner="other"))[0].id for _ in range(3)]
    order = claim_all(ledger)
    assert order.index(mine[0]) <= 1 and order.index(others[0]) <= 1


def test_forty_equal_requests_at_once_make_one_job(ledger: Ledger) -> None:
    ids, errors = [], []

    def add() -> None:
        try:
            ids.append(ledger.jobs.add(request(idempotency_key="k"))[0].id)
        except Exception as error:
            errors.append(error)

    threads = [threading.Thread(target=add) for _ in range(40)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not errors and len(ids) == 40 and len(set(ids)) == 1
    assert len(ledger.jobs.page("local", before=None, size=100)) == 1


def test_many_claimers_at_once_never_share_a_job(ledger: Ledger) -> None:
    for _ in range(40):
        ledger.jobs.add(request())
    claimed: list[str] = []

    def work() -> None:
        while claim := ledger.jobs.claim("batch", "task"):
            claimed.append(claim.job.id)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(claimed)) == len(claimed)
    assert sorted(claimed + claim_all(ledger)) == sorted(j.id for j in ledger.jobs.page("local", before=None, size=99))


def test_an_idempotency_key_belongs_to_its_owner(ledger: Ledger) -> None:
    mine, _ = ledger.jobs.add(request(idempotency_key="k"))
    theirs, new = ledger.jobs.add(request(idempotency_key="k", owner="other"))
    assert new and theirs.id != mine.id


def test_what_belongs_to_another_owner_is_not_there(ledger: Ledger) -> None:
    job, _ = ledger.jobs.add(request())
    claim = ledger.jobs.claim("batch", "task")
    assert claim is not None and ledger.jobs.publish(job.id, claim.token, RESULT, {})
    ledger.fabs.create("local", "mine", "r1", b"")
    for call in (
        lambda: ledger.jobs.get("other", job.id),
        lambda: ledger.jobs.package("other", job.id),
        lambda: ledger.jobs.cancel("other", job.id),
        lambda: ledger.fabs.get("other", "mine"),
    ):
        with pytest.raises(NotFoundError):
            call()
    assert ledger.jobs.page("other", before=None, size=9) == []


def test_cancel(ledger: Ledger) -> None:
    waiting, _ = ledger.jobs.add(request())
    assert ledger.jobs.cancel("local", waiting.id).state == "cancelled"
    assert ledger.jobs.cancel("local", waiting.id).state == "cancelled"
    assert ledger.jobs.claim("batch", "task") is None
    running, _ = ledger.jobs.add(request())
    claim = ledger.jobs.claim("batch", "task")
    assert claim is not None and ledger.jobs.cancel("local", running.id).state == "cancelled"
    assert not ledger.jobs.keep_alive(running.id, claim.token, None)
    assert not ledger.jobs.publish(running.id, claim.token, RESULT, {})
    done, _ = ledger.jobs.add(request())
    claim = ledger.jobs.claim("batch", "task")
    assert claim is not None and ledger.jobs.publish(done.id, claim.token, RESULT, {})
    with pytest.raises(ConflictError):
        ledger.jobs.cancel("local", done.id)


def test_pages_hold_every_job_once_though_new_ones_come(ledger: Ledger) -> None:
    ids = [ledger.jobs.add(request())[0].id for _ in range(7)]
    seen = ledger.jobs.page("local", before=None, size=3)
    ledger.jobs.add(request())
    seen += ledger.jobs.page("local", before=seen[-1].seq, size=3)
    seen += ledger.jobs.page("local", before=seen[-1].seq, size=3)
    assert [job.id for job in seen] == ids[::-1]


def test_waiting(ledger: Ledger) -> None:
    ledger.jobs.add(request())
    assert ledger.jobs.waiting() == {"batch": 1, "interactive": 0}
    assert ledger.jobs.waiting(seconds=60) == {"batch": 0, "interactive": 0}


def test_a_fab_edit_names_what_it_started_from_and_loses_no_revision(ledger: Ledger) -> None:
    assert not ledger.fabs.create("local", "fab", "r9", b"ninth")
    assert ledger.fabs.replace("local", "fab", "r2", b"second", started_from="r1")
    assert not ledger.fabs.replace("local", "fab", "r3", b"third", started_from="r1")
    assert ledger.fabs.get("local", "fab").toml == b"second"
    assert ledger.fabs.get("local", "fab", "r1").toml == b"first"
    assert ledger.fabs.replace("local", "fab", "r1", b"first", started_from="r2")
    assert [fab.revision for fab in ledger.fabs.all("local")] == ["r1"]
    with pytest.raises(NotFoundError):
        ledger.fabs.get("local", "fab", "r3")


def test_every_edit_of_a_fab_leaves_who_what_and_when(ledger: Ledger) -> None:
    edit = Edit(what="added a reading of gold", by="Ada")
    assert ledger.fabs.replace("local", "fab", "r2", b"second", started_from="r1", edit=edit)
    assert ledger.fabs.replace("local", "fab", "r2", b"second", started_from="r2")
    assert not ledger.fabs.replace("local", "fab", "r3", b"third", started_from="r1", edit=edit)
    assert not ledger.fabs.replace("local", "fab", "r1", b"first", started_from="r1")
    assert ledger.fabs.replace("local", "fab", "r1", b"first", started_from="r2", edit=Edit(what="x" * 999))
    found = ledger.fabs.history("local", "fab", before=None, size=10)
    assert [(e.previous, e.revision, e.what[:10], e.by) for e in found] == [
        ("r2", "r1", "x" * 10, ""), ("r1", "r2", "added a re", "Ada"), (None, "r1", "added", ""),
    ]  # fmt: skip
    assert found[0].at >= found[1].at >= found[2].at > time.time() - 600
    assert ledger.fabs.history("local", "fab", before=found[0].seq, size=1) == found[1:2]
    assert [e.previous for e in ledger.fabs.history("other", "fab", before=None, size=10)] == [None]


def test_the_history_begins_with_the_revisions_that_were_there_before_it(tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    old = Database(address)
    with old.writing() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        for revision, created in (("r1", 10.0), ("r2", 20.0)):
            values = {"owner": "local", "id": "fab", "revision": revision, "toml": b"", "created": created}
            connection.execute(sql.insert(metadata.tables["fab_revisions"]).values(values))
        current = {"owner": "local", "id": "fab", "revision": "r1", "updated": 30.0}
        connection.execute(sql.insert(metadata.tables["fabs"]).values(current))
    old.close()
    ledger = Ledger(address)
    ledger.migrate()
    found = ledger.fabs.history("local", "fab", before=None, size=10)
    assert [(event.revision, event.at) for event in found] == [("r1", 30.0), ("r2", 20.0)]
    assert ledger.jobs.page("local", before=None, size=1, kind="preview") == []
    ledger.close()


def test_the_files_of_a_question_are_kept_as_long_as_its_row(ledger: Ledger) -> None:
    photo = InputFile(key=f"inputs/{'1' * 64}", bytes=7, sha256="1" * 64, start=3)
    job, _ = ledger.jobs.add(request(kind="photograph", lane="interactive", artwork="", inputs={"photo": photo}))
    assert job.inputs == {"photo": photo} and ledger.jobs.get("local", job.id).inputs == {"photo": photo}
    assert ledger.jobs.uses_input(photo.key) and not ledger.jobs.uses_input("inputs/" + "_" * 64)
    assert ledger.jobs.forget_asked(seconds=-1) == 0
    claim = ledger.jobs.claim("interactive", "task")
    assert claim is not None and claim.job.inputs == {"photo": photo}
    assert ledger.jobs.publish(job.id, claim.token, RESULT, {"answer": {}})
    kept, _ = ledger.jobs.add(request())
    assert ledger.jobs.forget_asked(seconds=3600) == 0 and ledger.jobs.forget_asked(seconds=-1) == 1
    assert not ledger.jobs.uses_input(photo.key)
    assert [one.id for one in ledger.jobs.page("local", before=None, size=9)] == [kept.id]
    assert ledger.jobs.get("local", kept.id).inputs == {}


def test_a_job_keeps_the_revision_that_it_was_asked_for_with(ledger: Ledger) -> None:
    ledger.jobs.add(request())
    ledger.fabs.replace("local", "fab", "r2", b"second", started_from="r1")
    claim = ledger.jobs.claim("batch", "task")
    assert claim is not None and claim.job.fab_revision == "r1" and claim.fab_toml == b"first"


def test_the_database_clock_is_the_time(ledger: Ledger) -> None:
    with ledger.database.reading() as connection:
        told = connection.execute(sql.select(now())).scalar_one()
    assert abs(told - time.time()) < 5


def test_migrations_make_the_tables_as_they_are_described(url: str, ledger: Ledger) -> None:
    with ledger.database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_many_processes_may_migrate_at_once(tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path / 'new' / 'ledger.sqlite'}"
    errors = []

    def migrate() -> None:
        try:
            Ledger(address).migrate()
        except Exception as error:
            errors.append(error)

    threads = [threading.Thread(target=migrate) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not errors
    Ledger(address).check()


def test_a_database_that_is_away_or_of_another_kind() -> None:
    with pytest.raises(UnavailableError):
        Ledger("postgresql+pg8000://nobody@127.0.0.1:1/none").check()
    for url in ("mysql://x/y", "nonsense"):
        with pytest.raises(SettingsError, match="DATABASE_URL"):
            Database(url)
