"""Limits on the styles of an SVG, whose cost for the renderer grows faster than they do.

Each fault is what is wrong and what to do about it, or None.
"""

from __future__ import annotations

import re

LAYERS_PER_FILTER = 20
"""What a filter is reckoned to take, and the most steps that it may have."""
MAX_DECLARATIONS = 200  # of one style attribute; the renderer compares each with every other
MAX_STYLE_WORK = 10_000_000
"""Selectors and declarations of all style sheets, times elements: the renderer tries each on each."""

_FILTER_STEP = re.compile(
    r"\b(?:blur|brightness|contrast|drop-shadow|grayscale|hue-rotate|invert|opacity|saturate|sepia)\s*\(", re.IGNORECASE
)
_COMBINATOR = re.compile(r"[\s>+~]")

Fault = tuple[str, str] | None


def attribute_fault(key: str, value: str) -> Fault:
    """What is wrong with a style or filter attribute."""
    declarations, steps = value.count(";"), len(_FILTER_STEP.findall(value))
    if declarations > MAX_DECLARATIONS:
        return f"a {key} has {declarations:,} declarations; the limit is {MAX_DECLARATIONS}", "Save it as plain SVG."
    if steps > LAYERS_PER_FILTER:
        return f"a {key} has {steps:,} filter functions; the limit is {LAYERS_PER_FILTER}", "Use fewer effects."
    return None


def sheet_fault(sheet: str, elements: int) -> Fault:
    """What is wrong with the style sheets of a drawing of so many elements."""
    plain = _without_comments(sheet)
    work = sum(map(plain.count, "{,;")) * elements
    if work > MAX_STYLE_WORK:
        what = f"its style sheets take {work:,} steps to bring to its {elements:,} elements"
        return (
            f"{what}; the limit is {MAX_STYLE_WORK:,}",
            "Write the styles as attributes, as plain SVG has them, or save it as PNG.",
        )
    if len(_FILTER_STEP.findall(plain)) > LAYERS_PER_FILTER:
        return f"its style sheets have more than {LAYERS_PER_FILTER} filter functions", "Use fewer effects."
    return None


def reaches_unclassed(sheet: str) -> bool:
    """Whether a selector may choose elements that have no class."""
    rules = _without_comments(sheet).split("}")
    selectors = [one.strip() for rule in rules for one in rule.partition("{")[0].split(",")]
    return any("." not in _COMBINATOR.split(one)[-1] for one in selectors if one)


def _without_comments(css: str) -> str:
    kept, at = [], 0
    while (start := css.find("/*", at)) >= 0:
        kept.append(css[at:start])
        end = css.find("*/", start + 2)
        if end < 0:
            return "".join(kept)
        at = end + 2
    return "".join((*kept, css[at:]))
