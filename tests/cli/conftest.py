"""The command line silences the log of its process, which here is that of all tests."""

from collections.abc import Iterator

import pytest
import structlog


@pytest.fixture(autouse=True)
def _log_as_before() -> Iterator[None]:
    before = structlog.get_config()
    yield
    structlog.configure(**before)
