"""PURE: what people write for a moment: an RFC 3339 instant, or how long ago.

Refuses times without an offset (nobody can know which hour is meant), ISO 8601 forms that are not
RFC 3339, and durations without a unit.
"""

import re
from typing import Final

from gateway.site.units import UNITS

_INSTANT: Final = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:[Zz]|([+-])(\d\d):(\d\d))",
    re.ASCII,
)
_DURATION: Final = re.compile(r"(\d+)(?:\.(\d+))?\s*([A-Za-z]+)", re.ASCII)
_S: Final = 1_000_000_000
_UNIT_NS: Final = {u.name: int(u.factor * _S) for u in UNITS.values() if u.dimension == "time"}
_WANTED: Final = (
    "write a time with its offset, such as 2026-01-05T08:09:10Z or 2026-01-05T08:09:10+01:00, "
    "or how long ago, such as '2 h', '15 min' or '7 d'"
)


def moment_ns(text: str, now_ns: int) -> int:
    """The moment that the text names, UTC nanoseconds; durations count back from `now_ns`.

    Raises ValueError that says what to write. Source: RFC 3339, clause 5.6; a leap second is
    taken as the first second of the next day, as POSIX time has no place for it.
    """
    text = text.strip()
    if match := _INSTANT.fullmatch(text):
        return _instant_ns(text, match)
    if match := _DURATION.fullmatch(text):
        return now_ns - _duration_ns(text, match)
    raise ValueError(f"{text!r} is not a time: {_WANTED}")


def _duration_ns(text: str, match: re.Match[str]) -> int:
    unit_ns = _UNIT_NS.get(match[3])
    if unit_ns is None:
        raise ValueError(f"{text!r} has no known unit of time ({', '.join(_UNIT_NS)}): {_WANTED}")
    fraction = match[2] or ""
    return int(int(match[1] + fraction) * unit_ns // 10 ** len(fraction))


def _instant_ns(text: str, match: re.Match[str]) -> int:
    year, month, day, hour, minute, second = (int(part) for part in match.groups()[:6])
    offset_min = 0
    if match[8]:
        offset_hour, offset_minute = int(match[9]), int(match[10])
        if offset_hour > 23 or offset_minute > 59:
            raise ValueError(f"{text!r} has an offset that does not exist: {_WANTED}")
        offset_min = (60 * offset_hour + offset_minute) * (-1 if match[8] == "-" else 1)
    if not (1 <= month <= 12 and 1 <= day <= _days_in(year, month)):
        raise ValueError(f"{text!r} is a day that does not exist")
    if hour > 23 or minute > 59 or second > 60:
        raise ValueError(f"{text!r} is a time of day that does not exist")
    days = _days_since_epoch(year, month, day)
    seconds = days * 86_400 + hour * 3600 + minute * 60 + second - offset_min * 60
    # Clause 5.7: a leap second ends a month in UTC, so what follows it is a first of a month.
    if second == 60 and (seconds % 86_400 or not _is_first_of_month(seconds // 86_400)):
        raise ValueError(f"{text!r}: second 60 exists only as 23:59:60 UTC at the end of a month")
    return seconds * _S + int((match[7] or "").ljust(9, "0")[:9])


def _days_in(year: int, month: int) -> int:
    if month == 2:
        return 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    return 30 if month in (4, 6, 9, 11) else 31


def _days_since_epoch(year: int, month: int, day: int) -> int:
    """Days from 1970-01-01 in the proleptic Gregorian calendar.

    The year is counted from 1 March, so that the leap day is its last one and the lengths of the
    months before any month are (153 * months + 2) // 5.
    """
    shifted = year if month > 2 else year - 1
    day_of_year = (153 * ((month + 9) % 12) + 2) // 5 + day - 1
    return 365 * shifted + shifted // 4 - shifted // 100 + shifted // 400 + day_of_year - 719_468


def _is_first_of_month(days: int) -> bool:
    year = 1970 + days * 400 // 146_097
    return any(
        _days_since_epoch(y, month, 1) == days
        for y in (year - 1, year, year + 1)
        for month in range(1, 13)
    )
