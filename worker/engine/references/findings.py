"""Every reference of a fab, and what a person should know about them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from worker.engine.references.plausibility import Finding, plausibility
from worker.engine.references.reference import FinishReference, finish_reference
from worker.fab_profile import FabProfile
from worker.reading import STANDARD_CONDITIONS, ViewingConditions


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FabFindings:
    """The references of a fab's finishes, in the profile's order, and what to look at in them."""

    references: tuple[FinishReference, ...]
    warnings: tuple[Finding, ...]


def fab_findings(fab: FabProfile, conditions: ViewingConditions = STANDARD_CONDITIONS) -> FabFindings:
    """Derive every reference of the profile under `conditions` and judge them. Raises FabProfileError."""
    references = tuple(finish_reference(finish, conditions) for finish in fab.finishes)
    derived = (finding for reference in references for finding in _derivation(reference))
    return FabFindings(references=references, warnings=(*derived, *plausibility(fab, references)))


def _derivation(reference: FinishReference) -> Iterator[Finding]:
    wanted = reference.conditions
    for known in reference.read_under:
        if known.observer != wanted.observer:
            yield Finding(
                rule="observer",
                finishes=(reference.finish,),
                text=f"Finish {reference.finish} is known for {known.text()} and wanted for {wanted.text()}: without a "
                "spectrum only the white is adapted, and what the other observer sees of the surface is not known.",
            )
    for aside in reference.set_aside:
        if aside.outlier:
            yield Finding(
                rule="outlier",
                finishes=(reference.finish,),
                text=f"Finish {reference.finish}: readings[{aside.index}] is set aside, since it {aside.reason}.",
            )
