"""What an error may say to a person: what is wrong and how to mend it, in a few lines, and nothing of the machine."""

from __future__ import annotations

import re
import traceback

from worker.errors import MaskwrightError

MOST_LETTERS = 2000
NEVER = re.compile(
    r"Traceback|File \"|\.py\b|site-packages|/(?:usr|home|root|tmp|var|etc|proc|opt|work)/|0x[0-9a-f]{8}"
    r"|<(?:class|function|module|object|bound)\b|object at|Error\(|Exception\b|errno|\bNoneType\b|MASKWRIGHT_SECRET",
    re.IGNORECASE,
)
"""Signs of a traceback, of a path, of an object of the program."""


def fault_of_words(what: str, mend: str, quoted: str = "") -> str:
    """What is wrong with an error's words, "" for nothing. `quoted`: the file as text, which an error may quote."""
    told = f"{what} {mend}"
    if len(told) > MOST_LETTERS:
        return f"says {len(told)} letters: {told[:200]!r}"
    if len(what.strip()) < 10 or len(mend.strip()) < 8:
        return f"does not say what is wrong and how to mend it: {told!r}"
    odd = [letter for letter in told if not letter.isprintable()]
    if odd:
        return f"holds {odd[0]!r}: {told[:300]!r}"
    for found in NEVER.finditer(told):
        if found[0] not in quoted:
            return f"leaks {found[0]!r}: {told[:300]!r}"
    return ""


def fault_of(error: BaseException, quoted: str = "") -> str:
    """What is wrong with an error that came out, "" for nothing: it must be ours and say enough, not more."""
    if not isinstance(error, MaskwrightError):
        last = traceback.extract_tb(error.__traceback__)[-1]
        return f"raised {type(error).__name__}: {str(error)[:200]} ({last.name}, line {last.lineno} of {last.filename})"
    if error.code == "internal":
        return f"raised an error without a name: {error}"
    return fault_of_words(error.what, error.mend, quoted)
