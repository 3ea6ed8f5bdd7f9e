"""One line of the table that `make bench` prints."""

from __future__ import annotations

import datetime
import platform
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """figure : what was measured. bar : what was promised. measured : with its unit. met : whether the bar is met."""

    figure: str
    bar: str
    measured: str
    met: bool


def at_least(figure: str, ratio: float, bar: float, detail: str) -> Row:
    """A ratio that should be `bar` or more."""
    return Row(figure=figure, bar=f">= {bar:g} x", measured=f"{ratio:.2f} x ({detail})", met=ratio >= bar)


def at_most(figure: str, value: float, bar: float, unit: str, detail: str) -> Row:
    """A value that should be `bar` or less."""
    return Row(figure=figure, bar=f"<= {bar:g} {unit}", measured=f"{value:.3g} {unit} ({detail})", met=value <= bar)


def print_table(rows: Sequence[Row], *, cores: int) -> None:
    """The rows as a Markdown table, with day and machine."""
    day, python = datetime.date.today().isoformat(), platform.python_version()
    print(f"\n{day}, {cores} cores, {platform.machine()}, Python {python}")
    print("\n| figure | bar | measured | met |\n|---|---|---|---|")
    for row in rows:
        print(f"| {row.figure} | {row.bar} | {row.measured} | {'yes' if row.met else 'NO'} |")
