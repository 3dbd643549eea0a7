"""The plant file: reads what is installed.

The file says what is installed; what happens to it is the scenario's. It refuses machines without
a monitor, two units of one number on one wire, and two loops on one channel.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar, cast

from simulator import marked_yaml, quantity
from simulator.marked_yaml import Place
from simulator.plant import (
    CHANNELS,
    DC_ACCESSES,
    DEVICE_KINDS,
    PULSE_ACCESSES,
    Access,
    Contact,
    DcSetup,
    Device,
    DeviceKind,
    Law,
    Line,
    Loop,
    Machine,
    Plant,
    PulseSetup,
    Quantity,
    Shows,
    has_brush,
    has_light,
)
from simulator.rotor import Injection, MidpointInjection, TerminalInjection

_PULSE_NEEDS = ("kind", "access", "source", "injection", "half_cycle", "alarm_below")
_DC_NEEDS = ("kind", "access", "source", "series", "threshold", "cycle", "dark_below")
_MEASURED: Mapping[Quantity, quantity.Kind] = MappingProxyType(
    {
        "resistance": quantity.RESISTANCE,
        "light level": quantity.SHARE,
        "speed": quantity.SHARE,
        "load": quantity.SHARE,
        "humidity": quantity.SHARE,
        "field voltage": quantity.VOLTAGE,
        "exciter field current": quantity.CURRENT,
        "rotor temperature": quantity.TEMPERATURE,
    }
)
_SHOWN: tuple[Shows, ...] = ("alarm", "field breaker closed", "brush pressed")

_Item = TypeVar("_Item")


def load(path: Path) -> Plant:
    """Read a plant file; raises ScenarioError with every fault as "file:line:column: text"."""
    return marked_yaml.read(path, _plant)


def _plant(root: Place) -> Plant:
    keys = root.keys(
        needed=("plant", "machines", "devices"), allowed=("lines", "loops", "contacts")
    )
    machines = _named(keys.get("machines"), _machine)
    lines = _named(keys.get("lines"), _line)
    devices = _named(keys.get("devices"), lambda name, place: _device(name, place, machines, lines))
    _refuse_doubles(
        keys.get("devices"), {d.name: (d.tcp_offset, d.line, d.unit) for d in devices.values()}
    )
    loops = _named(keys.get("loops"), lambda name, place: _loop(name, place, machines, devices))
    _refuse_doubles(keys.get("loops"), {x.name: (x.device, x.channel) for x in loops.values()})
    contacts = _named(
        keys.get("contacts"), lambda name, place: _contact(name, place, machines, devices)
    )
    _refuse_doubles(
        keys.get("contacts"), {x.name: (x.device, x.channel) for x in contacts.values()}
    )
    name = keys["plant"].text() if "plant" in keys else ""
    return Plant(name, machines, lines, devices, loops, contacts)


def _named(place: Place | None, build: Callable[[str, Place], _Item]) -> dict[str, _Item]:
    if place is None:
        return {}
    return {str(key.value): build(str(key.value), value) for key, value in place.items()}


def _refuse_doubles(place: Place | None, addresses: Mapping[str, object]) -> None:
    taken: dict[object, str] = {}
    for name, address in addresses.items():
        first = taken.setdefault(address, name)
        if first != name and place is not None:
            place.fault(f"{name!r} has the same address as {first!r}; give it one of its own")


def _machine(name: str, place: Place) -> Machine:
    keys = place.keys(
        needed=(
            "what",
            "field_voltage",
            "winding_resistance",
            "capacitance",
            "insulation",
            "temperature",
            "monitor",
        ),
        allowed=("exciter_field_current",),
    )
    return Machine(
        name=name,
        what=keys["what"].text() if "what" in keys else "",
        field_voltage_v=_amount(keys, "field_voltage", quantity.VOLTAGE),
        winding_ohm=_amount(keys, "winding_resistance", quantity.RESISTANCE, above=0.0),
        capacitance_f=_amount(keys, "capacitance", quantity.CAPACITANCE, low=0.0),
        insulation_ohm=_amount(keys, "insulation", quantity.RESISTANCE, above=0.0),
        temperature_c=_amount(keys, "temperature", quantity.TEMPERATURE, above=-100.0),
        monitor=_monitor(keys.get("monitor")),
        exciter_field_current_a=_amount(
            keys, "exciter_field_current", quantity.CURRENT, above=0.0, otherwise=0.0
        ),
    )


def _amount(
    keys: Mapping[str, Place],
    key: str,
    kind: quantity.Kind,
    *,
    low: float = float("-inf"),
    above: float = float("-inf"),
    otherwise: float = 1.0,
) -> float:
    place = keys.get(key)
    return otherwise if place is None else place.quantity(kind, low=low, above=above)


def _monitor(place: Place | None) -> PulseSetup | DcSetup:
    named = place.find("kind") if place is not None else None
    kind = named.choice(("pulse", "DC injection")) if named is not None else "pulse"
    pulse = kind == "pulse"
    extra = ("noise", "field_noise", *(("resolution",) if pulse else ()))
    keys = place.keys(needed=_PULSE_NEEDS if pulse else _DC_NEEDS, allowed=extra) if place else {}
    accesses = PULSE_ACCESSES if pulse else DC_ACCESSES
    access = cast(Access, keys["access"].choice(accesses)) if "access" in keys else "telemetry"
    source_v = _amount(keys, "source", quantity.VOLTAGE, above=0.0)
    noise_a = _amount(keys, "noise", quantity.CURRENT, low=0.0, otherwise=0.0)
    field_noise_v = _amount(keys, "field_noise", quantity.VOLTAGE, low=0.0, otherwise=0.0)
    if pulse:
        return PulseSetup(
            access=access,
            source_v=source_v,
            injection=_injection(keys.get("injection")),
            half_cycle_s=_amount(keys, "half_cycle", quantity.TIME, low=0.01),
            alarm_below_ohm=_amount(keys, "alarm_below", quantity.RESISTANCE, above=0.0),
            noise_a=noise_a,
            field_noise_v=field_noise_v,
            resolution_a=_amount(keys, "resolution", quantity.CURRENT, low=0.0, otherwise=0.0),
        )
    return DcSetup(
        access=access,
        source_v=source_v,
        injection=TerminalInjection(_amount(keys, "series", quantity.RESISTANCE, above=0.0)),
        threshold_a=_amount(keys, "threshold", quantity.CURRENT, above=0.0),
        cycle_s=_amount(keys, "cycle", quantity.TIME, low=0.01),
        dark_below=_amount(keys, "dark_below", quantity.SHARE, low=0.0),
        noise_a=noise_a,
        field_noise_v=field_noise_v,
    )


def _injection(place: Place | None) -> Injection:
    if place is None:
        return TerminalInjection(1.0)
    named = place.find("into")
    into = named.choice(("negative terminal", "midpoint")) if named is not None else ""
    keys = place.keys(
        needed=("into", "coupling", "source") if into == "midpoint" else ("into", "series")
    )
    if into == "midpoint":
        coupling = _amount(keys, "coupling", quantity.RESISTANCE, above=0.0)
        return MidpointInjection(
            coupling, coupling, _amount(keys, "source", quantity.RESISTANCE, above=0.0)
        )
    return TerminalInjection(_amount(keys, "series", quantity.RESISTANCE, above=0.0))


def _line(name: str, place: Place) -> Line:
    if "/" in name or name.startswith("."):
        place.fault(f"{name!r} cannot be a line's name; write one like 'line-u3'")
    keys = place.keys(needed=("baud",))
    return Line(name, keys["baud"].whole(1200, 115200) if "baud" in keys else 19200)


def _one_of(keys: Mapping[str, Place], key: str, known: Mapping[str, object]) -> str:
    return keys[key].choice(tuple(known) or ("(none is defined)",)) if key in keys else ""


def _device(
    name: str, place: Place, machines: Mapping[str, Machine], lines: Mapping[str, Line]
) -> Device:
    keys = place.keys(needed=("kind", "unit"), allowed=("machine", "tcp_offset", "line"))
    kind = cast(DeviceKind, keys["kind"].choice(DEVICE_KINDS)) if "kind" in keys else None
    if ("tcp_offset" in keys) == ("line" in keys):
        place.fault("write either 'tcp_offset' or 'line', to say where it is connected")
    machine = _one_of(keys, "machine", machines)
    if kind in ("pulse monitor", "DC-injection monitor"):
        if not machine:
            place.fault("key 'machine' is missing; say which machine it watches")
        elif machine in machines and (kind == "pulse monitor") != isinstance(
            machines[machine].monitor, PulseSetup
        ):
            place.fault(f"machine {machine!r} has another kind of monitor than a {kind}")
    elif machine:
        place.fault(f"key 'machine' does not belong to a {kind}; remove it")
    return Device(
        name=name,
        kind=kind or "pulse monitor",
        machine=machine,
        tcp_offset=keys["tcp_offset"].whole(0, 999) if "tcp_offset" in keys else None,
        line=_one_of(keys, "line", lines),
        unit=keys["unit"].whole(1, 247) if "unit" in keys else 1,
    )


def _wired_to(keys: Mapping[str, Place], kind: DeviceKind, devices: Mapping[str, Device]) -> str:
    return _one_of(keys, "device", {n: d for n, d in devices.items() if d.kind == kind})


def _loop(
    name: str, place: Place, machines: Mapping[str, Machine], devices: Mapping[str, Device]
) -> Loop:
    keys = place.keys(
        needed=("machine", "quantity", "device", "channel", "law", "at_4_mA", "at_20_mA"),
        allowed=("noise",),
    )
    measured = (
        cast(Quantity, keys["quantity"].choice(tuple(_MEASURED)))
        if "quantity" in keys
        else "resistance"
    )
    machine = _one_of(keys, "machine", machines)
    if machine in machines:
        _refuse_unknown_quantity(place, machines[machine], measured)
    law = keys["law"].choice(("linear", "logarithmic")) if "law" in keys else ""
    kind = _MEASURED[measured]
    bounds = {"above": 0.0} if law == "logarithmic" else {}
    low = _amount(keys, "at_4_mA", kind, otherwise=1.0, **bounds)
    high = _amount(keys, "at_20_mA", kind, otherwise=2.0, **bounds)
    if low == high:
        place.fault("'at_4_mA' and 'at_20_mA' are equal; give the two ends of the range")
    return Loop(
        name=name,
        machine=machine,
        quantity=measured,
        device=_wired_to(keys, "analog input module", devices),
        channel=keys["channel"].whole(0, CHANNELS - 1) if "channel" in keys else 0,
        law=cast(Law, law),
        at_4_ma=low,
        at_20_ma=high,
        noise_ma=1e3 * _amount(keys, "noise", quantity.CURRENT, low=0.0, otherwise=0.0),
    )


def _refuse_unknown_quantity(place: Place, machine: Machine, measured: Quantity) -> None:
    monitor = machine.monitor
    if measured == "light level" and not has_light(monitor):
        place.fault(f"the monitor of {machine.name} has no light level; choose another quantity")
    if measured == "resistance" and isinstance(monitor, DcSetup):
        place.fault(f"the monitor of {machine.name} knows no resistance; choose 'light level'")
    if measured == "exciter field current" and machine.exciter_field_current_a == 0.0:
        place.fault(f"{machine.name} has no 'exciter_field_current'; give it to the machine")


def _contact(
    name: str, place: Place, machines: Mapping[str, Machine], devices: Mapping[str, Device]
) -> Contact:
    keys = place.keys(needed=("machine", "device", "input"), allowed=("bounce", "shows"))
    machine = _one_of(keys, "machine", machines)
    shows = cast(Shows, keys["shows"].choice(_SHOWN)) if "shows" in keys else "alarm"
    if (
        shows == "brush pressed"
        and machine in machines
        and not has_brush(machines[machine].monitor)
    ):
        place.fault(f"the monitor of {machine} has no brush; choose another 'shows'")
    return Contact(
        name=name,
        machine=machine,
        device=_wired_to(keys, "contact module", devices),
        channel=keys["input"].whole(0, CHANNELS - 1) if "input" in keys else 0,
        bounce_s=_amount(keys, "bounce", quantity.TIME, low=0.0, otherwise=0.0),
        shows=shows,
    )
