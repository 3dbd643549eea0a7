"""Alder Ferry, an invented plant: one machine with a pulse monitor, a loop and a contact.

A second machine has a monitor of the same kind, so that there are Readings which are foreign.
"""

import struct
from dataclasses import dataclass, field
from math import inf
from typing import Any

from gateway.chain import Chain
from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile
from gateway.tags import (
    BAD_TIMEOUT,
    GOOD,
    AlarmRecord,
    AlarmState,
    Command,
    Frame,
    Instant,
    Reading,
    Sample,
    Status,
)
from tests.rotor.circuits import loop_current_a

SECOND = 1_000_000_000
NOON_NS = 1_767_960_000 * SECOND  # 2026-01-09T12:00:00Z
E, R0, TAP, FIELD_V = 36.0, 31e3, 0.5, 300.0
NUMBERS = ("current_positive", "current_negative", "field_positive", "field_negative")

_MONITOR = {
    "profile": "monitor",
    "points": (
        {"name": "status", "function": 4, "address": 0, "type": "uint16"},
        *(
            {"name": n, "function": 4, "address": 2 * k + 2, "type": "float32", "unit": u}
            for k, (n, u) in enumerate(zip(NUMBERS, ("uA", "uA", "V", "V"), strict=True))
        ),
    ),
    "quality": (
        {"point": "status", "bit": 1, "means": "device failure"},
        {"point": "status", "bit": 2, "means": "no communication"},
        {"point": "status", "bit": 3, "means": "value held"},
        {"point": "status", "bit": 4, "means": "out of service", "of": ("current_positive",)},
    ),
}
_MODULE = {
    "profile": "module",
    "points": (
        {"name": "ch0", "function": 4, "address": 0, "type": "uint16", "scale": 0.001},
        {"name": "in0", "function": 2, "address": 0, "type": "bool"},
    ),
}


def _machine(name: str) -> dict[str, Any]:
    return {
        "name": name,
        "field_winding": {"rated_field_voltage": "300 V"},
        "access": "collector rings",
        "detection": "pulse injection",
        "pulse_injection": {
            "amplitude": "36 V",
            "source_resistance": "31 kohm",
            "tap": "50 %",
            "current_positive": f"{name}.I_POS",
            "current_negative": f"{name}.I_NEG",
            "field_voltage_positive": f"{name}.U_POS",
            "field_voltage_negative": f"{name}.U_NEG",
            "fault_resistance": {
                "tag": f"{name}.R",
                "unit": "kohm",
                "range": ("0 kohm", "10 Mohm"),
            },
            "fault_location": {"tag": f"{name}.PLACE", "unit": "%", "range": ("0 %", "100 %")},
        },
    }


def _numbers(machine: str, device: str) -> list[dict[str, Any]]:
    rows = (("I_POS", "uA"), ("I_NEG", "uA"), ("U_POS", "V"), ("U_NEG", "V"))
    return [
        {
            "kind": "register",
            "tag": f"{machine}.{name}",
            "machine": machine,
            "point": f"{device}.{point}",
            "unit": unit,
            "range": (f"-50000 {unit}", f"50000 {unit}"),
            "accuracy": f"0.5 {unit}",
            "accuracy_of_reading": "0.2 %",
        }
        for (name, unit), point in zip(rows, NUMBERS, strict=True)
    ]


_LOOP = {
    "kind": "current loop",
    "tag": "G1.LOOP",
    "machine": "G1",
    "point": "module.ch0",
    "unit": "kohm",
    "range": ("1 kohm", "10 Mohm"),
    "scaling": "logarithmic",
}
_CONTACT = {
    "kind": "contact",
    "tag": "G1.TRIPPED",
    "machine": "G1",
    "point": "module.in0",
    "debounce": "0 s",
}
_DELAYS = {"on_delay": "5 s", "off_delay": "10 s"}
_AT_ONCE = {"on_delay": "0 s", "off_delay": "0 s"}
_ALARMS = (
    {"kind": "limit", "name": "G1.LOW", "tag": "G1.R", "below": "20 kohm"} | _DELAYS,
    {"kind": "limit", "name": "G1.VERY_LOW", "tag": "G1.R", "below": "5 kohm", "latching": True}
    | _DELAYS,
    {"kind": "limit", "name": "G1.LOOP_LOW", "tag": "G1.LOOP", "below": "20 kohm"} | _AT_ONCE,
    {"kind": "contact", "name": "G1.TRIP", "tag": "G1.TRIPPED"} | _AT_ONCE,
    {"kind": "malfunction", "name": "G1.BLIND", "tags": ("G1.R", "G1.LOOP", "G1.TRIPPED")}
    | _DELAYS,
    {"kind": "malfunction", "name": "G1.NO_PLACE", "tags": ("G1.PLACE",)} | _AT_ONCE,
)


