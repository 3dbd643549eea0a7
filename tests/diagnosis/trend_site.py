"""A small invented site with a trend, and hours of simulated readings for it."""

import json
from collections.abc import Iterable
from dataclasses import dataclass

from gateway.diagnosis.seen import Seen
from gateway.diagnosis.trend import TrendDesk, TrendMemory
from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.tags import GATEWAY_WELL, GOOD, Limit, Sample, Status, Trend

HOUR_NS = 3600 * 10**9
START_NS = 1_780_000_000 * 10**9


def site(trend=None, states=None, more_alarms=()):
    """Machine T1 at Vindholt; the trend and operating states may be told anew."""
    names = {"R": "kohm", "TEMP": "degC", "SPEED": "%", "LOAD": "MW", "HUM": "%"}
    ends = {"R": (0, 10_000), "TEMP": (-20, 200), "SPEED": (0, 120), "LOAD": (0, 50)}
    machine = {
        "name": "T1",
        "access": "telemetry",
        "detection": "DC injection",
        "field_winding": {"rated_field_voltage": "250 V"},
        "operating_states": {
            "running": {"tag": "T1.SPEED", "above": "90 %"},
            "hot": {"tag": "T1.TEMP", "above": "60 degC"},
        }
        if states is None
        else states,
        "trend": {
            "resistance": "T1.R",
            "temperature": "T1.TEMP",
            "speed": "T1.SPEED",
            "load": "T1.LOAD",
            "humidity": "T1.HUM",
        }
        if trend is None
        else trend,
    }
    signals = [
        {
            "kind": "register",
            "tag": f"T1.{name}",
            "machine": "T1",
            "point": "mon.number",
            "unit": unit,
            "range": [f"{end} {unit}" for end in ends.get(name, (0, 100))],
        }
        for name, unit in names.items()
    ]
    low = {"name": "T1.LOW", "machine": "T1", "kind": "limit", "tag": "T1.R"}
    file = {
        "site": "Vindholt",
        "machines": [machine],
        "links": [{"name": "net", "kind": "modbus-tcp", "host": "127.0.0.1"}],
        "devices": [{"name": "mon", "link": "net", "profile": "monitor"}],
        "signals": signals,
        "alarms": [
            {**low, "below": "20 kohm", "indicates": "earth fault"},
            {**low, "name": "T1.OTHER", "below": "50 kohm"},
            *more_alarms,
        ],
    }
    return Site(SiteFile.model_validate_json(json.dumps(file)), {})


@dataclass(frozen=True)
class Row:
    """What there is at one time."""

    hours: float
    ohm: float
    status: Status = GOOD
    running: bool | None = True
    hot: bool | None = True
    excited: bool | None = None
    temp: float | None = None
    speed: float | None = None
    load: float | None = None
    hum: float | None = None
    measured_hours: float | None = None  # none: just now


def seen(row: Row) -> Seen:
    at = START_NS + round(row.hours * HOUR_NS)
    measured = at if row.measured_hours is None else START_NS + round(row.measured_hours * HOUR_NS)
    value = None if row.status.is_bad else row.ohm / 1e3
    samples = {"T1.R": Sample("T1.R", value, row.status, measured)}
    for name in ("temp", "speed", "load", "hum"):
        number = getattr(row, name)
        if number is not None:
            tag = f"T1.{name.upper()}"
            samples[tag] = Sample(tag, number, GOOD, at)
    clock_ns = round(row.hours * HOUR_NS)
    return Seen(at, clock_ns, HOUR_NS, (), samples, frozenset(), {}, {}, GATEWAY_WELL)


def watched(
    desk: TrendDesk, rows: Iterable[Row], memory: TrendMemory | None = None
) -> tuple[TrendMemory, Trend | None]:
    """The desk after these rows."""
    memory, trend = memory or TrendMemory(), None
    for row in rows:
        states = {"running": row.running, "hot": row.hot, "excited": row.excited}
        memory, trend = desk.step(memory, seen(row), states)
    return memory, trend


AT_LEAST = GOOD.with_limit(Limit.HIGH)
AT_MOST = GOOD.with_limit(Limit.LOW)
