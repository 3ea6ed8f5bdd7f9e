"""What tests of the ledger share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.worker.postgresql import postgresql


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of an empty database of each kind, kept by all tests of a module."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path_factory.mktemp('ledger') / 'ledger.sqlite'}"
    else:
        with postgresql() as address:
            yield address
