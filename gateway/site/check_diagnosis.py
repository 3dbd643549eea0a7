"""What the blocks of self-diagnosis must know of tags and of each other. Pure: models in, all
faults out."""

from collections.abc import Iterator, Mapping
from typing import Final, TypeAlias

from gateway.site.check_signal import unit_fits
from gateway.site.detector import DcDetector
from gateway.site.diagnosis import (
    ActuatingContact,
    CrossCheck,
    ExciterCheck,
    OpticalLink,
    RetractableBrush,
    Telemetry,
    TrendWatch,
)
from gateway.site.entries import Context, tag_fits
from gateway.site.found import Found
from gateway.site.model import Machine
from gateway.site.units import Quantity, Unit
from gateway.site.yaml_marks import Path

_Tags: TypeAlias = Mapping[str, tuple[str, Unit | None]]
_CONTACT: Final = "two-state tag"


def diagnosis_faults(c: Context) -> Iterator[Found]:
    """All faults of the blocks of `gateway.site.diagnosis`, machine by machine."""
    tags = c.units_of_tags()
    for i, machine in enumerate(c.file.machines):
        at: Path = ("machines", i)
        yield from _operating_states(c, tags, at, machine)
        for key, access in (
            ("brush", "retractable brush"),
            ("optical_link", "optical link"),
            ("telemetry", "telemetry"),
        ):
            if getattr(machine, key) is not None and machine.access != access:
                text = f"needs 'access: {access}'; this machine has {machine.access!r}"
                yield Found((*at, key), text)
        if machine.brush is not None:
            yield from _brush(c, tags, (*at, "brush"), machine.name, machine.brush)
        if machine.optical_link is not None:
            link_at: Path = (*at, "optical_link")
            yield from _optical_link(c, tags, link_at, machine, machine.optical_link)
        if machine.telemetry is not None:
            yield from _telemetry(c, tags, (*at, "telemetry"), machine.name, machine.telemetry)
        named: set[str] = set()
        for j, check in enumerate(machine.cross_checks):
            check_at: Path = (*at, "cross_checks", j)
            if check.quantity in named:
                text = f"{check.quantity!r} has a cross-check already; put all its paths into one"
                yield Found((*check_at, "quantity"), text)
            named.add(check.quantity)
            yield from _cross_check(c, tags, check_at, machine.name, check)
        if machine.exciter is not None:
            yield from _exciter(c, tags, (*at, "exciter"), machine.name, machine.exciter)
        if machine.trend is not None:
            yield from _trend(c, tags, (*at, "trend"), machine.name, machine.trend)


def _operating_states(c: Context, tags: _Tags, at: Path, machine: Machine) -> Iterator[Found]:
    states = machine.operating_states
    for key in type(states).model_fields:
        state = getattr(states, key)
        if state is None:
            continue
        path: Path = (*at, "operating_states", key)
        if state.above is None:
            unit = tags.get(state.tag, ("", None))[1]
            if unit is not None:
                text = f"{state.tag} is a number; say from where on with 'above: ... {unit.name}'"
                yield Found((*path, "tag"), text)
            else:
                yield from tag_fits(c, tags, (*path, "tag"), state.tag, machine.name, _CONTACT)
            continue
        yield from _number_fits(c, tags, (*path, "tag"), state.tag, machine.name, "'above'")
        yield from _limit_fits(c, tags, (*path, "above"), state.above, state.tag)
        if state.above.si <= 0:
            text = f"must be more than 0, not '{state.above}': a state is judged by the magnitude"
            yield Found((*path, "above"), text)
        if state.deadband >= 1:
            yield Found((*path, "deadband"), "must be less than 100 %, or the state never ends")


def _brush(
    c: Context, tags: _Tags, at: Path, machine: str, brush: RetractableBrush
) -> Iterator[Found]:
    if brush.contact >= brush.every:
        text = f"must be shorter than every ({brush.every:g} s), or the brush is never lifted"
        yield Found((*at, "contact"), text)
    if 0 < brush.missed_after < brush.every:
        text = f"must not be shorter than every ({brush.every:g} s): no measurement is due before"
        yield Found((*at, "missed_after"), text)
    if brush.pressed is not None:
        yield from tag_fits(c, tags, (*at, "pressed"), brush.pressed, machine, _CONTACT)
    most, tag = brush.contact_resistance_most, brush.contact_resistance
    if tag is not None:
        path: Path = (*at, "contact_resistance")
        yield from tag_fits(c, tags, path, tag, machine, "resistance")
        if most is None:
            text = "say from where on it is too high with 'contact_resistance_most: 50 ohm'"
            yield Found(path, text)
    if most is not None:
        path = (*at, "contact_resistance_most")
        yield from _is_a(path, most, "resistance")
        if tag is None:
            yield Found(path, "needs 'contact_resistance', the tag that shows it")


