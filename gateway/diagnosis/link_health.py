"""Whether links and devices answer, from the bad Readings of failed polls alone.

A silent device is asked ever more rarely, so it stays silent until a good Reading says otherwise:
no news is not good news. What the poller's statuses tell apart:

- BadTimeout: a connection or line is there, and not one byte comes;
- BadNoCommunication: no connection could be made, ever;
- BadCommunicationError: the connection fell or cannot be made again, or the device refuses.

Refuses to call a link with one device dead on a timeout, which may be the device's alone.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from gateway.diagnosis.seen import Found, Seen
from gateway.diagnosis.subjects import subjects
from gateway.site.installed import Site
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_NO_COMMUNICATION,
    Reading,
    Status,
    Subject,
)

_DROPS: Final = 5  # so many losses ...
_DROPS_WITHIN_NS: Final = 600 * 10**9  # ... within this are flapping; common practice, no source
_REFUSALS: Final = 3  # in a row between answers: no noise any more; common practice, no source


@dataclass(frozen=True, slots=True)
class DeviceAnswers:
    """One device, as its newest answers and failures leave it. Times on the chain's clock."""

    answered: bool = False  # ever
    failing_ns: int | None = None  # since when it gives nothing; None: it answers
    status: Status | None = None  # of the newest failure
    drops: tuple[int, ...] = ()  # when it was lost, the last few times
    refused: dict[str, int] = field(default_factory=dict)  # failures of a point between answers


_WELL: Final = DeviceAnswers(answered=True)


@dataclass(frozen=True, slots=True)
class LinkMemory:
    """What is remembered of each device."""

    contacts: dict[str, DeviceAnswers] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LinkReport:
    """What is wrong with links and devices, and why a device that gives nothing does so."""

    found: tuple[Found, ...]
    silent: Mapping[str, tuple[str, str]]  # device: cause and detail; also before it is found
    refused: frozenset[str]  # "device.point" that is not given while the device answers


_ALL_WELL: Final = LinkReport((), {}, frozenset())


