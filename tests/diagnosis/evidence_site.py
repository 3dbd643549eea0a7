"""An invented site whose quantities come over several paths, and what a step of it has seen."""

from gateway.diagnosis.seen import AccessReport, Agreement, Assessed, Explanation, Seen, Standing
from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile
from gateway.tags import (
    GATEWAY_WELL,
    GOOD,
    AlarmRecord,
    AlarmState,
    Finding,
    HealthRecord,
    Limit,
    Sample,
    StatusSignal,
    Subject,
)

SECOND = 10**9
NOON_NS = 1_780_000_000 * SECOND
AT_LEAST = GOOD.with_limit(Limit.HIGH)
AT_MOST = GOOD.with_limit(Limit.LOW)

POINTS = {
    "profile": "any",
    "points": (
        {"name": "number", "function": 4, "address": 0, "type": "float32"},
        {"name": "loop", "function": 4, "address": 2, "type": "uint16"},
        {"name": "flag", "function": 2, "address": 0, "type": "bool"},
        {"name": "flag2", "function": 2, "address": 1, "type": "bool"},
    ),
}


def _number(tag, unit, low, high, point="mon.number", **more):
    span = (f"{low} {unit}", f"{high} {unit}")
    keys = {"kind": "register", "tag": tag, "machine": tag[:2], "point": point}
    return {**keys, "unit": unit, "range": span, **more}


def _loop(tag, unit, low, high, **more):
    made = _number(tag, unit, low, high, "inputs.loop", kind="current loop", **more)
    return {**made, "input": "milliampere"}


def _contact(tag, point="inputs.flag"):
    return {"kind": "contact", "tag": tag, "machine": tag[:2], "point": point}


def _pulse(name):
    return {
        "amplitude": "50 V",
        "source_resistance": "20 kohm",
        "current_positive": f"{name}.IP",
        "current_negative": f"{name}.IN",
        "field_voltage_positive": f"{name}.UP",
        "field_voltage_negative": f"{name}.UN",
        "fault_resistance": {
            "tag": f"{name}.R",
            "unit": "kohm",
            "range": ("0 kohm", "10 Mohm"),
        },
        "fault_location": {"tag": f"{name}.PLACE", "unit": "%", "range": ("0 %", "100 %")},
    }


def _inputs(name):
    return [
        _number(f"{name}.IP", "uA", -9000, 9000, frozen_after="6 s"),
        _number(f"{name}.IN", "uA", -9000, 9000, frozen_after="6 s"),
        _number(f"{name}.UP", "V", -800, 800),
        _number(f"{name}.UN", "V", -800, 800),
    ]


PATHS = {
    "quantity": "fault resistance",
    "values": ("P1.R", "P1.READ", "P1.LOOP"),
    "contact": {"tag": "P1.TRIPPED", "below": "20 kohm"},
}

MACHINES = {
    "P1": {
        "access": "collector rings",
        "detection": "pulse injection",
        "field_winding": {"rated_field_voltage": "350 V", "field_voltage": "P1.UP"},
        "pulse_injection": _pulse("P1"),
        "cross_checks": (PATHS,),
        "exciter": {"field_current": "P1.IE", "field_voltage": "P1.UP", "ratio": "50 ohm"},
        "prove_every": "24 h",
    },
    "B1": {
        "access": "retractable brush",
        "detection": "pulse injection",
        "field_winding": {"rated_field_voltage": "350 V"},
        "pulse_injection": _pulse("B1"),
        "brush": {"every": "8 h", "contact": "2 min"},
    },
    "D1": {
        "access": "optical link",
        "detection": "DC injection",
        "field_winding": {"rated_field_voltage": "250 V", "field_voltage": "D1.UF"},
        "detector": {
            "method": "DC injection",
            "injection_voltage": "24 V",
            "series_resistance": "12 kohm",
            "pickup_current": "1 mA",
        },
        "optical_link": {
            "dark": "D1.DARK",
            "light": ("D1.LIGHT",),
            "injected_current": "D1.I",
            "pickup_current": "1 mA",
        },
    },
}

SIGNALS = [
    *_inputs("P1"),
    _number("P1.READ", "kohm", 0, 10000, saturates_at="9999 kohm"),
    _loop("P1.LOOP", "kohm", 1, 10000, scaling="logarithmic"),
    _contact("P1.TRIPPED"),
    _contact("P1.OTHER", "inputs.flag2"),
    _number("P1.IE", "A", 0, 20, "regulator.number"),
    *_inputs("B1"),
    _number("D1.UF", "V", -800, 800),
    _number("D1.I", "uA", 0, 50000),
    _number("D1.LIGHT", "%", 0, 110),
    _contact("D1.DARK"),
]


def _limit(name, tag, **more):
    keys = {"kind": "limit", "name": name, "machine": tag[:2], "tag": tag}
    return {**keys, "indicates": "earth fault", **more}


