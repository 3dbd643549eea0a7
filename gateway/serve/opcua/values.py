"""Samples, alarms and units as OPC UA carries them.

PURE, apart from `keep_exact_times`. Refuses to round a time: the library's times end at the
microsecond, OPC UA counts 100 ns ticks since 1601 (OPC 10000-6, 5.2.2.5), and the time of a
measurement is passed on to the tick.
"""

from datetime import UTC, datetime, timedelta
from math import nan
from typing import Final

from asyncua import ua

from gateway.site.installed import TagDefinition
from gateway.site.units import Unit
from gateway.tags import (
    BAD_WAITING_FOR_INITIAL_DATA,
    GOOD,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    AlarmRecord,
    Sample,
    Status,
)

UNIX_EPOCH_TICKS: Final = 116_444_736_000_000_000  # 1970-01-01 in ticks of 100 ns since 1601
UNECE_NAMESPACE: Final = "http://www.opcfoundation.org/UA/units/un/cefact"  # OPC 10000-8, 5.6.4.3

_NULL: Final = ua.Variant(None, ua.VariantType.Null)
_library_ticks: Final = ua.datetime_to_win_epoch


class ExactTime(ua.DateTime):
    """A moment that also knows its ticks; made by `exact_time` only."""

    ticks: int | None = None


_UNIX_EPOCH: Final = ExactTime(1970, 1, 1, tzinfo=UTC)


def status_code(code: int) -> ua.StatusCode:
    """The library's StatusCode of this number."""
    return ua.StatusCode(ua.UInt32(code))


def standard_node(number: int) -> ua.NodeId:
    """A node of the standard's own namespace."""
    return ua.NodeId(ua.Int32(number))


def exact_time(time_ns: int) -> ExactTime | None:
    """A UTC time in ns since 1970, exact to the tick of 100 ns; None for 0, which is no time."""
    if time_ns == 0:
        return None
    moment = _UNIX_EPOCH + timedelta(microseconds=time_ns // 1000)
    moment.ticks = UNIX_EPOCH_TICKS + time_ns // 100
    return moment


def _ticks(dt: datetime) -> int:
    exact = dt.ticks if isinstance(dt, ExactTime) else None
    return _library_ticks(dt) if exact is None else exact


def keep_exact_times() -> None:
    """Makes the library's encoder send the ticks of an ExactTime; all other times as before."""
    ua.datetime_to_win_epoch = _ticks


def data_value(
    value: float | bool | str | None,
    kind: ua.VariantType,
    status: Status,
    source: ExactTime | None,
    server: ExactTime | None,
) -> ua.DataValue:
    """One value with its exact status; a bad one carries none (OPC 10000-4, 7.11)."""
    return ua.DataValue(
        _NULL if value is None or status.is_bad else ua.Variant(value, kind),
        status_code(status),
        source,
        server,
    )


def tag_value(sample: Sample, two_state: bool, server: ExactTime | None) -> ua.DataValue:
    """A sample: Boolean for a two-state tag, else Double."""
    kind = ua.VariantType.Boolean if two_state else ua.VariantType.Double
    value = sample.value
    if value is not None:
        value = bool(value) if two_state else float(value)
    return data_value(value, kind, sample.status, exact_time(sample.time_ns), server)


def uncertainty_value(sample: Sample, server: ExactTime | None) -> ua.DataValue:
    """The standard uncertainty in the unit of the tag; not a number when it is not known."""
    known = nan if sample.uncertainty is None else sample.uncertainty
    return data_value(known, ua.VariantType.Double, GOOD, exact_time(sample.time_ns), server)


def alarm_status(record: AlarmRecord, alive: bool, awaited: bool) -> Status:
    """How far an alarm's state is to be believed: good only while its condition is judged."""
    if awaited:
        return BAD_WAITING_FOR_INITIAL_DATA
    if not alive:
        return UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE
    return GOOD if record.judged else UNCERTAIN_LAST_USABLE_VALUE


def eu_range(tag: TagDefinition) -> ua.Variant:
    """EURange (OPC 10000-8, 5.6.2)."""
    return ua.Variant(ua.Range(Low=tag.low, High=tag.high), ua.VariantType.ExtensionObject)


def engineering_units(unit: Unit) -> ua.Variant:
    """EUInformation with the UNECE code as number (OPC 10000-8, 5.6.4.3)."""
    text = ua.LocalizedText(unit.display)
    return ua.Variant(
        ua.EUInformation(
            NamespaceUri=UNECE_NAMESPACE,
            UnitId=unit.unece_id,
            DisplayName=text,
            Description=text,
        ),
        ua.VariantType.ExtensionObject,
    )


def service_level(good: int, total: int) -> int:
    """ServiceLevel (OPC 10000-4, 6.6.2.4): 255 all good, 2-199 in part, 1 no data.

    Inside the degraded band by the share of good sources: common practice, no source.
    """
    if good == 0:
        return 1
    return 255 if good == total else 2 + 197 * good // total