class LinkHealth:
    """The links of one machine and the devices on them that it uses."""

    def __init__(self, site: Site, machine: str) -> None:
        self._subjects = subjects(site, machine)
        timeout_s = {link.name: link.timeout for link in site.file.links}
        # One lost answer is made up for at the next poll; the second one in a row is not.
        self._device_of: dict[str, str] = {}
        self._settle_ns: dict[str, int] = {}
        for name, link in self._subjects.devices.items():
            device = site.device(name)
            fastest_s = min(site.poll_period_s(device, p) for p in site.points_read(device))
            self._device_of |= {f"{name}.{p.name}": name for p in site.points_read(device)}
            self._settle_ns[name] = round((2 * fastest_s + timeout_s[link]) * 1e9)

    def step(self, memory: LinkMemory, seen: Seen) -> tuple[LinkMemory, LinkReport]:
        """What is wrong with links and devices after the Readings of this step."""
        contacts = self._heard(memory.contacts, seen)
        if contacts is not memory.contacts:
            memory = LinkMemory(contacts)
        if all(c == _WELL for c in contacts.values()):
            return memory, _ALL_WELL
        since = {d: c.failing_ns for d, c in contacts.items() if c.failing_ns is not None}
        settled = {d for d, ns in since.items() if seen.clock_ns - ns >= self._settle_ns[d]}
        silent = {
            device: self._silence(device, contacts[device], seen.clock_ns - ns, settled)
            for device, ns in since.items()
        }
        found = (
            *self._dead_links(silent, settled),
            *self._flapping(contacts, seen.clock_ns),
            *(
                Found(d, Subject.MONITOR, *silent[d])
                for d in self._subjects.devices
                if d in settled
            ),
            *self._refusing(contacts, silent),
        )
        refused = frozenset(p for c in contacts.values() for p in _refused(c))
        return memory, LinkReport(found, silent, refused)

    def _heard(self, contacts: dict[str, DeviceAnswers], seen: Seen) -> dict[str, DeviceAnswers]:
        """The devices after the Readings of this step; the same ones if nothing changed."""
        polls: dict[tuple[str, int], list[Reading]] = {}
        quiet = {d for d, c in contacts.items() if _quiet(c)}
        for reading in seen.readings:
            device = self._device_of.get(reading.point)
            if device is not None and (device not in quiet or reading.status.is_bad):
                # What has one time comes from one poll. A device in trouble is heard in full.
                quiet.discard(device)
                polls.setdefault((device, reading.at.monotonic_ns), []).append(reading)
        renewed: dict[str, DeviceAnswers] = {}
        for (device, _), poll in polls.items():
            before = renewed.get(device, contacts.get(device, DeviceAnswers()))
            renewed[device] = _after(before, poll, seen.clock_ns)
        if all(contacts.get(d) == c for d, c in renewed.items()):
            return contacts
        return contacts | renewed

    def _silence(
        self, device: str, answers: DeviceAnswers, failing_ns: int, settled: set[str]
    ) -> tuple[str, str]:
        """Cause and detail of a device that gives nothing."""
        link = self._subjects.devices[device]
        others = self._subjects.links[link]
        said = answers.status.name if answers.status is not None else "nothing"
        detail = f"{said} for {failing_ns / 1e9:.0f} s"
        if settled.issuperset(others) if len(others) > 1 else _unconnected(answers):
            return "dead link", f"link {link}: {detail}"
        detail = f"device {device} on link {link}: {detail}"
        if answers.status == BAD_COMMUNICATION_ERROR and not answers.answered:
            return "refused", detail
        return "no answer", detail

    def _dead_links(
        self, silent: Mapping[str, tuple[str, str]], settled: set[str]
    ) -> Iterator[Found]:
        for link, devices in self._subjects.links.items():
            if settled.issuperset(devices) and silent[devices[0]][0] == "dead link":
                detail = f"nothing from {', '.join(devices)}; {silent[devices[0]][1]}"
                yield Found(link, Subject.LINK, "dead link", detail)

    def _flapping(self, contacts: Mapping[str, DeviceAnswers], clock_ns: int) -> Iterator[Found]:
        for link, devices in self._subjects.links.items():
            for device in devices:
                drops = contacts[device].drops if device in contacts else ()
                if len(drops) == _DROPS and clock_ns - drops[0] <= _DROPS_WITHIN_NS:
                    within_s = (drops[-1] - drops[0]) / 1e9
                    detail = f"{device} was lost {_DROPS} times within {within_s:.0f} s"
                    yield Found(link, Subject.LINK, "flapping link", detail)
                    break

    def _refusing(
        self, contacts: Mapping[str, DeviceAnswers], silent: Mapping[str, tuple[str, str]]
    ) -> Iterator[Found]:
        for device in self._subjects.devices:
            if device in contacts and device not in silent:
                points = [p.split(".", 1)[1] for p in sorted(_refused(contacts[device]))]
                if points:
                    detail = f"it answers, but does not give {', '.join(points)}"
                    yield Found(device, Subject.MONITOR, "refused", detail)


def _quiet(answers: DeviceAnswers) -> bool:
    return answers.failing_ns is None and not answers.refused and answers.answered


def _after(answers: DeviceAnswers, poll: list[Reading], clock_ns: int) -> DeviceAnswers:
    """The device after Readings of one moment, which come from one poll."""
    failed = [r for r in poll if r.status.is_bad]
    if len(failed) < len(poll):
        given = {r.point for r in poll if not r.status.is_bad}
        refused = {p: n for p, n in answers.refused.items() if p not in given}
        answers = replace(answers, answered=True, failing_ns=None, status=None, refused=refused)
    if not failed:
        return answers
    if answers.answered and answers.failing_ns is None:
        counted = {
            r.point: min(_REFUSALS, answers.refused.get(r.point, 0) + 1)
            for r in failed
            if r.status == BAD_COMMUNICATION_ERROR
        }
        answers = replace(answers, refused=answers.refused | counted)
    if len(failed) < len(poll):
        return answers
    known = _refused(answers)
    lost = [r for r in failed if r.status != BAD_COMMUNICATION_ERROR or r.point not in known]
    if not lost:
        return answers
    if answers.failing_ns is not None:
        return replace(answers, status=lost[-1].status)
    # A device that has never answered cannot be lost.
    drops = (*answers.drops, clock_ns)[-_DROPS:] if answers.answered else answers.drops
    return replace(answers, failing_ns=clock_ns, status=lost[-1].status, drops=drops)


def _refused(answers: DeviceAnswers) -> frozenset[str]:
    return frozenset(p for p, times in answers.refused.items() if times >= _REFUSALS)


def _unconnected(answers: DeviceAnswers) -> bool:
    """Whether a failure is of the connection. A device that never answered may as well refuse."""
    return answers.status == BAD_NO_COMMUNICATION or (
        answers.status == BAD_COMMUNICATION_ERROR and answers.answered
    )
