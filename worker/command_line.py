"""What all commands of the command line share: exit statuses, and how a command is added. Light to load."""

from __future__ import annotations

import argparse

ALL_DONE, SOME_FAILED, WRONG_CALL, STOPPED = 0, 1, 2, 130


def add_command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str, summary: str, epilog: str
) -> argparse.ArgumentParser:
    """A sub-command with its summary as one sentence, and examples below its options."""
    return commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
