"""Broken and hostile artworks, each read in a process that is limited as a job's is."""

from __future__ import annotations

from collections import Counter

from tests.engine.sweeps import sweep_size
from tests.hostile.ward import verdicts


def test_each_is_refused_in_words_or_is_whole() -> None:
    """`artworks.examine` judges each: no other error, no crash, no hang, no pixels that the file does not hold."""
    found = verdicts("artworks", sweep_size(5, 200))
    assert len(found) >= 2000
    assert [(one.case, one.fault) for one in found if one.fault] == []
    ends = Counter(one.end for one in found)
    assert ends["refused"] >= 1000 and ends["taken"] >= 300, "a corpus that is all refused, or all taken, tests little"
