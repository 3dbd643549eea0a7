"""What one entry of a site file must know of another. Pure: models in, faults out, all of them."""

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from gateway.site.check_alarms import alarm_faults
from gateway.site.check_diagnosis import diagnosis_faults
from gateway.site.check_signal import live_faults, loop_fits, range_faults, register_fits
from gateway.site.entries import Context, computed_tags, tag_fits
from gateway.site.explain import did_you_mean
from gateway.site.found import Found
from gateway.site.model import (
    Contact,
    CurrentLoop,
    Device,
    FieldWinding,
    ModbusRtuLink,
    NumberSignal,
    RegisterSignal,
    Signal,
    SiteFile,
)
from gateway.site.profile import DeviceProfile, Point
from gateway.site.yaml_marks import Path

_LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")


def check(
    file: SiteFile,
    profiles: Mapping[str, DeviceProfile | None],
    written: Mapping[str, set[str] | None],
) -> list[Found]:
    """All faults between entries.

    A profile of None is known to be faulty; `written` has the names of every list of the file, or
    None where one of them is at fault itself. What refers to either is not reported again here.
    """
    context = Context(file, profiles, written)
    return [found for rule in RULES for found in rule(context)]


def _names(c: Context) -> Iterator[Found]:
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


def _devices(c: Context) -> Iterator[Found]:
    links = {link.name: link for link in c.file.links}
    taken: dict[tuple[str, int], str] = {}
    for i, device in enumerate(c.file.devices):
        path: Path = ("devices", i)
        if not c.known("links", device.link):
            text = f"there is no link {device.link!r}{c.like('links', device.link)}"
            yield Found((*path, "link"), text)
        if (device.link, device.unit_id) in taken:
            other = taken[device.link, device.unit_id]
            text = f"unit {device.unit_id} on link {device.link!r} is device {other!r} already"
            yield Found((*path, "unit_id"), text)
        taken.setdefault((device.link, device.unit_id), device.name)
        if isinstance(links.get(device.link), ModbusRtuLink) and not 1 <= device.unit_id <= 247:
            text = f"a unit on a serial line has an address of 1 to 247, not {device.unit_id}"
            yield Found((*path, "unit_id"), text)
        profile = c.profiles.get(device.profile)
        for name in device.poll:
            if profile and name not in profile.poll:
                text = f"the profile has no poll class {name!r}{did_you_mean(name, profile.poll)}"
                yield Found((*path, "poll", name), text)


def _signals(c: Context) -> Iterator[Found]:
    for i, signal in enumerate(c.file.signals):
        path: Path = ("signals", i)
        if not c.known("machines", signal.machine):
            text = f"there is no machine {signal.machine!r}{c.like('machines', signal.machine)}"
            yield Found((*path, "machine"), text)
        yield from _point_exists(c, signal, (*path, "point"))
        if signal.unusable_after < signal.stale_after:
            yield Found(
                (*path, "unusable_after"),
                f"must not be shorter than stale_after ({signal.stale_after:g} s)",
            )
        if isinstance(signal, NumberSignal):
            reverse = isinstance(signal, CurrentLoop)
            if signal.tag not in c.misfits:
                yield from range_faults(
                    (*path, "range"), signal.range, signal.unit, reverse=reverse
                )
                yield from live_faults(signal, path)
            if signal.filter.median % 2 == 0:
                text = f"a median needs an odd count of values, not {signal.filter.median}"
                yield Found((*path, "filter", "median"), text)
        found = c.point_of(signal)
        if found:
            yield from _signal_fits_point(c, signal, path, *found)


def _point_exists(c: Context, signal: Signal, path: Path) -> Iterator[Found]:
    device_name, point_name = signal.point.split(".", 1)
    device = c.device(device_name)
    if not c.known("devices", device_name):
        text = f"there is no device {device_name!r}{c.like('devices', device_name)}"
        yield Found(path, text)
    profile = c.profiles.get(device.profile) if device else None
    if profile and profile.point(point_name) is None:
        hint = did_you_mean(point_name, [p.name for p in profile.points])
        yield Found(path, f"profile {profile.profile!r} has no point {point_name!r}{hint}")