def _optical_link(
    c: Context, tags: _Tags, at: Path, machine: Machine, link: OpticalLink
) -> Iterator[Found]:
    yield from tag_fits(c, tags, (*at, "dark"), link.dark, machine.name, _CONTACT)
    yield from _each_once((*at, "light"), link.light)
    if not link.light:
        text = "at least one tag with the level of the light is needed to sort why it is dark"
        yield Found((*at, "light"), text, warning=True)
    for j, tag in enumerate(link.light):
        yield from tag_fits(c, tags, (*at, "light", j), tag, machine.name, "ratio")
    if not 0 < link.dark_below < link.weak_below:
        text = f"must lie between 0 % and weak_below ({link.weak_below * 100:g} %)"
        yield Found((*at, "dark_below"), text)
    if link.weak_below >= 1:
        yield Found((*at, "weak_below"), "must be less than 100 %")
    current, pickup = link.injected_current, link.pickup_current
    if current is not None:
        path: Path = (*at, "injected_current")
        yield from tag_fits(c, tags, path, current, machine.name, "current")
        if pickup is None and not isinstance(machine.detector, DcDetector):
            text = "say above which current the light goes out with 'pickup_current: 1 mA'"
            yield Found(path, text)
    if pickup is not None:
        path = (*at, "pickup_current")
        yield from _is_a(path, pickup, "current")
        if pickup.si == 0:
            yield Found(path, f"must not be 0, not '{pickup}'")
        if current is None:
            yield Found(path, "needs 'injected_current', the tag that shows it")


def _telemetry(
    c: Context, tags: _Tags, at: Path, machine: str, telemetry: Telemetry
) -> Iterator[Found]:
    if telemetry.quality is not None:
        yield from tag_fits(c, tags, (*at, "quality"), telemetry.quality, machine, "ratio")
    if telemetry.weak_below >= 1:
        yield Found((*at, "weak_below"), "must be less than 100 %")


def _cross_check(
    c: Context, tags: _Tags, at: Path, machine: str, check: CrossCheck
) -> Iterator[Found]:
    first = tags.get(check.values[0], ("", None))[1]
    yield from _number_fits(c, tags, (*at, "values", 0), check.values[0], machine, "a cross-check")
    for j, tag in enumerate(check.values[1:], 1):
        dimension = first.dimension if first else None
        yield from tag_fits(c, tags, (*at, "values", j), tag, machine, dimension)
    yield from _each_once((*at, "values"), check.values)
    if check.contact is not None:
        yield from _actuating(c, tags, (*at, "contact"), machine, check.contact, check.values[0])
    elif len(check.values) < 2:
        text = "two paths or more are needed: another value, or a 'contact'"
        yield Found((*at, "values"), text)


def _actuating(
    c: Context, tags: _Tags, at: Path, machine: str, contact: ActuatingContact, value: str
) -> Iterator[Found]:
    yield from tag_fits(c, tags, (*at, "tag"), contact.tag, machine, _CONTACT)
    if (contact.below is None) == (contact.above is None):
        both = ", not both" if contact.above else ", for example 'below: 20 kohm'"
        text = f"a contact actuates either 'below' or 'above' a setting{both}"
        yield Found((*at, "above") if contact.above else at, text)
        return
    key, setting = ("below", contact.below) if contact.below else ("above", contact.above)
    if setting is not None:
        yield from _limit_fits(c, tags, (*at, key), setting, value)
    if contact.accuracy >= 1:
        yield Found((*at, "accuracy"), "must be less than 100 %")


def _exciter(
    c: Context, tags: _Tags, at: Path, machine: str, exciter: ExciterCheck
) -> Iterator[Found]:
    current, voltage = exciter.field_current, exciter.field_voltage
    yield from tag_fits(c, tags, (*at, "field_current"), current, machine, "current")
    yield from tag_fits(c, tags, (*at, "field_voltage"), voltage, machine, "voltage")


def _trend(c: Context, tags: _Tags, at: Path, machine: str, trend: TrendWatch) -> Iterator[Found]:
    for key, dimension in (
        ("resistance", "resistance"),
        ("temperature", "Celsius temperature"),
        ("humidity", "ratio"),
    ):
        tag = getattr(trend, key)
        if tag is not None:
            yield from tag_fits(c, tags, (*at, key), tag, machine, dimension)
    for key in ("speed", "load"):
        tag = getattr(trend, key)
        if tag is not None:
            yield from _number_fits(c, tags, (*at, key), tag, machine, "a trend")
    if trend.insulation is not None and trend.temperature is None:
        text = "needs 'temperature', the tag to correct the resistance by"
        yield Found((*at, "insulation"), text)


def _number_fits(
    c: Context, tags: _Tags, path: Path, tag: str, machine: str, wants: str
) -> Iterator[Found]:
    """A tag of this machine that has a number, of whatever dimension."""
    yield from tag_fits(c, tags, path, tag, machine, None)
    if tag in tags and tags[tag][1] is None:
        yield Found(path, f"{tag} is a two-state tag; {wants} needs a number")


def _limit_fits(c: Context, tags: _Tags, path: Path, limit: Quantity, tag: str) -> Iterator[Found]:
    unit = tags.get(tag, ("", None))[1]
    if unit is not None and tag not in c.misfits:
        yield from unit_fits(path, limit, unit, tag)


def _is_a(path: Path, given: Quantity, dimension: str) -> Iterator[Found]:
    if given.dimension != dimension:
        text = f"'{given}' is a {given.dimension}; a {dimension} is needed here"
        yield Found(path, text)


def _each_once(path: Path, tags: tuple[str, ...]) -> Iterator[Found]:
    for j, tag in enumerate(tags):
        if tag in tags[:j]:
            yield Found((*path, j), f"{tag} is named already; each path counts once")
