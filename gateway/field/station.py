"""One device as the poller sees it: how it was asked, what it said, what is counted of it.

Every way in which a read can fail ends here as a status, a count and a text. Refuses to hide any:
what failed is delivered as bad readings, never left silent.
"""

import time
from collections import deque
from collections.abc import Callable
from typing import Final

import structlog

from gateway.field.link import Contact, Outcome, Patience, Reach, moved
from gateway.field.modbus import Master
from gateway.field.reply import Misfit, ModbusError, NoAnswer, NoLink, Refused
from gateway.field.rounds import Query
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_NO_COMMUNICATION,
    BAD_TIMEOUT,
    GOOD,
    LATE_SHARE,
    DeviceReport,
    Instant,
    Reading,
    Status,
)

_LATENESS_KEPT: Final = 300  # polls; common practice, no source
_LOG_PAUSE_S: Final = 60.0  # between two lines about one device; common practice, no source

_log = structlog.get_logger("gateway.field")


def failed(query: Query, status: Status, at: Instant) -> list[Reading]:
    """The readings of a request that brought nothing."""
    return [Reading(name, (), status, at) for name, _, _ in query.slices]


class Station:
    """One device, its contact and its counters."""

    def __init__(
        self,
        device: str,
        master: Master,
        patience: Patience,
        now: Callable[[], Instant],
        chance: Callable[[], float],
    ) -> None:
        self.device = device
        self.contact = Contact()
        self.status = BAD_NO_COMMUNICATION  # of what is left out while it is not reachable
        self._master = master
        self._patience = patience
        self._now = now
        self._chance = chance
        self._polls = self._failed = self._late = self._skipped = 0
        self._lateness_s: deque[float] = deque(maxlen=_LATENESS_KEPT)
        self._last_error = ""
        self._logged: Reach | None = None
        self._log_after_s = 0.0
        self._fault_after_s = 0.0
        self._refusals_told: set[str] = set()

    async def read(self, query: Query) -> list[Reading]:
        """Ask once. The readings are bad where the device gave nothing; raises nothing.

        Not even for a fault of ours, which would end the polling of all the other devices.
        Afterwards `contact` tells whether it is of any use to ask on.
        """
        began_s = time.monotonic()
        self._polls += 1
        try:
            answer = await self._master.read(query.ask)
        except Refused as refusal:
            self._fail(refusal)
            self._answered()
            self._tell_of_refusal()
            return failed(query, BAD_COMMUNICATION_ERROR, self._now())
        except ModbusError as error:
            self._fail(error)
            self._unanswered(error, query, began_s)
            return failed(query, self.status, self._now())
        except Exception as fault:
            self._tell_of_fault()
            self._master.close()
            what = f"reading failed by a fault of the gateway ({type(fault).__name__}: {fault})"
            unknown = Misfit(f"{what}; see its log")
            self._fail(unknown)
            self._unanswered(unknown, query, began_s)
            return failed(query, self.status, self._now())
        self._answered()
        words, at = answer.words, answer.at
        return [Reading(name, words[a:b], GOOD, at) for name, a, b in query.slices]

    def begin(self, late_by_s: float, period_s: float) -> None:
        """Count how late a round begins."""
        self._lateness_s.append(late_by_s)
        if late_by_s > LATE_SHARE * period_s:
            self._late += 1

    def skip(self, requests: int) -> None:
        """Count requests that are left out."""
        self._skipped += requests

    @property
    def silent(self) -> bool:
        """Whether the last request was not answered at all."""
        return self.contact.reach in (Reach.DOUBTFUL, Reach.UNREACHABLE)

    def report(self) -> DeviceReport:
        lateness_s = sorted(self._lateness_s)
        return DeviceReport(
            device=self.device,
            link=self._master.name,
            reachable=self.contact.reach is Reach.REACHABLE,
            polls=self._polls,
            failed=self._failed,
            late=self._late,
            skipped=self._skipped,
            lateness_p99_s=lateness_s[len(lateness_s) * 99 // 100] if lateness_s else 0.0,
            last_error=self._last_error,
        )

    def _fail(self, error: ModbusError) -> None:
        self._failed += 1
        self._last_error = f"device {self.device}: {error}"

    def _answered(self) -> None:
        if self.contact.reach is not Reach.REACHABLE:
            self.contact = Contact(Reach.REACHABLE)
        if self._logged is not Reach.REACHABLE:
            self._log()

    def _unanswered(self, error: ModbusError, query: Query, began_s: float) -> None:
        if isinstance(error, NoAnswer):
            self.status = BAD_TIMEOUT
        elif isinstance(error, NoLink) and not self._master.was_connected:
            self.status = BAD_NO_COMMUNICATION
        else:
            self.status = BAD_COMMUNICATION_ERROR
        quiet_s = 0.0 if isinstance(error, NoLink) else self._master.quiet_s(query.ask)
        self.contact = moved(
            self.contact,
            Outcome.UNANSWERED,
            began_s=began_s,
            took_s=time.monotonic() - began_s + quiet_s,
            rest_s=max(0.0, self._master.rest_s(query.ask.unit) - quiet_s),
            patience=self._patience,
            chance=self._chance(),
        )
        if self.contact.reach is Reach.UNREACHABLE and self._logged is not Reach.UNREACHABLE:
            self._log()

    def _tell_of_refusal(self) -> None:
        # Each once, for it is mostly a faulty profile: there are no more than requests times codes.
        if self._last_error not in self._refusals_told:
            self._refusals_told.add(self._last_error)
            _log.warning("device refuses", device=self.device, reason=self._last_error)

    def _tell_of_fault(self) -> None:
        now_s = time.monotonic()
        if now_s >= self._fault_after_s:
            self._fault_after_s = now_s + _LOG_PAUSE_S
            _log.exception("reading failed", device=self.device, link=self._master.name)

    def _log(self) -> None:
        # The first change is told at once. A device that comes and goes is told of once a
        # minute, and what was told last is in the end what is true.
        now_s = time.monotonic()
        if now_s < self._log_after_s:
            return
        self._logged = self.contact.reach
        self._log_after_s = now_s + _LOG_PAUSE_S
        if self._logged is Reach.REACHABLE:
            _log.info("device answers", device=self.device, link=self._master.name)
        else:
            _log.warning(
                "device does not answer",
                device=self.device,
                link=self._master.name,
                reason=self._last_error,
            )
