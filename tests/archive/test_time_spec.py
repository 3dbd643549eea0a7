"""Times as people write them."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.archive.time_spec import moment_ns

S = 1_000_000_000
NOW_NS = 1_790_000_000 * S


# Worked from RFC 3339, clause 5.8 (its own examples) and clause 5.6 (the grammar).
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-01-05T08:09:10Z", "2026-01-05T08:09:10+00:00"),
        ("2026-01-05T08:09:10.250+01:00", "2026-01-05T07:09:10.250+00:00"),
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520+00:00"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57+00:00"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00+00:00"),
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00+00:00"),
        ("2016-12-31T23:59:60Z", "2017-01-01T00:00:00+00:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870+00:00"),
        ("2026-01-05t08:09:10z", "2026-01-05T08:09:10+00:00"),
        ("2026-01-05T08:09:10-00:00", "2026-01-05T08:09:10+00:00"),
        ("2024-02-29T00:00:00Z", "2024-02-29T00:00:00+00:00"),
        ("  2026-01-05T08:09:10Z ", "2026-01-05T08:09:10+00:00"),
    ],
)
def test_instants(text: str, expected: str) -> None:
    """RFC 3339 instants are understood to the nanosecond."""
    since_epoch = datetime.fromisoformat(expected) - datetime(1970, 1, 1, tzinfo=UTC)
    assert since_epoch // timedelta(microseconds=1) * 1000 == moment_ns(text, NOW_NS)


def test_nanoseconds_are_kept() -> None:
    """Nine digits of a second are exact, further ones are cut off."""
    assert 1_767_600_550_123_456_789 == moment_ns("2026-01-05T08:09:10.123456789Z", 0)
    assert 1_767_600_550_123_456_789 == moment_ns("2026-01-05T08:09:10.1234567899Z", 0)


# NTP seconds 3913056000 are Unix 1704067200, the first second of 2024 (RFC 5905, era 0).
def test_epoch() -> None:
    """The first second of 2024 is the one that network time names."""
    assert (3_913_056_000 - 2_208_988_800) * S == moment_ns("2024-01-01T00:00:00Z", 0)


@pytest.mark.parametrize(
    ("text", "back_ns"),
    [
        ("2 h", 7200 * S),
        ("15 min", 900 * S),
        ("7 d", 7 * 86_400 * S),
        ("90s", 90 * S),
        ("250 ms", S // 4),
        ("1.5 h", 5400 * S),
        ("0 s", 0),
    ],
)
def test_durations_count_back(text: str, back_ns: int) -> None:
    """A duration with its unit is a moment before now."""
    assert NOW_NS - back_ns == moment_ns(text, NOW_NS)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-01-05 08:09", "is not a time"),
        ("2026-01-05 08:09:10Z", "is not a time"),
        ("2026-W02-1", "is not a time"),
        ("2026-005T08:09:10Z", "is not a time"),
        ("2026-01-05T08:09:10+0100", "is not a time"),
        ("2026-01-05T08:09:10", "is not a time"),
        ("2026-01-05T08:09Z", "is not a time"),
        ("2026-01-05T08:09:10.Z", "is not a time"),
        ("２026-01-05T08:09:10Z", "is not a time"),
        ("2026-02-29T08:09:10Z", "day that does not exist"),
        ("2026-13-01T08:09:10Z", "day that does not exist"),
        ("2026-00-01T08:09:10Z", "day that does not exist"),
        ("2026-04-31T08:09:10Z", "day that does not exist"),
        ("2026-01-05T24:00:00Z", "time of day that does not exist"),
        ("2026-01-05T08:60:00Z", "time of day that does not exist"),
        ("2026-01-05T08:09:61Z", "time of day that does not exist"),
        ("2026-01-05T08:09:60Z", "second 60 exists only"),
        ("2026-01-05T23:59:60Z", "second 60 exists only"),
        ("2026-12-31T23:59:60+01:00", "second 60 exists only"),
        ("2026-01-05T08:09:10+24:00", "offset that does not exist"),
        ("2026-01-05T08:09:10+01:60", "offset that does not exist"),
        ("2", "is not a time"),
        ("-2 h", "is not a time"),
        ("2 weeks", "no known unit"),
        ("2 ohm", "no known unit"),
        ("", "is not a time"),
        ("yesterday", "is not a time"),
    ],
)
def test_what_is_refused(text: str, reason: str) -> None:
    """What is not RFC 3339 and no duration is refused, and the text says what to write."""
    with pytest.raises(ValueError, match=reason):
        moment_ns(text, NOW_NS)


@given(
    st.datetimes(min_value=datetime(1, 1, 2), max_value=datetime(9999, 12, 30)),
    st.integers(-1439, 1439),
)
def test_agrees_with_the_calendar(moment: datetime, offset_min: int) -> None:
    """Every instant of every zone is what the standard library's calendar makes of it."""
    aware = moment.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    since_epoch = aware - datetime(1970, 1, 1, tzinfo=UTC)
    assert since_epoch // timedelta(microseconds=1) * 1000 == moment_ns(aware.isoformat(), 0)


@given(st.text(max_size=40))
def test_nothing_else_is_raised(text: str) -> None:
    """Any text is a moment or a ValueError."""
    try:
        moment_ns(text, NOW_NS)
    except ValueError as error:
        assert str(error)
