"""What a person should know about a fab's references."""

from __future__ import annotations

from tests.boards import board, lab_of
from tests.engine.references.made_up import MASK, fab_of, finish_of, lab_reading, spectral_reading
from tests.engine.references.metals import metal
from worker.engine.references.findings import fab_findings
from worker.reading import read_viewing_conditions


def test_references_come_in_the_order_of_the_profile() -> None:
    fab = board("nocturne-gold")
    findings = fab_findings(fab)
    assert [reference.finish for reference in findings.references] == [finish.id for finish in fab.finishes]
    assert [reference.lab.tolist() for reference in findings.references] == lab_of(fab).tolist()


def test_another_observer_without_a_spectrum_is_told() -> None:
    fab = fab_of(
        finish_of(lab_reading((30.0, -20.0, 10.0), observer="10"), finish_id="mask", recipe=MASK),
        finish_of(lab_reading((60.0, 0.0, 0.0), illuminant="D50"), finish_id="other", recipe=MASK),
        finish_of(spectral_reading(metal("Au")), finish_id="gold"),
    )
    (finding,) = fab_findings(fab).warnings
    assert (finding.rule, finding.finishes) == ("observer", ("mask",))
    assert "D65/10" in finding.text
    assert "only the white is adapted" in finding.text
    found = fab_findings(fab, read_viewing_conditions("D65/10")).warnings
    assert [finding.finishes for finding in found] == [("other",)]


def test_a_reading_that_contradicts_the_others_is_told() -> None:
    labs = [(30.0, -20.0, 10.0), (30.2, -20.0, 10.1), (80.0, 0.0, 0.0), (29.9, -20.1, 10.0)]
    fab = fab_of(finish_of(*(lab_reading(lab) for lab in labs), finish_id="mask", recipe=MASK))
    (finding,) = fab_findings(fab).warnings
    assert (finding.rule, finding.finishes) == ("outlier", ("mask",))
    assert "readings[2]" in finding.text
