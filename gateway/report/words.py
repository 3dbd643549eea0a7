"""Times, values, and what happened to an alarm, in plain words.

Times are told in UTC and, where it differs, in the local time of the reader's plant. Refuses to say
a value without its unit or a bad one as if it were a number.
"""

from datetime import UTC, datetime, tzinfo
from typing import Final

from gateway.alarms.journal import JournalEntry
from gateway.report.numbers import with_uncertainty
from gateway.site.units import Unit
from gateway.tags import Limit, Sample, Status

_S: Final = 1_000_000_000
_MS: Final = 1_000_000
_AGES: Final = ((86_400, "d"), (3600, "h"), (60, "min"), (1, "s"))
_BOUNDS: Final = {Limit.HIGH: "at least ", Limit.LOW: "at most ", Limit.CONSTANT: "constant "}


def moment(time_ns: int, zone: tzinfo) -> str:
    """'2026-01-09 12:00:05.000 UTC (13:00:05 CET)'; a dash where there is none."""
    if time_ns == 0:
        return "-"
    utc = datetime.fromtimestamp(time_ns // _S, UTC)
    text = f"{utc:%Y-%m-%d %H:%M:%S}.{time_ns % _S // _MS:03d} UTC"
    local = utc.astimezone(zone)
    if local.utcoffset() == utc.utcoffset():
        return text
    day = "" if local.date() == utc.date() else f"{local:%Y-%m-%d} "
    return f"{text} ({day}{local:%H:%M:%S %Z})"


def clock(time_ns: int) -> str:
    """'12:00:05.000', UTC, for columns whose day is known."""
    utc = datetime.fromtimestamp(time_ns // _S, UTC)
    return f"{utc:%H:%M:%S}.{time_ns % _S // _MS:03d}"


def age(since_ns: int, until_ns: int) -> str:
    """'3 h 20 min': the two largest units; 'less than 1 s' for the smallest."""
    left, parts = max(0, until_ns - since_ns) // _S, []
    for seconds, name in _AGES:
        count, left = divmod(left, seconds)
        if count:
            parts.append(f"{count} {name}")
    return " ".join(parts[:2]) or "less than 1 s"


def value(sample: Sample, unit: Unit | None) -> str:
    """The value with its expanded uncertainty (k = 2) and its unit; a dash where it is bad."""
    if sample.value is None:
        return "-"
    if isinstance(sample.value, bool):
        return "true" if sample.value else "false"
    return quantity(sample.value, sample.uncertainty, sample.status, unit)


def quantity(
    number: float, standard_uncertainty: float | None, status: Status, unit: Unit | None
) -> str:
    """A number with its expanded uncertainty (k = 2), what of it is a bound only, and its unit."""
    expanded = None if standard_uncertainty is None else 2 * standard_uncertainty
    text = with_uncertainty(number, expanded)
    bound = _BOUNDS.get(status.limit, "")
    if unit is None:
        return f"{bound}{text}"
    return f"{bound}({text}) {unit.display}" if "±" in text else f"{bound}{text} {unit.display}"


def happened(entry: JournalEntry, zone: tzinfo) -> str:
    """One journal entry as a sentence without its time."""
    done = entry.transition
    by = f" by {done.who}" if done.who else ""
    why = f", because: {done.why}" if done.why else ""
    if done.refusal:
        return f"{done.alarm}: {done.cue}{by} refused: {done.refusal}"
    if done.cue == "occur" and not done.before.held:
        return f"{done.alarm} came: {done.before.value} to {done.after.value}"
    if done.cue == "clear" and not done.before.held:
        return f"{done.alarm} went: {done.before.value} to {done.after.value}"
    until = f", until {moment(done.until_ns, zone)}" if done.until_ns else ""
    if done.before is done.after:
        return f"{done.alarm}: {done.cue}{by} while {done.after.value}{why}{until}"
    change = f"{done.before.value} to {done.after.value}"
    return f"{done.alarm}: {done.cue}{by}, {change}{why}{until}"