def _raised(name, tag):
    keys = {"kind": "contact", "name": name, "machine": tag[:2], "tag": tag}
    return {**keys, "indicates": "earth fault"}


ALARMS = [
    _limit("P1.LOW", "P1.R", below="20 kohm"),
    _limit("P1.READ_LOW", "P1.READ", below="20 kohm"),
    _limit("P1.LOOP_LOW", "P1.LOOP", below="20 kohm"),
    _raised("P1.CONTACT", "P1.TRIPPED"),
    {
        "kind": "rate of change",
        "name": "P1.FALL",
        "machine": "P1",
        "tag": "P1.READ",
        "falls_by": "100 kohm",
        "within": "1 min",
        "indicates": "earth fault",
    },
    _limit("B1.LOW", "B1.R", below="20 kohm"),
    _raised("D1.DARK_LINK", "D1.DARK"),
    _limit("D1.CURRENT", "D1.I", above="1 mA"),
]


def site(alarms=None, **changes):
    """The site with all alarms, or those of these names; `changes` are keys of a machine, by its
    name; None leaves a key out."""
    machines = tuple(
        {
            "name": name,
            **{k: v for k, v in {**keys, **changes.get(name, {})}.items() if v is not None},
        }
        for name, keys in MACHINES.items()
    )
    devices = tuple(
        {"name": name, "link": link, "profile": "any"}
        for name, link in (("mon", "net"), ("inputs", "io"), ("regulator", "net"))
    )
    file = {
        "site": "Birch Weir",
        "machines": machines,
        "links": tuple(
            {"name": name, "kind": "modbus-tcp", "host": "127.0.0.1"} for name in ("net", "io")
        ),
        "devices": devices,
        "signals": tuple(SIGNALS),
        "alarms": tuple(a for a in ALARMS if alarms is None or a["name"] in alarms),
    }
    profile = DeviceProfile.model_validate(POINTS)
    return Site(SiteFile.model_validate(file), {"any": profile})


def sample(tag, value, *, u=None, status=GOOD, time_ns=NOON_NS):
    """A sample; the value is dropped where the status is bad."""
    return Sample(tag, None if status.is_bad else value, status, time_ns, u)


def seen(samples, *, at_s=0.0, step_s=1.0, blind=()):
    """What a step has seen `at_s` after noon: `samples` by tag, as values or Samples."""
    at_ns = round(at_s * SECOND)
    made = {
        tag: given if isinstance(given, Sample) else sample(tag, given, time_ns=NOON_NS + at_ns)
        for tag, given in samples.items()
    }
    dark = frozenset(blind) | {t for t, s in made.items() if s.status.is_bad}
    step_ns = round(step_s * SECOND)
    return Seen(NOON_NS + at_ns, at_ns, step_ns, (), made, dark, {}, {}, GATEWAY_WELL)


def well(*subjects):
    """Health records with nothing wrong."""
    return tuple(HealthRecord(s, _kind(s), StatusSignal.NORMAL) for s in subjects)


def ill(subject, cause, signal=StatusSignal.FAILURE, detail=""):
    """A health record with one finding."""
    return HealthRecord(subject, _kind(subject), signal, (Finding(cause, NOON_NS, detail),))


def _kind(subject):
    kinds = {
        "mon": Subject.MONITOR,
        "inputs": Subject.MONITOR,
        "regulator": Subject.MONITOR,
        "net": Subject.LINK,
        "io": Subject.LINK,
        "P1.LOOP": Subject.LOOP,
        "P1.TRIPPED": Subject.CONTACT,
        "D1.DARK": Subject.CONTACT,
        "P1": Subject.MACHINE,
        "D1": Subject.MACHINE,
        "B1": Subject.MACHINE,
    }
    return kinds.get(subject, Subject.VALUE)


def light(what, standing, *because):
    """An explanation of a dark link."""
    return Explanation(what, Standing(standing), because or ("for a reason",))


def assessed(*, health=(), explanations=(), agreements=(), **operating):
    """What is known of the monitoring; later health records replace earlier ones of a subject."""
    records = {r.subject: r for r in health}
    states = {"excited": None, "running": None, "hot": None, "loaded": None, **operating}
    report = AccessReport(True, NOON_NS, tuple(explanations))
    return Assessed(states, report, tuple(agreements), tuple(records.values()))


def standing(alarm, state=AlarmState.UNACKNOWLEDGED, *, present=True, judged=True):
    """The record of an alarm that came at noon."""
    return AlarmRecord(alarm, state, judged, NOON_NS, present)


def agree(agrees, odd="", detail="", compared=("P1.R", "P1.LOOP")):
    """How the paths of the fault resistance agree."""
    return Agreement("fault resistance", agrees, compared, odd, detail)
