"""OPC UA values without a socket: ticks, codes, units, deadbands, ServiceLevel."""

import struct
from datetime import UTC, datetime
from math import nan

import pytest
from asyncua import ua
from asyncua.ua.ua_binary import struct_to_binary
from hypothesis import given
from hypothesis import strategies as st

from gateway.serve.opcua.address_space import check_names
from gateway.serve.opcua.hardened import publishing_interval_ms
from gateway.serve.opcua.reporting import worth_reporting
from gateway.serve.opcua.values import (
    ExactTime,
    alarm_status,
    data_value,
    engineering_units,
    exact_time,
    keep_exact_times,
    service_level,
    status_code,
    tag_value,
    uncertainty_value,
)
from gateway.site.units import UNITS, unit
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    BAD_WAITING_FOR_INITIAL_DATA,
    GOOD,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    AlarmRecord,
    AlarmState,
    Limit,
    Sample,
)
from tests.serve.sites import contact, limit_alarm, make_site, number


def on_the_wire(moment: datetime | None) -> int:
    """The ticks that the library's encoder sends for this source time."""
    keep_exact_times()
    value = ua.DataValue(ua.Variant(True), SourceTimestamp=moment)  # type: ignore[arg-type]
    encoded = struct_to_binary(value)
    assert 1 + 2 + 4 + 8 == len(encoded)  # mask, Boolean with its type, status, time
    return int(struct.unpack("<q", encoded[-8:])[0])


def test_ticks_of_a_published_moment() -> None:
    """2024-01-01T00:00:00Z is 133485408000000000 ticks, 1970 is 116444736000000000."""
    # Check-value sheet 3.5 (OPC 10000-6, 5.2.2.5).
    moment = datetime(2024, 1, 1, tzinfo=UTC)
    ns = int(moment.timestamp()) * 10**9
    assert 133_485_408_000_000_000 == on_the_wire(exact_time(ns))
    assert 133_485_408_000_000_000 == on_the_wire(moment)
    assert 116_444_736_000_000_000 == on_the_wire(exact_time(99))
    assert None is exact_time(0)


@given(st.integers(1, 4_000_000_000 * 10**9))
def test_every_tick_of_the_measurement_arrives(time_ns: int) -> None:
    """The encoder sends the time of measurement to the last 100 ns."""
    assert 116_444_736_000_000_000 + time_ns // 100 == on_the_wire(exact_time(time_ns))


def test_a_time_computed_from_an_exact_one_is_a_plain_time() -> None:
    """Arithmetic on an exact time does not carry stale ticks along."""
    moment = exact_time(1_500_000_000_123_456_700)
    assert moment is not None
    later = moment.replace(microsecond=0)
    assert isinstance(later, ExactTime)
    assert 116_444_736_000_000_000 + 1_500_000_000 * 10**7 == on_the_wire(later)


# Published UnitIds (check-value sheet 3.3, from the UNECE list of the OPC Foundation).
UNIT_IDS = {
    "ohm": 5195853,
    "kohm": 4338745,
    "Mohm": 4339509,
    "V": 5655636,
    "mV": 12890,
    "kV": 4937300,
    "A": 4279632,
    "mA": 13387,
    "uA": 4339764,
    "%": 20529,
    "degC": 4408652,
    "s": 5457219,
    "ms": 4403766,
    "min": 5065038,
    "h": 4740434,
    "d": 4473177,
    "Hz": 4740186,
    "W": 5723220,
    "kW": 4937556,
    "MW": 5062999,
    "uF": 13391,
    "nF": 4404273,
}


def test_every_unit_has_its_published_id() -> None:
    """EUInformation carries the UNECE code as number, with the namespace of the codes."""
    assert set(UNIT_IDS) == set(UNITS)
    for name, number_ in UNIT_IDS.items():
        found = engineering_units(unit(name)).Value
        assert (name, number_) == (name, found.UnitId)
        assert "http://www.opcfoundation.org/UA/units/un/cefact" == found.NamespaceUri
    assert "kΩ" == engineering_units(unit("kohm")).Value.DisplayName.Text


def test_sample_keeps_status_and_loses_the_value_when_bad() -> None:
    """The StatusCode passes unchanged with its limit bits; a bad value is null."""
    status = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.HIGH)
    good = tag_value(Sample("t", 100, status, 10**18, 0.5), False, None)
    assert (100.0, ua.VariantType.Double) == (good.Value.Value, good.Value.VariantType)
    assert 0x40940600 == good.StatusCode.value  # check-value sheet 3.1, worked
    bad = tag_value(Sample("t", None, BAD_SENSOR_FAILURE, 10**18), False, None)
    assert (None, 0x808C0000) == (bad.Value.Value, bad.StatusCode.value)
    state = tag_value(Sample("t", 1.0, GOOD, 10**18), True, None)
    assert (True, ua.VariantType.Boolean) == (state.Value.Value, state.Value.VariantType)
    unknown = uncertainty_value(Sample("t", None, BAD_SENSOR_FAILURE, 10**18), None)
    assert unknown.Value.Value != unknown.Value.Value


