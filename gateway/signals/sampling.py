"""One signal, step by step: Readings in, one Sample out, and whether the signal is blind.

All intervals are on the chain's own clock (`at_ns`), which goes on over a restart. A missed poll
changes nothing until `stale_after`; from then on the last usable value is shown as what it is, and
after `unusable_after` there is no value. What a device says of itself counts at once.
"""

from dataclasses import dataclass, field, replace
from math import hypot, sqrt
from typing import Final

from gateway.signals import contacts, current_loop, filters, registers, scaling
from gateway.signals.contacts import ContactState
from gateway.signals.current_loop import FAILURES, Band, LoopState
from gateway.signals.filters import FilterState
from gateway.site.model import Contact, CountsInput, CurrentLoop, RegisterSignal, Signal
from gateway.site.profile import Point
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_DEVICE_FAILURE,
    BAD_SENSOR_FAILURE,
    BAD_WAITING_FOR_INITIAL_DATA,
    GOOD,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    Limit,
    Reading,
    Sample,
    Status,
)

_RECTANGULAR: Final = sqrt(3)  # a largest permissible error a is u = a/sqrt(3), GUM 4.3.7


@dataclass(frozen=True, slots=True)
class Usable:
    """The last value that was a measurement."""

    value: float | bool
    status: Status
    uncertainty: float | None
    time_ns: int
    at_ns: int


@dataclass(frozen=True, slots=True)
class SignalState:
    """What is remembered of one signal between steps; plain data."""

    usable: Usable | None = None
    trouble: Status | None = None  # why the newest answer was no measurement
    failure: Status | None = None  # why the newest poll got no answer
    words: tuple[int, ...] = ()
    changed_ns: int = 0  # UTC of the last change of the raw words
    changed_at_ns: int = 0
    still_ns: int = 0  # for how long the raw words have stood still while they were read
    read_at_ns: int | None = None
    loop: LoopState = field(default_factory=LoopState)
    filter: FilterState = field(default_factory=FilterState)
    contact: ContactState = field(default_factory=ContactState)


@dataclass(frozen=True, slots=True)
class Observation:
    """A Sample, and whether the monitoring is blind there: bad, or older than it may be."""

    sample: Sample
    blind: bool


@dataclass(frozen=True, slots=True)
class _Measured:
    """What one Reading amounts to: a value, or the trouble that stands in its way."""

    value: float | bool | None
    status: Status
    uncertainty: float | None = None


def loop_current_a(signal: CurrentLoop, raw: float) -> float:
    """The loop current [A] that a module's number means."""
    if isinstance(signal.input, CountsInput):
        share = (raw - signal.input.at_4_mA) / (signal.input.at_20_mA - signal.input.at_4_mA)
        return 0.004 + 0.016 * share
    return raw * (1e-3 if signal.input == "milliampere" else 1e-6)


def take(
    signal: Signal,
    point: Point,
    state: SignalState,
    reading: Reading,
    at_ns: int,
    quality: Status,
) -> SignalState:
    """The state after one Reading that arrived at `at_ns` on the chain's clock.

    `quality` is what the device says of the point by its own quality bits.
    """
    if reading.status.is_bad:
        return replace(state, failure=reading.status)
    elapsed_ns = max(0, at_ns - state.read_at_ns) if state.read_at_ns is not None else 0
    moved = reading.words != state.words or state.read_at_ns is None
    if quality.is_good:
        loop, filtered, contact, measured = _measure(signal, point, state, reading, elapsed_ns)
    else:
        loop, filtered, contact = state.loop, state.filter, state.contact
        measured = _Measured(None, quality)
    usable, trouble = state.usable, None
    if measured.value is None or measured.status.is_bad:
        trouble = measured.status
    else:
        value, status, uncertainty = measured.value, measured.status, measured.uncertainty
        usable = Usable(value, status, uncertainty, reading.at.utc_ns, at_ns)
    return SignalState(
        usable=usable,
        trouble=trouble,
        failure=None,
        words=reading.words,
        changed_ns=reading.at.utc_ns if moved else state.changed_ns,
        changed_at_ns=at_ns if moved else state.changed_at_ns,
        still_ns=0 if moved else state.still_ns + _stood_ns(signal, state, elapsed_ns),
        read_at_ns=at_ns,
        loop=loop,
        filter=filtered,
        contact=contact,
    )


def _measure(
    signal: Signal, point: Point, state: SignalState, reading: Reading, elapsed_ns: int
) -> tuple[LoopState, FilterState, ContactState, _Measured]:
    """What the registers amount to, and what loop, filter and contact remember of them."""
    loop, filtered, contact = state.loop, state.filter, state.contact
    number = registers.decode(point, reading.words)
    if number is None:
        return loop, FilterState(), contact, _Measured(None, BAD_SENSOR_FAILURE)
    if isinstance(signal, Contact):
        contact = contacts.judge(contact, bool(number), elapsed_ns, signal)
        measured = _Measured(contact.actuated, GOOD)
    elif isinstance(signal, CurrentLoop):
        loop, filtered, measured = _loop(signal, point, state, number, elapsed_ns)
    else:
        filtered, measured = _register(signal, point, filtered, number, elapsed_ns)
    return loop, filtered, contact, measured


