"""Files that come back from a fab, broken: each is refused in words, or read."""

from __future__ import annotations

from tests.engine.sweeps import sweep_size
from tests.hostile.ward import verdicts


def test_each_is_refused_in_words_or_read() -> None:
    """A ZIP's checksums hold: what is unpacked is what was packed."""
    found = verdicts("returned", sweep_size(15, 400))
    assert [(one.case, one.fault) for one in found if one.fault] == []
    assert {one.end for one in found} == {"refused", "taken"}
