"""What one entry of a site file must know of another. Pure: models in, faults out, all of them."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from gateway.site.explain import did_you_mean
from gateway.site.model import (
    Contact,
    CountsInput,
    CurrentLoop,
    Device,
    LimitAlarm,
    MalfunctionAlarm,
    ModbusRtuLink,
    NumberSignal,
    RegisterSignal,
    Signal,
    SiteFile,
)
from gateway.site.profile import DeviceProfile, NumberType, Point
from gateway.site.units import Quantity, Unit
from gateway.site.yaml_marks import Path

_LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")
_SPAN: Final[dict[NumberType, tuple[float, float]]] = {
    "bool": (0, 1),
    "uint16": (0, 0xFFFF),
    "int16": (-0x8000, 0x7FFF),
    "uint32": (0, 0xFFFFFFFF),
    "int32": (-0x80000000, 0x7FFFFFFF),
    "float32": (-3.4e38, 3.4e38),
}


@dataclass(frozen=True, slots=True)
class Found:
    """A fault or a warning at a path of the file."""

    path: Path
    text: str
    warning: bool = False


@dataclass(frozen=True)
class _Context:
    file: SiteFile
    profiles: Mapping[str, DeviceProfile | None]
    written: Mapping[str, set[str]]  # every name in the file, faulty entries included

    def known(self, kind: str, name: str) -> bool:
        return name in self.written.get(kind, set())

    def device(self, name: str) -> Device | None:
        return next((d for d in self.file.devices if d.name == name), None)

    def point_of(self, signal: Signal) -> tuple[Device, Point] | None:
        device = self.device(signal.point.split(".", 1)[0])
        profile = self.profiles.get(device.profile) if device else None
        point = profile.point(signal.point.split(".", 1)[1]) if profile else None
        return (device, point) if device and point else None

    def units_of_tags(self) -> dict[str, tuple[str, Unit | None]]:
        """Machine and unit of each tag; no unit for a two-state tag."""
        found: dict[str, tuple[str, Unit | None]] = {}
        for signal in self.file.signals:
            unit = None if isinstance(signal, Contact) else signal.unit
            found[signal.tag] = (signal.machine, unit)
        for machine in self.file.machines:
            if machine.pulse_injection:
                for computed in (
                    machine.pulse_injection.fault_resistance,
                    machine.pulse_injection.fault_location,
                ):
                    found[computed.tag] = (machine.name, computed.unit)
        return found


def check(
    file: SiteFile, profiles: Mapping[str, DeviceProfile | None], written: Mapping[str, set[str]]
) -> list[Found]:
    """All faults between entries.

    A profile of None is known to be faulty; `written` has the names of every list of the file.
    Neither is reported again here.
    """
    context = _Context(file, profiles, written)
    return [found for rule in RULES for found in rule(context)]


def _names(c: _Context) -> Iterator[Found]:
    seen: dict[tuple[str, str], Path] = {}
    rows: list[tuple[str, str, Path]] = []
    for kind, entries in (
        ("machine", c.file.machines),
        ("link", c.file.links),
        ("device", c.file.devices),
    ):
        rows += [(kind, e.name, (f"{kind}s", i, "name")) for i, e in enumerate(entries)]
    for i, machine in enumerate(c.file.machines):
        if machine.pulse_injection:
            at: Path = ("machines", i, "pulse_injection")
            injection = machine.pulse_injection
            rows.append(("tag", injection.fault_resistance.tag, (*at, "fault_resistance", "tag")))
            rows.append(("tag", injection.fault_location.tag, (*at, "fault_location", "tag")))
    rows += [("tag", s.tag, ("signals", i, "tag")) for i, s in enumerate(c.file.signals)]
    # Tags and alarms share one name space: both become nodes of the served address space.
    rows += [("tag", a.name, ("alarms", i, "name")) for i, a in enumerate(c.file.alarms)]
    for kind, name, path in rows:
        if (kind, name) in seen:
            yield Found(path, f"the {kind} name {name!r} is taken already; each must be its own")
        seen.setdefault((kind, name), path)


def _devices(c: _Context) -> Iterator[Found]:
    links = {link.name: link for link in c.file.links}
    taken: set[tuple[str, int]] = set()
    for i, device in enumerate(c.file.devices):
        path: Path = ("devices", i)
        if not c.known("links", device.link):
            hint = did_you_mean(device.link, c.written.get("links", ()))
            yield Found((*path, "link"), f"there is no link {device.link!r}{hint}")
        if (device.link, device.unit_id) in taken:
            text = f"unit {device.unit_id} on link {device.link!r} is another device already"
            yield Found((*path, "unit_id"), text)
        taken.add((device.link, device.unit_id))
        if isinstance(links.get(device.link), ModbusRtuLink) and not 1 <= device.unit_id <= 247:
            text = f"a unit on a serial line has an address of 1 to 247, not {device.unit_id}"
            yield Found((*path, "unit_id"), text)
        profile = c.profiles.get(device.profile)
        for name in device.poll:
            if profile and name not in profile.poll:
                text = f"the profile has no poll class {name!r}{did_you_mean(name, profile.poll)}"
                yield Found((*path, "poll", name), text)


def _unit_fits(path: Path, given: Quantity, unit: Unit, of: str) -> Iterator[Found]:
    if given.dimension != unit.dimension:
        text = f"'{given}' is a {given.dimension}; {of} is in {unit.name}, a {unit.dimension}"
        yield Found(path, text)


def _range(
    path: Path, span: tuple[Quantity, Quantity], unit: Unit, *, reverse: bool = False
) -> Iterator[Found]:
    wrong = [
        f
        for i, q in enumerate(span)
        for f in _unit_fits((*path, i), q, unit, "the unit of the tag")
    ]
    yield from wrong
    if not wrong and (span[0].si >= span[1].si) and not (reverse and span[0].si > span[1].si):
        yield Found(path, f"the range must rise: {span[0]} is not below {span[1]}")


def _signals(c: _Context) -> Iterator[Found]:
    for i, signal in enumerate(c.file.signals):
        path: Path = ("signals", i)
        if not c.known("machines", signal.machine):
            hint = did_you_mean(signal.machine, c.written.get("machines", ()))
            yield Found((*path, "machine"), f"there is no machine {signal.machine!r}{hint}")
        yield from _point_exists(c, signal, (*path, "point"))
        if signal.unusable_after < signal.stale_after:
            yield Found(
                (*path, "unusable_after"),
                f"must not be shorter than stale_after ({signal.stale_after:g} s)",
            )
        if isinstance(signal, NumberSignal):
            reverse = isinstance(signal, CurrentLoop)
            yield from _range((*path, "range"), signal.range, signal.unit, reverse=reverse)
            if signal.filter.median % 2 == 0:
                text = f"a median needs an odd count of values, not {signal.filter.median}"
                yield Found((*path, "filter", "median"), text)
        found = c.point_of(signal)
        if found:
            yield from _signal_fits_point(c, signal, path, *found)


def _point_exists(c: _Context, signal: Signal, path: Path) -> Iterator[Found]:
    device_name, point_name = signal.point.split(".", 1)
    device = c.device(device_name)
    if not c.known("devices", device_name):
        hint = did_you_mean(device_name, c.written.get("devices", ()))
        yield Found(path, f"there is no device {device_name!r}{hint}")
    profile = c.profiles.get(device.profile) if device else None
    if profile and profile.point(point_name) is None:
        hint = did_you_mean(point_name, [p.name for p in profile.points])
        yield Found(path, f"profile {profile.profile!r} has no point {point_name!r}{hint}")


def _signal_fits_point(
    c: _Context, signal: Signal, path: Path, device: Device, point: Point
) -> Iterator[Found]:
    two_state = point.type == "bool" or point.bit is not None
    if isinstance(signal, Contact) != two_state:
        wanted = "a two-state point" if isinstance(signal, Contact) else "a number"
        text = f"a {signal.kind} needs {wanted}; {signal.point} is not"
        yield Found((*path, "point"), text)
        return
    profile = c.profiles[device.profile]
    period = device.poll.get(point.poll, profile.poll.get(point.poll, 0.0) if profile else 0.0)
    if signal.stale_after < 2 * period:
        text = f"{signal.point} is read every {period:g} s; allow at least twice that"
        yield Found((*path, "stale_after"), text)
    if isinstance(signal, NumberSignal) and 0 < signal.frozen_after < 2 * period:
        text = f"{signal.point} is read every {period:g} s; allow at least twice that"
        yield Found((*path, "frozen_after"), text)
    if isinstance(signal, RegisterSignal):
        yield from _register_fits(signal, path, point)
    elif isinstance(signal, CurrentLoop):
        yield from _loop_fits(signal, path, point)


def _register_fits(signal: RegisterSignal, path: Path, point: Point) -> Iterator[Found]:
    if point.unit is None:
        text = f"{signal.point} has no unit in its profile, so it cannot become {signal.unit.name}"
        yield Found((*path, "unit"), text)
    elif point.unit.dimension != signal.unit.dimension:
        text = (
            f"{signal.unit.name} is a {signal.unit.dimension}; {signal.point} gives "
            f"{point.unit.name}, a {point.unit.dimension}"
        )
        yield Found((*path, "unit"), text)
    for key, given in (("accuracy", signal.accuracy), ("saturates_at", signal.saturates_at)):
        if given is not None:
            yield from _unit_fits((*path, key), given, signal.unit, "the unit of the tag")


def _loop_fits(signal: CurrentLoop, path: Path, point: Point) -> Iterator[Found]:
    limits = signal.ne43
    ladder = (
        limits.failure_low,
        limits.measurement_low,
        0.004,
        0.020,
        limits.measurement_high,
        limits.failure_high,
    )
    if list(ladder) != sorted(ladder):
        text = (
            "the limits must rise: failure_low, measurement_low, 4 mA, 20 mA, "
            "measurement_high, failure_high"
        )
        yield Found((*path, "ne43"), text)
    if signal.scaling == "logarithmic" and min(q.si for q in signal.range) <= 0:
        yield Found((*path, "range"), "a logarithmic scale needs both ends above zero")
    if (signal.scaling == "table") != bool(signal.table):
        text = "a table belongs to 'scaling: table', and that needs one"
        yield Found((*path, "table" if signal.table else "scaling"), text)
    for j, row in enumerate(signal.table):
        at = (*path, "table", j, "value")
        yield from _unit_fits(at, row.value, signal.unit, "the unit of the tag")
    currents = [row.current for row in signal.table]
    if signal.table and (len(currents) < 2 or currents != sorted(set(currents))):
        text = "a table needs two rows or more, with rising currents"
        yield Found((*path, "table"), text)
    if isinstance(signal.input, CountsInput):
        yield from _counts_fit(signal, signal.input, path, point)


def _counts_fit(
    signal: CurrentLoop, counts: CountsInput, path: Path, point: Point
) -> Iterator[Found]:
    if counts.at_4_mA == counts.at_20_mA:
        yield Found((*path, "input"), "the counts at 4 mA and 20 mA must differ")
        return
    low, high = (
        4
        + 16
        * (raw * point.scale + point.offset - counts.at_4_mA)
        / (counts.at_20_mA - counts.at_4_mA)
        for raw in _SPAN[point.type]
    )
    shown = (min(low, high) / 1000, max(low, high) / 1000)
    for what, limit, hidden in (
        ("a wire break", signal.ne43.failure_low, shown[0] > signal.ne43.failure_low),
        ("a failure signal", signal.ne43.failure_high, shown[1] < signal.ne43.failure_high),
    ):
        if hidden:
            text = (
                f"this input shows {shown[0] * 1e3:.3g} to {shown[1] * 1e3:.3g} mA only, so {what} "
                f"(limit {limit * 1e3:g} mA) cannot be seen; set the module to a wider format"
            )
            yield Found((*path, "input"), text, warning=True)


def _machines(c: _Context) -> Iterator[Found]:
    tags = c.units_of_tags()
    for i, machine in enumerate(c.file.machines):
        if machine.field_winding.field_voltage:
            at: Path = ("machines", i, "field_winding", "field_voltage")
            shown = machine.field_winding.field_voltage
            yield from _tag_fits(c, tags, at, shown, machine.name, "voltage")
        injection, path = machine.pulse_injection, ("machines", i, "pulse_injection")
        if injection is None:
            continue
        if machine.detection != "pulse injection":
            text = f"belongs to 'detection: pulse injection'; this machine has {machine.detection}"
            yield Found(path, text)
        if injection.tap > 1:
            yield Found((*path, "tap"), "the tap is 0 % to 100 % of the winding")
        for key, dimension in (
            ("current_positive", "current"),
            ("current_negative", "current"),
            ("field_voltage_positive", "voltage"),
            ("field_voltage_negative", "voltage"),
        ):
            tag = getattr(injection, key)
            yield from _tag_fits(c, tags, (*path, key), tag, machine.name, dimension)
        for key, computed, dimension in (
            ("fault_resistance", injection.fault_resistance, "resistance"),
            ("fault_location", injection.fault_location, "ratio"),
        ):
            if computed.unit.dimension != dimension:
                text = f"{computed.unit.name} is a {computed.unit.dimension}, not a {dimension}"
                yield Found((*path, key, "unit"), text)
            yield from _range((*path, key, "range"), computed.range, computed.unit)


def _tag_fits(
    c: _Context,
    tags: Mapping[str, tuple[str, Unit | None]],
    path: Path,
    tag: str,
    machine: str,
    dimension: str | None,
) -> Iterator[Found]:
    if tag not in tags:
        if not c.known("signals", tag):
            yield Found(path, f"there is no tag {tag!r}{did_you_mean(tag, tags)}")
        return
    owner, unit = tags[tag]
    if owner != machine:
        yield Found(path, f"{tag} belongs to machine {owner!r}, not to {machine!r}")
    found = unit.dimension if unit else "two-state tag"
    if dimension is not None and found != dimension:
        yield Found(path, f"{tag} is a {found}; a {dimension} is needed here")


def _alarms(c: _Context) -> Iterator[Found]:
    tags = c.units_of_tags()
    for i, alarm in enumerate(c.file.alarms):
        path: Path = ("alarms", i)
        if not c.known("machines", alarm.machine):
            hint = did_you_mean(alarm.machine, c.written.get("machines", ()))
            yield Found((*path, "machine"), f"there is no machine {alarm.machine!r}{hint}")
            continue
        if isinstance(alarm, MalfunctionAlarm):
            for j, tag in enumerate(alarm.tags):
                yield from _tag_fits(c, tags, (*path, "tags", j), tag, alarm.machine, None)
        elif isinstance(alarm, LimitAlarm):
            yield from _tag_fits(c, tags, (*path, "tag"), alarm.tag, alarm.machine, None)
            yield from _limit(tags, path, alarm)
        else:
            yield from _tag_fits(c, tags, (*path, "tag"), alarm.tag, alarm.machine, "two-state tag")


def _limit(
    tags: Mapping[str, tuple[str, Unit | None]], path: Path, alarm: LimitAlarm
) -> Iterator[Found]:
    if (alarm.below is None) == (alarm.above is None):
        text = "a limit alarm has either 'below' or 'above', for example 'below: 20 kohm'"
        yield Found((*path, "above") if alarm.above else path, text)
        return
    key, limit = ("below", alarm.below) if alarm.below else ("above", alarm.above)
    unit = tags.get(alarm.tag, ("", None))[1]
    if alarm.tag in tags and unit is None:
        text = f"{alarm.tag} is a two-state tag and has no limit; use 'kind: contact'"
        yield Found((*path, "tag"), text)
    elif unit and limit:
        yield from _unit_fits((*path, key), limit, unit, alarm.tag)


def _outputs(c: _Context) -> Iterator[Found]:
    taken: dict[int, str] = {}
    for key in ("opcua", "modbus", "http"):
        output = getattr(c.file.outputs, key)
        if output is None:
            continue
        if output.port in taken:
            text = f"port {output.port} is taken by {taken[output.port]}"
            yield Found(("outputs", key, "port"), text)
        taken.setdefault(output.port, key)
        if output.host not in _LOOPBACK:
            text = f"serves every client that reaches {output.host}, unencrypted; 127.0.0.1 is safe"
            yield Found(("outputs", key, "host"), text, warning=True)


RULES: Final[tuple[Callable[[_Context], Iterator[Found]], ...]] = (
    _names,
    _devices,
    _signals,
    _machines,
    _alarms,
    _outputs,
)
