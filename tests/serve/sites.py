"""Small sites and Frames for the tests of what is served: invented plants, a clock by hand."""

import socket
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile
from gateway.tags import (
    AlarmRecord,
    AlarmState,
    Command,
    DeviceReport,
    FieldReport,
    Frame,
    Instant,
    Sample,
)

NOON_NS = 1_767_960_000_000_000_000  # 2026-01-09T12:00:00Z


@dataclass
class Clock:
    """Both clocks of a test, moved by hand."""

    utc_ns: int = NOON_NS
    monotonic_ns: int = 5_000_000_000

    def __call__(self) -> Instant:
        return Instant(self.utc_ns, self.monotonic_ns)

    def advance(self, seconds: float) -> None:
        self.utc_ns += round(seconds * 1e9)
        self.monotonic_ns += round(seconds * 1e9)


@dataclass
class Orders:
    """Takes orders as the field side would, and keeps them."""

    refusal: str = ""

    def __post_init__(self) -> None:
        self.taken: list[Command] = []

    async def __call__(self, command: Command) -> str:
        self.taken.append(command)
        return self.refusal


def free_port() -> int:
    """A port of the loopback that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def number(tag: str, machine: str, unit: str = "kohm", top: str = "100 kohm") -> dict[str, Any]:
    """A number that a device gives in engineering units, from 0 to `top`."""
    return {
        "kind": "register",
        "tag": tag,
        "machine": machine,
        "point": "mon.value",
        "unit": unit,
        "range": ("0 " + unit, top),
        "description": f"value of {tag}",
    }


def contact(tag: str, machine: str) -> dict[str, Any]:
    return {"kind": "contact", "tag": tag, "machine": machine, "point": "mon.contact"}


def limit_alarm(name: str, machine: str, tag: str) -> dict[str, Any]:
    return {
        "kind": "limit",
        "name": name,
        "machine": machine,
        "tag": tag,
        "below": "20 kohm",
    }


def machine(name: str, scan: str = "1 s") -> dict[str, Any]:
    return {
        "name": name,
        "scan": scan,
        "field_winding": {"rated_field_voltage": "350 V"},
        "access": "collector rings",
        "detection": "DC injection",
    }


SIGNALS = (
    number("G1.R", "G1"),
    number("G1.U", "G1", "V", "400 V"),
    contact("G1.FAULT", "G1"),
    number("G2.R", "G2"),
)
ALARMS = (
    limit_alarm("G1.R.LOW", "G1", "G1.R"),
    limit_alarm("G1.R.TRIP", "G1", "G1.R"),
    limit_alarm("G2.R.LOW", "G2", "G2.R"),
)


def make_site(
    outputs: dict[str, Any],
    signals: Sequence[dict[str, Any]] = SIGNALS,
    alarms: Sequence[dict[str, Any]] = ALARMS,
    machines: Sequence[dict[str, Any]] = (machine("G1"), machine("G2")),
) -> Site:
    """A site of two machines at one monitor, unless told otherwise."""
    profile = {
        "profile": "monitor",
        "points": (
            {"name": "value", "function": 3, "address": 0, "type": "float32"},
            {"name": "contact", "function": 2, "address": 0, "type": "bool"},
        ),
    }
    file = {
        "site": "Ternholt",
        "machines": tuple(machines),
        "links": ({"kind": "modbus-tcp", "name": "net", "host": "127.0.0.1"},),
        "devices": ({"name": "mon", "link": "net", "profile": "monitor"},),
        "signals": tuple(signals),
        "alarms": tuple(alarms),
        "outputs": outputs,
    }
    return Site(SiteFile.model_validate(file), {"monitor": DeviceProfile.model_validate(profile)})


def make_frame(
    machine: str,
    clock: Clock,
    samples: Sequence[Sample],
    alarms: Sequence[tuple[str, AlarmState]] = (),
    judged: bool = True,
) -> Frame:
    """A Frame of this moment."""
    return Frame(
        machine,
        1,
        clock(),
        (),
        (),
        tuple(samples),
        tuple(AlarmRecord(name, state, judged, clock.utc_ns) for name, state in alarms),
        (),
    )


def make_report(reachable: Sequence[bool], device: str = "mon", error: str = "") -> FieldReport:
    """A report on as many devices as there are answers to whether they are reachable."""
    return FieldReport(
        NOON_NS,
        tuple(
            DeviceReport(f"{device}{n}", "net", yes, 100, 3, 2, 1, 0.004, error)
            for n, yes in enumerate(reachable)
        ),
        50,
        1,
        4096,
        49,
    )
