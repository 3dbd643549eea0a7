"""What an alarm must know of tags, machines and the other alarms. Pure: models in, faults out."""

from collections.abc import Iterator, Mapping
from typing import Final

from gateway.site.alarm import (
    Alarm,
    ContactAlarm,
    DeviationAlarm,
    LimitAlarm,
    MalfunctionAlarm,
    RateOfChangeAlarm,
)
from gateway.site.check_signal import unit_fits
from gateway.site.entries import Context, tag_fits
from gateway.site.explain import did_you_mean
from gateway.site.expression import expression
from gateway.site.found import Found
from gateway.site.model import Machine
from gateway.site.units import Quantity, Unit
from gateway.site.yaml_marks import Path

Tags = Mapping[str, tuple[str, Unit | None]]

_FIELD_VOLTAGE: Final = "field_winding.field_voltage"


def alarm_faults(c: Context) -> Iterator[Found]:
    tags = c.units_of_tags()
    machines = {m.name: m for m in c.file.machines}
    for i, alarm in enumerate(c.file.alarms):
        path: Path = ("alarms", i)
        if not c.known("machines", alarm.machine):
            text = f"there is no machine {alarm.machine!r}{c.like('machines', alarm.machine)}"
            yield Found((*path, "machine"), text)
            continue
        if isinstance(alarm, MalfunctionAlarm):
            for j, tag in enumerate(alarm.tags):
                yield from tag_fits(c, tags, (*path, "tags", j), tag, alarm.machine, None)
        elif isinstance(alarm, ContactAlarm):
            yield from tag_fits(c, tags, (*path, "tag"), alarm.tag, alarm.machine, "two-state tag")
        else:
            yield from tag_fits(c, tags, (*path, "tag"), alarm.tag, alarm.machine, None)
            yield from _number_alarm(c, tags, path, alarm)
            yield from _never_moves(path, alarm, machines.get(alarm.machine))
        yield from _options(path, alarm)
        if alarm.machine in machines:
            yield from _suppression(path, alarm, machines[alarm.machine])
    yield from _lonely_groups(c)


def _number_alarm(
    c: Context, tags: Tags, path: Path, alarm: LimitAlarm | DeviationAlarm | RateOfChangeAlarm
) -> Iterator[Found]:
    if isinstance(alarm, LimitAlarm):
        yield from _one_limit(c, tags, path, alarm, ("below", alarm.below), ("above", alarm.above))
        return
    if isinstance(alarm, RateOfChangeAlarm):
        rises, falls = ("rises_by", alarm.rises_by), ("falls_by", alarm.falls_by)
        yield from _one_limit(c, tags, path, alarm, falls, rises)
        return
    yield from tag_fits(c, tags, (*path, "reference"), alarm.reference, alarm.machine, None)
    if alarm.reference == alarm.tag:
        text = f"{alarm.tag} never deviates from itself; name the tag that it is compared with"
        yield Found((*path, "reference"), text)
        return
    yield from _limit_fits(c, tags, (*path, "more_than"), alarm, alarm.more_than, positive=True)
    one, other = (tags.get(t, ("", None))[1] for t in (alarm.tag, alarm.reference))
    if alarm.reference in tags and other is None:
        text = f"{alarm.reference} is a two-state tag and deviates by no amount"
        yield Found((*path, "reference"), text)
    elif one and other and one.dimension != other.dimension and alarm.reference not in c.misfits:
        if alarm.tag not in c.misfits:
            text = (
                f"{alarm.reference} is in {other.name}, a {other.dimension}; {alarm.tag} is in "
                f"{one.name}, a {one.dimension}"
            )
            yield Found((*path, "reference"), text)


def _never_moves(
    path: Path, alarm: LimitAlarm | DeviationAlarm | RateOfChangeAlarm, machine: Machine | None
) -> Iterator[Found]:
    """What would never clear, or never come."""
    if not isinstance(alarm, LimitAlarm) and alarm.deadband >= 1:
        yield Found((*path, "deadband"), "must be less than 100 %, or the alarm never clears")
    if isinstance(alarm, RateOfChangeAlarm) and machine and alarm.within < machine.scan:
        text = f"must be at least the scan of {machine.name}, {machine.scan:g} s, or it never comes"
        yield Found((*path, "within"), text)


