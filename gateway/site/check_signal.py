"""What a signal must know of its own entries and of its point. Pure: models in, all faults out."""

from collections.abc import Iterator
from typing import Final

from gateway.site.found import Found
from gateway.site.model import CountsInput, CurrentLoop, NumberSignal, RegisterSignal
from gateway.site.profile import NumberType, Point
from gateway.site.units import Quantity, Unit
from gateway.site.yaml_marks import Path

_SPAN: Final[dict[NumberType, tuple[float, float]]] = {
    "bool": (0, 1),
    "uint16": (0, 0xFFFF),
    "int16": (-0x8000, 0x7FFF),
    "uint32": (0, 0xFFFFFFFF),
    "int32": (-0x80000000, 0x7FFFFFFF),
    "float32": (-3.4e38, 3.4e38),
}


def unit_fits(path: Path, given: Quantity, unit: Unit, of: str) -> Iterator[Found]:
    if given.dimension != unit.dimension:
        text = f"'{given}' is a {given.dimension}; {of} is in {unit.name}, a {unit.dimension}"
        yield Found(path, text)


def range_faults(
    path: Path, span: tuple[Quantity, Quantity], unit: Unit, *, reverse: bool = False
) -> Iterator[Found]:
    wrong = [f for i, q in enumerate(span) for f in unit_fits((*path, i), q, unit, "the tag")]
    yield from wrong
    if not wrong and (span[0].si >= span[1].si) and not (reverse and span[0].si > span[1].si):
        yield Found(path, f"the range must rise: {span[0]} is not below {span[1]}")


def live_faults(signal: NumberSignal, path: Path) -> Iterator[Found]:
    """What a live value is expected to do must be told in a unit of the tag's dimension."""
    given = (("expected_noise", signal.expected_noise), ("fastest_change", signal.fastest_change))
    for key, amount in given:
        if amount is None:
            continue
        yield from unit_fits((*path, key), amount, signal.unit, "the tag")
        if amount.number <= 0:
            yield Found((*path, key), f"{amount} is not more than 0; leave it out to watch nothing")
    if signal.possible is not None:
        yield from range_faults((*path, "possible"), signal.possible, signal.unit)


def register_fits(signal: RegisterSignal, path: Path, point: Point) -> Iterator[Found]:
    if point.unit is None:
        text = f"{signal.point} has no unit in its profile, so it cannot become {signal.unit.name}"
        yield Found((*path, "unit"), text)
    elif point.unit.dimension != signal.unit.dimension:
        text = (
            f"{signal.unit.name} is a {signal.unit.dimension}; {signal.point} gives "
            f"{point.unit.name}, a {point.unit.dimension}"
        )
        yield Found((*path, "unit"), text)
        return
    for key, given in (("accuracy", signal.accuracy), ("saturates_at", signal.saturates_at)):
        if given is not None:
            yield from unit_fits((*path, key), given, signal.unit, "the tag")


def loop_fits(signal: CurrentLoop, path: Path, point: Point) -> Iterator[Found]:
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
    if signal.scaling == "table" and not signal.table:
        text = "'scaling: table' needs a 'table' of rows with 'current' and 'value'"
        yield Found((*path, "scaling"), text)
    if signal.table and signal.scaling != "table":
        text = f"a table is used by 'scaling: table' only, not by 'scaling: {signal.scaling}'"
        yield Found((*path, "table"), text)
    for j, row in enumerate(signal.table):
        at = (*path, "table", j, "value")
        yield from unit_fits(at, row.value, signal.unit, "the tag")
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
