"""A watched folder is looked at until Ctrl-C, and a Ctrl-C is never lost."""

from __future__ import annotations

import signal

import pytest

from worker.collection import watching
from worker.collection.outgoing import OutgoingFile


class _Interrupted:
    """Something that is taken apart while Ctrl-C comes: Python drops what is raised there."""

    def __del__(self) -> None:
        signal.raise_signal(signal.SIGINT)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_an_interrupt_that_python_drops_ends_it_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watching, "LOOK_SECONDS", 0.0)
    before = signal.getsignal(signal.SIGINT)
    looks = 0

    def look() -> list[OutgoingFile]:
        nonlocal looks
        looks += 1
        assert looks < 3, "the interrupt was lost"
        _Interrupted()
        return []

    with pytest.raises(KeyboardInterrupt):
        next(watching.at_rest(look))
    assert looks == 1
    assert signal.getsignal(signal.SIGINT) == before
