"""What holds for every test: in CI nothing may be skipped, so that a missing outside check can't pass unseen.

Tests run on all cores, each in one of several processes; a file or test that is named runs in this process alone.
"""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Generator
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from worker.shell_environment import processor_cores

FIGURES = "figures"

# In CI the same examples every time, so that a run says something of the change; elsewhere others each time.
hypothesis.settings.register_profile("house", deadline=None, derandomize=bool(os.environ.get("CI")))
hypothesis.settings.load_profile("house")

gc.disable()  # until the tests are collected: `pytest_runtestloop`


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """No processes where a single file or test is asked for: their start takes longer than most files.

    Else two for each core: half of the time tests wait, for what was killed, stopped or cut off.
    """
    asked = [Path(str(argument).partition("::")[0]) for argument in config.args]
    return 0 if len(set(asked)) == 1 and asked[0].is_file() else 2 * processor_cores()


def pytest_configure() -> None:
    """Where a shell runs the tests in its background it has them ignore Ctrl-C, as all that they start would too."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop() -> None:
    """What was loaded to collect the tests stays to the end: no search for garbage goes through it, before or after."""
    gc.freeze()
    gc.enable()


@pytest.fixture(scope="session")
def table_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of colour tables (`worker.table_folder`), new for each run and one for all of its processes."""
    own = tmp_path_factory.getbasetemp()
    folder = (own.parent if os.environ.get("PYTEST_XDIST_WORKER") else own) / "tables"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Those that wait most and take longest come first, so that others run beside them and no one waits at the end."""
    items.sort(key=lambda item: not {"page", "faults"} & set(item.path.parts))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[Any]) -> Generator[None, Any, Any]:
    """Turn a skip into a failure where the environment says CI."""
    report = yield
    if os.environ.get("CI") and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, which CI does not allow: {report.longrepr}"
    return report


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """The figures that tests measured on the way: `record_property(FIGURES, text)`."""
    for report in terminalreporter.getreports("passed"):
        for name, text in report.user_properties:
            if name == FIGURES:
                terminalreporter.write_line(f"{report.nodeid}: {text}")


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Generator[None, Any, Any]:
    """The same for a whole module that skips itself."""
    report = yield
    if os.environ.get("CI") and report.skipped:
        report.outcome = "failed"
        report.longrepr = f"{collector.nodeid} was skipped, which CI does not allow: {report.longrepr}"
    return report