def _one_limit(
    c: Context,
    tags: Tags,
    path: Path,
    alarm: LimitAlarm | RateOfChangeAlarm,
    down: tuple[str, Quantity | None],
    up: tuple[str, Quantity | None],
) -> Iterator[Found]:
    if (down[1] is None) == (up[1] is None):
        both = ", not both" if up[1] else f", for example '{down[0]}: 20 kohm'"
        text = f"a {alarm.kind} alarm needs either '{down[0]}' or '{up[0]}'{both}"
        yield Found((*path, up[0]) if up[1] else path, text)
        return
    key, limit = down if down[1] else up
    if limit:
        positive = isinstance(alarm, RateOfChangeAlarm)
        yield from _limit_fits(c, tags, (*path, key), alarm, limit, positive=positive)


def _limit_fits(
    c: Context,
    tags: Tags,
    path: Path,
    alarm: LimitAlarm | DeviationAlarm | RateOfChangeAlarm,
    limit: Quantity,
    *,
    positive: bool,
) -> Iterator[Found]:
    """Whether a limit is one for the alarm's tag; `positive` where it is an amount."""
    unit = tags.get(alarm.tag, ("", None))[1]
    if alarm.tag in tags and unit is None:
        text = f"{alarm.tag} is a two-state tag and has no limit; use 'kind: contact'"
        yield Found((*path[:-1], "tag"), text)
    elif unit and alarm.tag not in c.misfits:
        yield from unit_fits(path, limit, unit, alarm.tag)
    if positive and limit.number <= 0:
        yield Found(path, f"must be more than 0, not '{limit}'")


def _options(path: Path, alarm: Alarm) -> Iterator[Found]:
    if alarm.latched_comes_acknowledged and not alarm.latching:
        text = "says nothing of an alarm that does not latch; needs 'latching: true'"
        yield Found((*path, "latched_comes_acknowledged"), text)
    if alarm.acknowledge_on_return and alarm.latching:
        text = "a latching alarm does not return by itself; take one of the two"
        yield Found((*path, "acknowledge_on_return"), text)
    if alarm.release_delay and not alarm.suppressed_when.strip():
        text = "there is no suppression that could be released; needs 'suppressed_when'"
        yield Found((*path, "release_delay"), text)


def _suppression(path: Path, alarm: Alarm, machine: Machine) -> Iterator[Found]:
    if not alarm.suppressed_when.strip():
        return
    at = (*path, "suppressed_when")
    try:
        states = expression(alarm.suppressed_when).states
    except ValueError as error:
        yield Found(at, str(error))
        return
    for state in states:
        told = getattr(machine.operating_states, state) is not None
        if state == "excited":
            told = told or machine.field_winding.field_voltage is not None
        if not told:
            keys = f"operating_states.{state}"
            if state == "excited":
                keys += f" or {_FIELD_VOLTAGE}"
            text = f"nothing tells whether {machine.name} is {state}; give the machine {keys}"
            yield Found(at, text)


def _lonely_groups(c: Context) -> Iterator[Found]:
    if c.written.get("alarms", set()) != {alarm.name for alarm in c.file.alarms}:
        return  # an alarm with a fault of its own may belong to any group
    members: dict[tuple[str, str], list[int]] = {}
    for i, alarm in enumerate(c.file.alarms):
        if alarm.group is not None:
            members.setdefault((alarm.machine, alarm.group), []).append(i)
    for (machine, group), (i, *others) in members.items():
        if not others:
            rest = [g for m, g in members if m == machine and g != group]
            hint = did_you_mean(group, rest) if rest else ""
            text = f"no other alarm of {machine} is in group {group!r}, so being first says nothing"
            yield Found(("alarms", i, "group"), text + hint, warning=True)
