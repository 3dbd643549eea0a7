"""Heron Lock, an invented plant with two machines, as files on disk; and days of it in an archive.

The monitors are those of `tests.rotor.plant`, whose readings are computed by a circuit of its own.
"""

import asyncio
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from gateway.archive.store import Store
from gateway.chain import Chain
from gateway.service.field_side import ARCHIVE
from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import GATEWAY_WELL, Command, Frame, GatewayCondition, Instant, Reading
from tests.rotor.plant import NOON_NS, SECOND, module, monitor, silence

LOW, VERY_LOW, BLIND, TRIP, OTHER = "G1.LOW", "G1.VERY_LOW", "G1.BLIND", "G1.TRIP", "G2.LOW"

_MONITOR = """
profile: monitor
description: square pulses over a coupling
poll: {all: 1 s}
points:
  - {name: status, function: 4, address: 0, type: uint16, poll: all}
  - {name: current_positive, function: 4, address: 2, type: float32, unit: uA, poll: all}
  - {name: current_negative, function: 4, address: 4, type: float32, unit: uA, poll: all}
  - {name: field_positive, function: 4, address: 6, type: float32, unit: V, poll: all}
  - {name: field_negative, function: 4, address: 8, type: float32, unit: V, poll: all}
quality:
  - {point: status, bit: 1, means: device failure}
"""
_MODULE = """
profile: module
description: one loop and one contact
poll: {all: 1 s}
points:
  - {name: ch0, function: 4, address: 0, type: uint16, scale: 0.001, unit: mA, poll: all}
  - {name: in0, function: 2, address: 0, type: bool, poll: all}
"""
_MACHINE = """
  - name: {g}
    description: {description}
    access: collector rings
    detection: pulse injection
    field_winding: {{rated_field_voltage: 300 V, field_voltage: {g}.U_POS}}
    pulse_injection:
      amplitude: 36 V
      source_resistance: 31 kohm
      tap: 50 %
      current_positive: {g}.I_POS
      current_negative: {g}.I_NEG
      field_voltage_positive: {g}.U_POS
      field_voltage_negative: {g}.U_NEG
      fault_resistance: {{tag: {g}.R, unit: kohm, range: [0 kohm, 10 Mohm], description: computed}}
      fault_location: {{tag: {g}.PLACE, unit: "%", range: [0 %, 100 %]}}
"""
_SIGNAL = """
  - {{tag: {g}.{tag}, machine: {g}, kind: register, point: {device}.{point}, unit: {unit},
     range: [-50000 {unit}, 50000 {unit}], accuracy: 0.5 {unit}, accuracy_of_reading: 0.2 %}}
"""
_NUMBERS = (
    ("I_POS", "current_positive", "uA"),
    ("I_NEG", "current_negative", "uA"),
    ("U_POS", "field_positive", "V"),
    ("U_NEG", "field_negative", "V"),
)
_ALARMS = """
  - {name: G1.LOW, machine: G1, kind: limit, tag: G1.R, below: LIMIT, on_delay: 5 s,
     priority: high, indicates: earth fault, description: low resistance to earth}
  - {name: G1.VERY_LOW, machine: G1, kind: limit, tag: G1.R, below: 5 kohm, latching: true,
     on_delay: 5 s, priority: critical, indicates: earth fault}
  - {name: G1.BLIND, machine: G1, kind: malfunction, tags: [G1.R, G1.LOOP, G1.TRIPPED]}
  - {name: G1.TRIP, machine: G1, kind: contact, tag: G1.TRIPPED, on_delay: 0 s, off_delay: 0 s}
  - {name: G2.LOW, machine: G2, kind: limit, tag: G2.R, below: 20 kohm, on_delay: 5 s}
"""