def test_alarm_is_believed_only_while_it_is_judged() -> None:
    """An alarm that nobody judges never reads as a good 'not active'."""
    judged = AlarmRecord("a", AlarmState.NORMAL, True, 0)
    frozen = AlarmRecord("a", AlarmState.NORMAL, False, 0)
    assert GOOD == alarm_status(judged, True, False)
    assert UNCERTAIN_LAST_USABLE_VALUE == alarm_status(frozen, True, False)
    lost = alarm_status(frozen, False, False)
    assert UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE == lost
    assert BAD_WAITING_FOR_INITIAL_DATA == alarm_status(frozen, False, True)


@pytest.mark.parametrize(
    ("good", "total", "level"),
    # Check-value sheet 3.5, worked rule.
    [(0, 4, 1), (3, 4, 149), (1, 8, 26), (7, 8, 174), (8, 8, 255)],
)
def test_service_level_of_the_worked_rule(good: int, total: int, level: int) -> None:
    """1 without data, 255 with all sources, between them by their share."""
    assert level == service_level(good, total)


@given(st.integers(1, 300), st.data())
def test_service_level_stays_in_its_band(total: int, data: st.DataObject) -> None:
    """Whatever is lost in part is 'degraded', 2 to 199 (OPC 10000-4, 6.6.2.4)."""
    good = data.draw(st.integers(0, total))
    level = service_level(good, total)
    assert {0: 1, total: 255}.get(good, level) == level
    assert good in (0, total) or 2 <= level <= 199


def value(number_: float | None, code: int = 0, at: int = 10**18) -> ua.DataValue:
    variant = ua.Variant(None if code >> 31 else number_)
    if number_ is not None and not code >> 31:
        variant = ua.Variant(number_, ua.VariantType.Double)
    return ua.DataValue(variant, status_code(code), exact_time(at))


def deadband(width: float, trigger: int = 1) -> ua.DataChangeFilter:
    return ua.DataChangeFilter(
        Trigger=ua.DataChangeTrigger(trigger),
        DeadbandType=ua.UInt32(ua.DeadbandType.Absolute),
        DeadbandValue=ua.Double(width),
    )


@pytest.mark.parametrize(
    ("old", "new", "wanted", "told"),
    [
        (None, value(1.0), None, True),
        (value(1.0), value(1.0), None, False),
        (value(1.0), value(1.1), None, True),
        (value(1.0), value(1.0, at=2 * 10**18), None, False),
        # 0.5 % of 0..100 kohm: 40.0 -> 40.5 no (must exceed), 40.6 yes (check-value sheet 3.3).
        (value(40.0), value(40.5), deadband(0.5), False),
        (value(40.0), value(40.6), deadband(0.5), True),
        (value(40.0), value(40.0, 0x80050000), deadband(10), True),
        (value(None, 0x80050000), value(40.0), deadband(10), True),
        (value(40.0), value(40.0, 0x408F0000), deadband(10), True),
        (value(40.0), value(40.0, 0x00000600), deadband(10), True),
        (value(40.0), value(90.0), deadband(0, trigger=0), False),
        (value(40.0), value(40.0, at=2 * 10**18), deadband(0, trigger=2), True),
        (value(40.0), value(40.0, at=2 * 10**18), deadband(1, trigger=2), False),
        (value(40.0), value(nan), deadband(10), True),
    ],
)
def test_what_is_worth_reporting(
    old: ua.DataValue | None, new: ua.DataValue, wanted: ua.DataChangeFilter | None, told: bool
) -> None:
    """Status changes always pass, values when they exceed the deadband, times when asked for."""
    assert told == worth_reporting(old, new, wanted)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1), st.floats(0, 100))
def test_a_client_is_never_further_off_than_its_deadband(values: list[float], width: float) -> None:
    """However a value drifts, what was told last is within the deadband of what is true."""
    told: ua.DataValue | None = None
    for number_ in values:
        new = value(number_)
        if worth_reporting(told, new, deadband(width)):
            told = new
        assert told is not None
        assert abs(told.Value.Value - number_) <= width


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_granted_interval_is_always_sane(asked: float) -> None:
    """Between 0.1 s and 60 s, whatever a client asks for, and as asked inside of that."""
    granted = publishing_interval_ms(asked)
    assert 100.0 <= granted <= 60_000.0
    assert not 100 <= asked <= 60_000 or asked == granted


def test_names_that_would_meet_are_refused() -> None:
    """A tag and an alarm of one name, or a tag like another's property, are one clear error."""
    with pytest.raises(ValueError, match=r"outputs\.opcua: R1 would be the name of two nodes"):
        check_names(make_site({}, [number("R1", "G1")], [limit_alarm("R1", "G1", "R1")]))
    with pytest.raises(ValueError, match=r"R1\.EURange"):
        check_names(make_site({}, [number("R1", "G1"), contact("R1.EURange", "G1")], []))
    check_names(make_site({}))


def test_null_has_no_type() -> None:
    """A bad value is a null Variant whatever was meant to be there."""
    null = data_value("text", ua.VariantType.String, BAD_SENSOR_FAILURE, None, None)
    assert ua.VariantType.Null == null.Value.VariantType
