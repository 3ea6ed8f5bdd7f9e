"""colour-science, loaded when first needed: it takes a second or two, and warns of plotting that nobody asks for."""

from __future__ import annotations

import warnings
from functools import cache
from typing import Any


@cache
def load_colour() -> Any:
    """The package `colour`, with its data sets and its colour correction."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
        import colour.characterisation
    return colour