def site_text(limit: str = "20 kohm", description: str = "90 MW hydro generator") -> str:
    """The site file, with the limit of G1.LOW."""
    machines = "".join(
        _MACHINE.format(g=g, description=json.dumps(description)) for g in ("G1", "G2")
    )
    signals = "".join(
        _SIGNAL.format(g=g, tag=tag, device=device, point=point, unit=unit)
        for g, device in (("G1", "mon"), ("G2", "mon2"))
        for tag, point, unit in _NUMBERS
    )
    return f"""
site: Heron Lock
machines:
{machines}
links:
  - {{name: net, kind: modbus-tcp, host: 127.0.0.1}}
devices:
  - {{name: mon, link: net, unit_id: 1, profile: monitor}}
  - {{name: mon2, link: net, unit_id: 2, profile: monitor}}
  - {{name: module, link: net, unit_id: 3, profile: module}}
signals:
{signals}
  - {{tag: G1.LOOP, machine: G1, kind: current loop, point: module.ch0, unit: kohm,
     range: [1 kohm, 10 Mohm], scaling: logarithmic}}
  - {{tag: G1.TRIPPED, machine: G1, kind: contact, point: module.in0, debounce: 0 s}}
alarms:
{_ALARMS.replace("LIMIT", limit)}
"""


def write_site(folder: Path, name: str = "heron.yaml", text: str | None = None) -> Path:
    """The site file with its profiles in a folder."""
    (folder / "profiles").mkdir(parents=True, exist_ok=True)
    (folder / "profiles" / "monitor.yaml").write_text(_MONITOR, encoding="utf-8")
    (folder / "profiles" / "module.yaml").write_text(_MODULE, encoding="utf-8")
    path = folder / name
    path.write_text(text or site_text(), encoding="utf-8")
    return path


@dataclass(frozen=True, slots=True)
class Second:
    """What one machine reads in one step; `rf_ohm` None: silence."""

    machine: str
    rf_ohm: float | None
    location_pu: float = 0.3
    closed: bool = True
    wait_s: float = 1.0
    commands: tuple[Command, ...] = ()
    gateway: GatewayCondition = GATEWAY_WELL

    def readings(self, at: Instant) -> list[Reading]:
        if self.machine == "G2":
            ohm = 1e6 if self.rf_ohm is None else self.rf_ohm
            return monitor(at, ohm, self.location_pu, device="mon2")
        said = silence(at) if self.rf_ohm is None else monitor(at, self.rf_ohm, self.location_pu)
        return said + module(at, closed=self.closed)


def lived(site: Site, day: Iterable[Second]) -> list[tuple[Frame, dict[str, bytes]]]:
    """Each step's Frame, with the saved parts of the chain after it."""
    chains = {m.name: Chain(site, m.name) for m in site.file.machines}
    at, done = Instant(NOON_NS, 1_000 * SECOND), []
    for second in day:
        wait_ns = round(second.wait_s * SECOND)
        at = Instant(at.utc_ns + wait_ns, at.monotonic_ns + wait_ns)
        chain = chains[second.machine]
        frame = chain.step(second.readings(at), at, second.commands, second.gateway)
        done.append((frame, chain.save()))
    return done


def archived(
    folder: Path,
    site_path: Path,
    day: Iterable[Second],
    change: Callable[[Frame], Frame] = lambda frame: frame,
) -> Path:
    """The state directory of a gateway that lived this day."""
    site, _ = read(site_path)

    async def write() -> None:
        store = await Store.open(folder / ARCHIVE, max_size_bytes=64 * 1024 * 1024)
        try:
            for frame, parts in lived(site, day):
                await store.write(((change(frame), parts),))
        finally:
            await store.close()

    folder.mkdir(parents=True, exist_ok=True)
    asyncio.run(write())
    return folder


def fault_day(before: int = 30, fault: int = 30, after: int = 30) -> list[Second]:
    """A healthy winding, a fault of 10 kohm at 30 %, and health again; G2 is well all the time."""
    ohms = [1e6] * before + [10e3] * fault + [1e6] * after
    return [Second(g, ohm if g == "G1" else 1e6, wait_s=0.5) for ohm in ohms for g in ("G1", "G2")]
