"""What of the gateway's surroundings only a look at the disk tells: its room, and the site file.

A thread of its own looks now and then, so that a disk that hangs holds up nothing; until it has
looked, and where a look fails, the last answer stands.
"""

import threading
from contextlib import suppress
from typing import Final

import structlog

from gateway.archive.store import Store
from gateway.site.installed import Site
from gateway.site.read import digest_of

LOOK_PERIOD_S: Final = 10.0  # common practice, no source

log = structlog.get_logger("gateway.service")


class Surroundings:
    """The newest answers. `start` begins to look, `stop` ends it without waiting."""

    def __init__(self, site: Site, store: Store) -> None:
        self.archive_room = 1.0
        self.configuration_changed = False
        self._site = site
        self._store = store
        self._ended = threading.Event()

    def start(self) -> None:
        # A daemon: a disk that hangs must not keep the process from ending.
        threading.Thread(target=self._run, name="surroundings", daemon=True).start()

    def stop(self) -> None:
        self._ended.set()

    def look(self) -> None:
        """Look once; may wait for the disk."""
        with suppress(OSError):
            # Coarse, so that a Frame does not differ from the last one by a free sector.
            self.archive_room = round(self._store.room(), 2)
        try:
            changed = bool(self._site.files) and digest_of(self._site.files) != self._site.digest
        except FileNotFoundError:
            changed = True
        except OSError:
            return  # cannot be read at the moment: that does not say that it changed
        if changed != self.configuration_changed:
            self.configuration_changed = changed
            log.warning(
                "the site file on disk is another one than the one that runs; restart to use it"
                if changed
                else "the site file on disk is again the one that runs"
            )

    def _run(self) -> None:
        while not self._ended.is_set():
            self.look()
            self._ended.wait(LOOK_PERIOD_S)
