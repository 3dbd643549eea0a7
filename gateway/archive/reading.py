"""A connection that reads the archive beside its writer, or after it died, and cannot write.

Refuses a file that is not an archive of this version.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from gateway.archive import layout
from gateway.archive.layout import StoreError

_LEAST_NS: Final = -(2**63)
_MOST_NS: Final = 2**63 - 1


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection for reading. Raises StoreError, also for errors while it is used."""
    if not path.exists():
        raise StoreError(
            f"there is no archive at {path}. Check the state directory; "
            "the archive is begun when the gateway first runs."
        )
    with layout.plain_errors(path):
        uri = f"{path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as connection:
            connection.execute(f"pragma busy_timeout={layout.BUSY_TIMEOUT_MS}")
            connection.execute("pragma query_only=1")
            layout.check_owner(connection, path)
            yield connection


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """What is read within is of one moment. Keep it short: the writer's log grows meanwhile."""
    connection.execute("begin")
    try:
        yield
    finally:
        connection.execute("rollback")


def storable(time_ns: int) -> int:
    """The time, or the nearest one that a row can have."""
    return min(max(time_ns, _LEAST_NS), _MOST_NS)