def _register(
    signal: RegisterSignal, point: Point, state: FilterState, number: float, elapsed_ns: int
) -> tuple[FilterState, _Measured]:
    """A number in the profile's unit becomes one in the tag's unit."""
    factor = _factor(point, signal)
    filtered, value = filters.apply(state, number * factor, elapsed_ns, signal.filter)
    accuracy = signal.accuracy.in_unit(signal.unit) if signal.accuracy else 0.0
    uncertainty = hypot(
        accuracy / _RECTANGULAR,
        signal.accuracy_of_reading * abs(value) / _RECTANGULAR,
        registers.resolution(point) * factor / sqrt(12),
    )
    low, high = (q.in_unit(signal.unit) for q in signal.range)
    status = GOOD
    if signal.saturates_at and value >= signal.saturates_at.in_unit(signal.unit):
        status = GOOD.with_limit(Limit.HIGH)
    elif value > high:
        status = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.HIGH)
    elif value < low:
        status = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.LOW)
    return filtered, _Measured(value, status, uncertainty or None)


def _factor(point: Point, signal: RegisterSignal) -> float:
    if point.unit is None:
        raise ValueError(f"{signal.tag}: {signal.point} has no unit in its profile")
    return float(point.unit.factor / signal.unit.factor)


def _loop(
    signal: CurrentLoop, point: Point, state: SignalState, number: float, elapsed_ns: int
) -> tuple[LoopState, FilterState, _Measured]:
    """A module's number becomes a current, a band and a value in the tag's unit."""
    raw_a = loop_current_a(signal, number)
    loop = current_loop.judge(state.loop, raw_a, elapsed_ns, signal.ne43)
    if loop.believed in FAILURES:
        limit = Limit.LOW if loop.believed is Band.FAILURE_LOW else Limit.HIGH
        return loop, FilterState(), _Measured(None, BAD_SENSOR_FAILURE.with_limit(limit))
    if loop.held_ns is not None or loop.believed is None:
        return loop, state.filter, _Measured(None, UNCERTAIN_LAST_USABLE_VALUE)
    filtered, current_a = filters.apply(state.filter, raw_a, elapsed_ns, signal.filter)
    value, slope = _scaled(signal, current_a)
    count_a = abs(loop_current_a(signal, registers.resolution(point)) - loop_current_a(signal, 0))
    u_current_a = hypot(signal.accuracy * 0.016 / _RECTANGULAR, count_a / sqrt(12))
    status = GOOD
    if loop.believed is not Band.NOMINAL:
        # The limit bits speak of the value: a reverse-acting loop is high where its current is low.
        rises = slope > 0 if slope else signal.range[0].si < signal.range[1].si
        high = (loop.believed is Band.OVER_RANGE) == rises
        limit = Limit.HIGH if high else Limit.LOW
        status = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(limit)
    # Where the law is flat (below a cut-off) the current says nothing of how good the value is.
    return loop, filtered, _Measured(value, status, u_current_a * abs(slope) or None)


def _scaled(signal: CurrentLoop, current_a: float) -> tuple[float, float]:
    low, high = (q.in_unit(signal.unit) for q in signal.range)
    if signal.scaling == "logarithmic":
        return scaling.logarithmic(current_a, low, high)
    if signal.scaling == "square root":
        return scaling.square_root(current_a, low, high, signal.cutoff)
    if signal.scaling == "table":
        rows = [(row.current, row.value.in_unit(signal.unit)) for row in signal.table]
        return scaling.table(current_a, rows)
    return scaling.linear(current_a, low, high)


def show(signal: Signal, state: SignalState, now_ns: int) -> Observation:
    """The Sample as it must be shown at `now_ns` on the chain's clock."""
    usable, trouble = state.usable, state.trouble
    if usable is None:
        known = next((s for s in (trouble, state.failure) if s is not None and s.is_bad), None)
        status = known or BAD_WAITING_FOR_INITIAL_DATA
        return Observation(Sample(signal.tag, None, status, 0), True)
    frozen = _frozen(signal, state)
    at_ns, time_ns = usable.at_ns, usable.time_ns
    if frozen:
        at_ns, time_ns = state.changed_at_ns, state.changed_ns
    age_s = (now_ns - at_ns) / 1e9
    stale = age_s > signal.stale_after or frozen
    if trouble is not None and trouble.is_bad:
        return Observation(Sample(signal.tag, None, trouble, time_ns), True)
    if age_s > signal.unusable_after:
        lost = BAD_COMMUNICATION_ERROR if state.failure else BAD_DEVICE_FAILURE
        return Observation(Sample(signal.tag, None, lost, time_ns), True)
    status = usable.status
    if trouble is not None and trouble.is_uncertain:
        status = trouble
    elif stale:
        status = (
            UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
            if state.failure
            else UNCERTAIN_LAST_USABLE_VALUE
        )
    sample = Sample(signal.tag, usable.value, status, time_ns, usable.uncertainty)
    silent = status.code == UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
    return Observation(sample, stale or silent)


def _stood_ns(signal: Signal, state: SignalState, elapsed_ns: int) -> int:
    """What of the time since the last answer the value was seen to stand still.

    Nobody saw it through an outage, and what the device itself calls old has to stand still.
    """
    seen = state.trouble is None and elapsed_ns <= signal.stale_after * 1e9
    return elapsed_ns if seen else 0


def _frozen(signal: Signal, state: SignalState) -> bool:
    """Whether the raw words have stood still for so long that nothing is being measured."""
    if isinstance(signal, Contact) or signal.frozen_after == 0 or state.usable is None:
        return False
    return state.trouble is None and state.still_ns > signal.frozen_after * 1e9
