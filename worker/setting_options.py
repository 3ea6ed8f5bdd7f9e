"""The settings of a job as options of a command: the same names as over HTTP and in report.json."""

from __future__ import annotations

import argparse

from worker.job_settings import REPEATABLE, SETTINGS


def option_of(setting: str) -> str:
    """The option of a setting."""
    return "--" + setting.replace("_", "-")


def add_settings(parser: argparse.ArgumentParser, meaning_of_all: str) -> None:
    """Add an option for every setting, `--max-finishes` for `max_finishes`; None where it isn't given."""
    group = parser.add_argument_group("settings", meaning_of_all)
    for name, (example, default, meaning) in SETTINGS.items():
        text = f"{meaning}; such as {example}" + (f" (default: {default})" if default else "")
        group.add_argument(
            option_of(name),
            dest=name,
            action="append" if name in REPEATABLE else "store",
            metavar=name.upper(),
            help=(text + ("; may be repeated" if name in REPEATABLE else "")).replace("%", "%%"),
        )
