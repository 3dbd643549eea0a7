"""What is installed: machines with their monitors, and the devices, loops and contacts they feed.

`simulator.plant_file` reads it from a file; what happens to it is the scenario's. It refuses to
know anything of time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from simulator.rotor import Injection, TerminalInjection

Access = Literal["retractable brush", "telemetry", "optical link", "collector rings"]
DeviceKind = Literal[
    "pulse monitor", "DC-injection monitor", "analog input module", "contact module"
]
Quantity = Literal[
    "resistance",
    "light level",
    "speed",
    "load",
    "humidity",
    "field voltage",
    "exciter field current",
    "rotor temperature",
]
Shows = Literal["alarm", "field breaker closed", "brush pressed"]
Law = Literal["linear", "logarithmic"]

PULSE_ACCESSES: tuple[Access, ...] = (
    "retractable brush",
    "telemetry",
    "optical link",
    "collector rings",
)
# Direct current is injected all the time, so a brush that lifts is of no use to it.
DC_ACCESSES: tuple[Access, ...] = ("telemetry", "optical link", "collector rings")
DEVICE_KINDS: tuple[DeviceKind, ...] = (
    "pulse monitor",
    "DC-injection monitor",
    "analog input module",
    "contact module",
)
CHANNELS = 8


@dataclass(frozen=True, slots=True)
class PulseSetup:
    """A monitor that injects +E and -E in turn and measures at the end of each half-cycle."""

    access: Access
    source_v: float
    injection: Injection
    half_cycle_s: float
    alarm_below_ohm: float
    noise_a: float
    field_noise_v: float
    resolution_a: float


@dataclass(frozen=True, slots=True)
class DcSetup:
    """A monitor that injects direct current at the negative terminal and trips on its height."""

    access: Access
    source_v: float
    injection: TerminalInjection
    threshold_a: float
    cycle_s: float
    dark_below: float
    noise_a: float
    field_noise_v: float


@dataclass(frozen=True, slots=True)
class Machine:
    """A rotor in service as it is before anything happens; `winding_ohm` at 20 degC.

    `exciter_field_current_a` is what its exciter takes at `field_voltage_v`, 0 where none is told.
    """

    name: str
    what: str
    field_voltage_v: float
    winding_ohm: float
    capacitance_f: float
    insulation_ohm: float
    temperature_c: float
    monitor: PulseSetup | DcSetup
    exciter_field_current_a: float = 0.0


@dataclass(frozen=True, slots=True)
class Line:
    """An RTU line."""

    name: str
    baud: int


@dataclass(frozen=True, slots=True)
class Device:
    """A Modbus unit, on a TCP port (an offset from the first port) or on an RTU line."""

    name: str
    kind: DeviceKind
    machine: str
    tcp_offset: int | None
    line: str
    unit: int


@dataclass(frozen=True, slots=True)
class Loop:
    """A 4-20 mA transmitter and the input channel it is wired to.

    `at_4_ma` and `at_20_ma` are in ohms, volts, amperes, degC or shares of 1, as `quantity` has it.
    """

    name: str
    machine: str
    quantity: Quantity
    device: str
    channel: int
    law: Law
    at_4_ma: float
    at_20_ma: float
    noise_ma: float


@dataclass(frozen=True, slots=True)
class Contact:
    """A contact wired to an input of a contact module.

    A monitor's alarm opens its circuit; a closed field breaker or a pressed brush closes it.
    """

    name: str
    machine: str
    device: str
    channel: int
    bounce_s: float
    shows: Shows = "alarm"


@dataclass(frozen=True, slots=True)
class Plant:
    """Everything that is installed."""

    name: str
    machines: Mapping[str, Machine]
    lines: Mapping[str, Line]
    devices: Mapping[str, Device]
    loops: Mapping[str, Loop]
    contacts: Mapping[str, Contact]


def has_light(monitor: PulseSetup | DcSetup) -> bool:
    """Return whether a monitor's verdict comes over a light path that can get dirty."""
    return isinstance(monitor, DcSetup) and monitor.access == "optical link"


def has_brush(monitor: PulseSetup | DcSetup) -> bool:
    """Return whether a monitor reaches its rotor over brushes of its own."""
    return monitor.access in ("retractable brush", "collector rings")
