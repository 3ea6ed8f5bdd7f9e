"""Files that a worker draws while the request waits."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool

from service.asking import Question, answer_of, ask_once
from service.backing import Backing
from service.errors import ProtocolError
from service.routes.files import read_result


async def drawn_file(backing: Backing, owner: str, question: Question, path: str, *, what: str) -> bytes:
    """The file at `path` of what a question made, now or when it was asked before.

    what : no worker did in time, for people.

    Raises
    ------
    ProtocolError
        It took too long; or what ended the question's job.
    """
    job = await ask_once(backing, owner, question)
    if answer_of(job) is None:
        raise ProtocolError("unavailable", f"No worker {what} in time.", mend="Ask again when there is less to do.")
    return await run_in_threadpool(read_result, backing, owner, job.id, path)
