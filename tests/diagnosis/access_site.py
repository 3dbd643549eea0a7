"""A small invented site with one machine a way to the rotor, and what a step of it has seen."""

from gateway.diagnosis.seen import Seen
from gateway.signals.self_report import Word
from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile
from gateway.tags import GATEWAY_WELL, GOOD, Sample, Status

SECOND = 10**9
NOON_NS = 1_780_000_000 * SECOND


def number(tag, unit, low, high, machine, point="mon.number", **more):
    return {
        "kind": "register",
        "tag": tag,
        "machine": machine,
        "point": point,
        "unit": unit,
        "range": (f"{low} {unit}", f"{high} {unit}"),
        **more,
    }


def contact(tag, machine):
    return {"kind": "contact", "tag": tag, "machine": machine, "point": "mon.flag"}


MACHINES = {
    "B1": {  # a retractable brush, pulse injection
        "access": "retractable brush",
        "detection": "pulse injection",
        "field_winding": {"rated_field_voltage": "350 V", "field_voltage": "B1.UP"},
        "pulse_injection": {
            "amplitude": "50 V",
            "source_resistance": "20 kohm",
            "current_positive": "B1.IP",
            "current_negative": "B1.IN",
            "field_voltage_positive": "B1.UP",
            "field_voltage_negative": "B1.UN",
            "fault_resistance": {
                "tag": "B1.R",
                "unit": "kohm",
                "range": ("0 kohm", "10 Mohm"),
            },
            "fault_location": {"tag": "B1.ALPHA", "unit": "%", "range": ("0 %", "100 %")},
        },
        "brush": {
            "every": "8 h",
            "contact": "2 min",
            "pressed": "B1.PRESSED",
            "contact_resistance": "B1.RC",
            "contact_resistance_most": "50 ohm",
            "life": "500 h",
        },
        "operating_states": {
            "running": {"tag": "B1.RUN"},
            "hot": {"tag": "B1.TEMP", "above": "60 degC"},
        },
    },
    "O1": {  # an optical link, DC injection
        "access": "optical link",
        "detection": "DC injection",
        "field_winding": {"rated_field_voltage": "250 V", "field_voltage": "O1.UF"},
        "detector": {
            "method": "DC injection",
            "injection_voltage": "24 V",
            "series_resistance": "12 kohm",
            "pickup_current": "1 mA",
        },
        "optical_link": {
            "dark": "O1.DARK",
            "light": ("O1.LIGHT", "O1.LOOP"),
            "injected_current": "O1.I",
            "pickup_current": "1 mA",
        },
    },
    "T1": {
        "access": "telemetry",
        "detection": "pulse injection",
        "field_winding": {"rated_field_voltage": "300 V"},
        "telemetry": {"quality": "T1.Q"},
    },
    "C1": {
        "access": "collector rings",
        "detection": "DC injection",
        "field_winding": {"rated_field_voltage": "300 V"},
    },
}

SIGNALS = [
    number("B1.IP", "uA", -9000, 9000, "B1"),
    number("B1.IN", "uA", -9000, 9000, "B1"),
    number("B1.UP", "V", -800, 800, "B1"),
    number("B1.UN", "V", -800, 800, "B1"),
    number("B1.RC", "ohm", 0, 1000, "B1"),
    number("B1.TEMP", "degC", 0, 200, "B1"),
    contact("B1.PRESSED", "B1"),
    contact("B1.RUN", "B1"),
    number("O1.UF", "V", -800, 800, "O1"),
    number("O1.I", "uA", 0, 50000, "O1"),
    number("O1.LIGHT", "%", 0, 100, "O1"),
    number("O1.LOOP", "%", 0, 100, "O1"),
    contact("O1.DARK", "O1"),
    number("T1.Q", "%", 0, 100, "T1"),
    number("T1.R", "kohm", 0, 10000, "T1"),
    number("C1.I", "mA", 0, 50, "C1"),
]

PROFILE = {
    "profile": "monitor",
    "points": (
        {"name": "status", "function": 4, "address": 0},
        {"name": "number", "function": 4, "address": 1, "type": "float32"},
        {"name": "flag", "function": 2, "address": 0, "type": "bool"},
    ),
    "quality": (
        {"point": "status", "bit": 2, "means": "no communication"},
        {"point": "status", "bit": 3, "means": "value held"},
    ),
}


def site(*, alarms=(), **changes):
    """The site; `changes` are keys of a machine, by its name; None takes a key out."""
    machines = tuple(
        {"name": name, **{k: v for k, v in {**keys, **changes.get(name, {})}.items() if v}}
        for name, keys in MACHINES.items()
    )
    file = {
        "site": "Aspen Lock",
        "machines": machines,
        "links": ({"name": "net", "kind": "modbus-tcp", "host": "127.0.0.1"},),
        "devices": ({"name": "mon", "link": "net", "profile": "monitor"},),
        "signals": tuple(SIGNALS),
        "alarms": tuple(alarms),
    }
    profile = DeviceProfile.model_validate(PROFILE)
    return Site(SiteFile.model_validate(file), {"monitor": profile})


def sample(tag, value, *, status=GOOD, time_ns=NOON_NS, u=None):
    """A sample; the value is dropped where the status is bad."""
    status = Status(status)
    return Sample(tag, None if status.is_bad else value, status, time_ns, u)


def seen(samples, *, at_s=0.0, step_s=1.0, blind=(), words=None, signals=None):
    """What a step has seen `at_s` seconds after noon: `samples` by tag, as values or Samples."""
    at_ns = round(at_s * SECOND)
    made = {
        tag: given if isinstance(given, Sample) else sample(tag, given, time_ns=NOON_NS + at_ns)
        for tag, given in samples.items()
    }
    return Seen(
        NOON_NS + at_ns,
        at_ns,
        round(step_s * SECOND),
        (),
        made,
        frozenset(blind) | {t for t, s in made.items() if s.status.is_bad},
        signals or {},
        {name: Word(value, 0) for name, value in (words or {}).items()},
        GATEWAY_WELL,
    )