def _signal_fits_point(
    c: Context, signal: Signal, path: Path, device: Device, point: Point
) -> Iterator[Found]:
    two_state = point.type == "bool" or point.bit is not None
    if isinstance(signal, Contact) != two_state:
        wanted = "a two-state point" if isinstance(signal, Contact) else "a point with a number"
        given = "is a two-state point" if two_state else "has a number"
        text = f"a {signal.kind} needs {wanted}; {signal.point} {given}"
        yield Found((*path, "point"), text)
        return
    profile = c.profiles[device.profile]
    period = device.poll.get(point.poll, profile.poll.get(point.poll, 0.0) if profile else 0.0)
    if signal.stale_after < 2 * period:
        text = f"{signal.point} is read every {period:g} s; allow at least {2 * period:g} s"
        yield Found((*path, "stale_after"), text)
    if isinstance(signal, NumberSignal) and 0 < signal.frozen_after < 2 * period:
        text = f"{signal.point} is read every {period:g} s; allow at least {2 * period:g} s"
        yield Found((*path, "frozen_after"), text)
    if isinstance(signal, RegisterSignal):
        yield from register_fits(signal, path, point)
    elif isinstance(signal, CurrentLoop):
        yield from loop_fits(signal, path, point)


def _machines(c: Context) -> Iterator[Found]:
    tags = c.units_of_tags()
    if c.written.get("machines") == set():
        yield Found(("machines",), "at least one machine is needed")
    for i, machine in enumerate(c.file.machines):
        if machine.field_winding.field_voltage:
            at: Path = ("machines", i, "field_winding", "field_voltage")
            shown = machine.field_winding.field_voltage
            yield from tag_fits(c, tags, at, shown, machine.name, "voltage")
            yield from _rated_is_in_range(c, at, machine.field_winding)
        if machine.detector and machine.detector.method != machine.detection:
            text = f"this machine has 'detection: {machine.detection}'; its detector must be one"
            yield Found(("machines", i, "detector", "method"), text)
        injection, path = machine.pulse_injection, ("machines", i, "pulse_injection")
        if injection is None:
            continue
        if machine.detection != "pulse injection":
            text = f"needs 'detection: pulse injection'; this machine has {machine.detection!r}"
            yield Found(path, text)
        if injection.tap > 1:
            text = "the tap lies between 0 % (negative end) and 100 % of the winding"
            yield Found((*path, "tap"), text)
        for key, dimension in (
            ("current_positive", "current"),
            ("current_negative", "current"),
            ("field_voltage_positive", "voltage"),
            ("field_voltage_negative", "voltage"),
        ):
            tag = getattr(injection, key)
            yield from tag_fits(c, tags, (*path, key), tag, machine.name, dimension)
        for key, (computed, dimension) in zip(
            ("fault_resistance", "fault_location"), computed_tags(injection), strict=True
        ):
            if computed.unit.dimension != dimension:
                text = f"{computed.unit.name} is a {computed.unit.dimension}, not a {dimension}"
                yield Found((*path, key, "unit"), text)
            yield from range_faults((*path, key, "range"), computed.range, computed.unit)


def _rated_is_in_range(c: Context, path: Path, winding: FieldWinding) -> Iterator[Found]:
    """A tag that ends below what the winding is rated for would be out of range in service."""
    for signal in c.file.signals:
        if signal.tag != winding.field_voltage or not isinstance(signal, NumberSignal):
            continue
        if any(q.dimension != "voltage" for q in signal.range):
            continue
        widest_v = max(abs(q.si) for q in signal.range)
        if widest_v < winding.rated_field_voltage:
            text = (
                f"the range of {signal.tag} ends at {widest_v:g} V; the winding is rated for "
                f"{winding.rated_field_voltage:g} V, so in service the value is out of range"
            )
            yield Found(path, text, warning=True)


def _outputs(c: Context) -> Iterator[Found]:
    taken: dict[int, str] = {}
    for key, output in c.file.outputs.served.items():
        if output.port in taken:
            text = f"port {output.port} is taken by outputs.{taken[output.port]}; choose another"
            yield Found(("outputs", key, "port"), text)
        taken.setdefault(output.port, key)
        if output.host not in _LOOPBACK:
            text = f"serves every client that reaches {output.host}, unencrypted; 127.0.0.1 is safe"
            yield Found(("outputs", key, "host"), text, warning=True)


RULES: Final[tuple[Callable[[Context], Iterator[Found]], ...]] = (
    _names,
    _devices,
    _signals,
    _machines,
    diagnosis_faults,
    alarm_faults,
    _outputs,
)