def make_site() -> Site:
    file = {
        "site": "Alder Ferry",
        "machines": (_machine("G1"), _machine("G2")),
        "links": ({"kind": "modbus-tcp", "name": "net", "host": "127.0.0.1"},),
        "devices": (
            {"name": "mon", "link": "net", "profile": "monitor"},
            {"name": "mon2", "link": "net", "profile": "monitor"},
            {"name": "module", "link": "net", "profile": "module"},
        ),
        "signals": (*_numbers("G1", "mon"), *_numbers("G2", "mon2"), _LOOP, _CONTACT),
        "alarms": tuple({"machine": "G1"} | a for a in _ALARMS),
    }
    profiles = {p["profile"]: DeviceProfile.model_validate(p) for p in (_MONITOR, _MODULE)}
    return Site(SiteFile.model_validate(file), {str(k): v for k, v in profiles.items()})


SITE = make_site()


def float_words(value: float) -> tuple[int, int]:
    """IEEE 754 single precision, big-endian, in two registers."""
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return high, low


def monitor(
    at: Instant,
    rf_ohm: float,
    location_pu: float = 0.3,
    field_v: float = FIELD_V,
    status: int | None = 0,
    device: str = "mon",
) -> list[Reading]:
    """What a monitor says of this fault: both half-cycles, and its status word unless None."""
    loop_ohm = R0 + rf_ohm
    currents = [
        0.0 if rf_ohm == inf else 1e6 * loop_current_a(e, field_v, loop_ohm, location_pu, TAP)
        for e in (E, -E)
    ]
    said = [
        Reading(f"{device}.{name}", float_words(value), GOOD, at)
        for name, value in zip(NUMBERS, (*currents, field_v, field_v), strict=True)
    ]
    word = [] if status is None else [Reading(f"{device}.status", (status,), GOOD, at)]
    return said + word


def module(at: Instant, loop_ma: float = 12.0, closed: bool = True) -> list[Reading]:
    """What the input module says of the loop and of the normally closed contact."""
    return [
        Reading("module.ch0", (round(loop_ma * 1000),), GOOD, at),
        Reading("module.in0", (int(closed),), GOOD, at),
    ]


def silence(at: Instant, status: Status = BAD_TIMEOUT) -> list[Reading]:
    """No answer from the monitor."""
    return [Reading(f"mon.{name}", (), status, at) for name in (*NUMBERS, "status")]


@dataclass
class Rig:
    """A chain of G1 and both clocks, moved by hand."""

    chain: Chain = field(default_factory=lambda: Chain(SITE, "G1"))
    utc_ns: int = NOON_NS
    monotonic_ns: int = 1_000 * SECOND
    sequence: int = 0

    @property
    def now(self) -> Instant:
        return Instant(self.utc_ns, self.monotonic_ns)

    def wait(self, seconds: float) -> Instant:
        self.utc_ns += round(seconds * SECOND)
        self.monotonic_ns += round(seconds * SECOND)
        return self.now

    def step(self, readings: list[Reading], *commands: Command) -> Frame:
        frame = self.chain.step(readings, self.now, commands)
        self.sequence = frame.sequence
        return frame

    def fault(self, rf_ohm: float, seconds: int = 1, **more: Any) -> Frame:
        """So many seconds of this fault, a step each second; the last Frame."""
        for _ in range(seconds):
            self.wait(1)
            frame = self.step(monitor(self.now, rf_ohm, **more) + module(self.now))
        return frame

    def restart(self) -> None:
        """The state goes to disk and comes back."""
        self.chain = Chain.resumed(SITE, "G1", self.chain.save(), self.sequence)

    def reboot(self, seconds: float, monotonic_s: float = 3.0) -> None:
        """The machine is off for so long; its monotonic clock begins again."""
        self.restart()
        self.utc_ns += round(seconds * SECOND)
        self.monotonic_ns = round(monotonic_s * SECOND)


def sample(frame: Frame, tag: str) -> Sample:
    return next(s for s in frame.samples if s.tag == tag)


def record(frame: Frame, alarm: str) -> AlarmRecord:
    return next(a for a in frame.alarms if a.alarm == alarm)


def state(frame: Frame, alarm: str) -> AlarmState:
    return record(frame, alarm).state
