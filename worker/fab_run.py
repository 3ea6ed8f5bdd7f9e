"""What the fab commands ask of the engine: references, what to look at in them, how far two are apart."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from worker.errors import FabProfileError
from worker.fab_profile import FabProfile
from worker.finish import Finish
from worker.profile_edits import ProfileDifference, override_text, profile_differences, reading_text
from worker.reading import STANDARD_CONDITIONS, ViewingConditions

if TYPE_CHECKING:
    from worker.engine.references.reference import FinishReference


def shown(fab: FabProfile, conditions: ViewingConditions) -> Iterator[str]:
    """The lines of `fab show`: every finish with its reference and readings, then what to look at."""
    from worker.engine.references.findings import fab_findings

    findings = fab_findings(fab, conditions)
    yield f"{fab.id}: {fab.name} ({fab.fab})"
    yield f"revision {fab.revision}; plating {fab.plating}; references under {conditions.text()}"
    for finish, reference in zip(fab.finishes, findings.references, strict=True):
        yield ""
        yield f"{finish.id}: {finish.name}; {finish.texture}; from {finish.smallest_feature_mm:g} mm"
        yield f"  reference: {reference_text(reference)}"
        if finish.override is not None:
            yield f"  set by hand: {override_text(finish.override)}"
        reasons = {aside.index: aside.reason for aside in reference.set_aside}
        for index, reading in enumerate(finish.readings):
            fate = f"  (set aside: {reasons[index]})" if index in reasons else ""
            yield f"  [{index}] {reading_text(reading)}{fate}"
    if findings.warnings:
        yield ""
    yield from (f"warning: {warning.text}" for warning in findings.warnings)


def checked(fab: FabProfile) -> Iterator[str]:
    """The lines of `fab check` below a profile's own. Raises FabProfileError where a reference can't be derived."""
    from worker.engine.references.findings import fab_findings

    findings = fab_findings(fab)
    for finish, reference in zip(fab.finishes, findings.references, strict=True):
        yield f"  {finish.id}: {finish.name}; {reference_text(reference)}; from {finish.smallest_feature_mm:g} mm"
    yield from (f"  warning: {warning.text}" for warning in findings.warnings)


def reference_text(reference: FinishReference) -> str:
    """One line: the colour, its grade, how it came about, how sure it is."""
    lab = "Lab " + ", ".join(f"{value:.1f}" for value in reference.viewing_lab)
    made = {
        "spectrum": "from spectra",
        "adapted": "adapted from " + ", ".join(known.text() for known in reference.read_under),
        "as read": "as read",
    }[reference.derivation]
    grade = "set by hand" if reference.overridden else reference.grade
    count = len(reference.used)
    readings = "" if reference.overridden else f"{count} reading{'s' if count != 1 else ''}"
    spread = "" if reference.spread is None else f"spread {reference.spread:.2f}"
    parts = (lab, grade, made, reference.geometry, readings, spread, f"±{reference.uncertainty:.1f}")
    return "; ".join(part for part in parts if part)


def differences(old: FabProfile, new: FabProfile, conditions: ViewingConditions) -> Iterator[str]:
    """The lines of `fab diff`: what changed, and for each finish that both have, how far its reference moved."""
    moves = {old_finish.id: lines for old_finish, lines in _moves(old, new, conditions)}
    found = profile_differences(old, new)
    for finish_id in ["", *dict.fromkeys(finish.id for fab in (old, new) for finish in fab.finishes)]:
        here = [each for each in found if each.finish == finish_id]
        if finish_id and (here or finish_id in moves):
            yield f"{finish_id}:"
        indent = "  " if finish_id else ""
        yield from (f"{indent}{_difference_text(each)}" for each in here)
        yield from (f"  {line}" for line in moves.get(finish_id, ()))


def _difference_text(each: ProfileDifference) -> str:
    if each.kind in ("reading added", "reading dropped", "finish added", "finish dropped"):
        return f"{each.kind}: {each.new or each.old}"
    return f"{each.key}: {each.old or 'nothing'} -> {each.new or 'nothing'}"


def _moves(old: FabProfile, new: FabProfile, conditions: ViewingConditions) -> Iterator[tuple[Finish, list[str]]]:
    """Each finish of both profiles that changed, with the lines about its reference."""
    earlier = {finish.id: finish for finish in old.finishes}
    for finish in new.finishes:
        if finish.id in earlier and finish != earlier[finish.id]:
            yield finish, _move(earlier[finish.id], finish, conditions)


def _move(old: Finish, new: Finish, conditions: ViewingConditions) -> list[str]:
    from worker.engine.difference import ciede2000

    before, after = _derived(old, conditions), _derived(new, conditions)
    was, now = (each if isinstance(each, str) else reference_text(each) for each in (before, after))
    if was == now:
        return [f"reference stays: {now}"]
    lines = [f"reference was: {was}", f"now: {now}"]
    if isinstance(before, str) or isinstance(after, str):
        return lines
    return [*lines, f"moved by CIEDE2000 {float(ciede2000(before.viewing_lab, after.viewing_lab)):.2f}"]


def _derived(finish: Finish, conditions: ViewingConditions) -> FinishReference | str:
    """The reference, or why there is none, which an edit may bring about and another may mend."""
    from worker.engine.references.reference import finish_reference

    try:
        return finish_reference(finish, conditions)
    except FabProfileError as error:
        return f"none: {error.what} {error.mend} 'maskwright fab geometry' does that."


def edited(old: FabProfile, new: FabProfile) -> Iterator[str]:
    """The lines that every edit ends with: the new revision, and what became of the references."""
    if old.revision == new.revision:
        yield f"nothing changed; revision {new.revision}"
        return
    yield f"revision {old.revision} -> {new.revision}"
    for finish, lines in _moves(old, new, STANDARD_CONDITIONS):
        yield f"{finish.id}:"
        yield from (f"  {line}" for line in lines)
