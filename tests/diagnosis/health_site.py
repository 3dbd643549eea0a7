"""An invented site with two links, and the polls of it that a test wants: what a step has seen."""

import struct
from dataclasses import replace

from gateway.diagnosis.health import HealthDesk, HealthMemory
from gateway.diagnosis.seen import Seen
from gateway.rotor import estimate
from gateway.signals import sampling
from gateway.signals.sampling import Observation, SignalState
from gateway.signals.self_report import Word, self_report
from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile
from gateway.tags import GATEWAY_WELL, GOOD, Instant, Reading

SECOND = 10**9
NOON_NS = 1_780_000_000 * SECOND

MONITOR = {
    "profile": "monitor",
    "poll": {"normal": "1 s"},
    "points": (
        {"name": "status", "function": 4, "address": 0},
        {"name": "beat", "function": 4, "address": 1},
        *(
            {"name": name, "function": 4, "address": 2 + 2 * i, "type": "float32", "unit": unit}
            for i, (name, unit) in enumerate((("ip", "uA"), ("in", "uA"), ("up", "V"), ("un", "V")))
        ),
    ),
    "quality": (
        {"point": "status", "bit": 0, "means": "function check"},
        {"point": "status", "bit": 1, "means": "device failure"},
        {"point": "status", "bit": 2, "means": "no communication"},
        {"point": "status", "bit": 3, "means": "value held"},
        {"point": "status", "bit": 4, "means": "out of service"},
    ),
    "heartbeat": {"point": "beat", "stopped_after": "5 s"},
}
THERMOMETER = {
    "profile": "thermometer",
    "poll": {"normal": "1 s"},
    "points": (
        {"name": "t", "function": 4, "address": 0, "type": "float32", "unit": "degC"},
        {"name": "spare", "function": 3, "address": 90, "type": "float32", "unit": "degC"},
    ),
}
INPUTS = {
    "profile": "inputs",
    "poll": {"normal": "1 s"},
    "points": (
        {"name": "ch", "function": 4, "address": 0, "type": "int16"},
        {"name": "di", "function": 2, "address": 0, "type": "bool"},
    ),
}


def _register(tag, point, unit, low, high, **more):
    return {
        "kind": "register",
        "tag": tag,
        "machine": "U1",
        "point": point,
        "unit": unit,
        "range": (f"{low} {unit}", f"{high} {unit}"),
        **more,
    }


def site(*, thermometer=None, machine=None, spare=False):
    """The site; `thermometer` and `machine` are further entries of theirs."""
    signals = [
        _register("U1.IP", "mon.ip", "uA", -9000, 9000),
        _register("U1.IN", "mon.in", "uA", -9000, 9000),
        _register("U1.UP", "mon.up", "V", -800, 800),
        _register("U1.UN", "mon.un", "V", -800, 800),
        _register("U1.TEMP", "aux.t", "degC", 0, 150, **(thermometer or {})),
        {
            "kind": "current loop",
            "tag": "U1.LOOP",
            "machine": "U1",
            "point": "io.ch",
            "unit": "kohm",
            "range": ("1 kohm", "10 Mohm"),
            "input": "microampere",
            "scaling": "logarithmic",
        },
        {"kind": "contact", "tag": "U1.SAYS", "machine": "U1", "point": "io.di"},
    ]
    if spare:
        signals.append(_register("U1.SPARE", "aux.spare", "degC", 0, 150))
    fault = {"machine": "U1", "indicates": "earth fault"}
    low = {"kind": "limit", "below": "20 kohm", **fault}
    return Site(
        SiteFile.model_validate(
            {
                "site": "Orrenfall",
                "machines": (
                    {
                        "name": "U1",
                        "access": "collector rings",
                        "detection": "pulse injection",
                        "field_winding": {"rated_field_voltage": "350 V"},
                        "pulse_injection": {
                            "amplitude": "50 V",
                            "source_resistance": "20 kohm",
                            "current_positive": "U1.IP",
                            "current_negative": "U1.IN",
                            "field_voltage_positive": "U1.UP",
                            "field_voltage_negative": "U1.UN",
                            "fault_resistance": {
                                "tag": "U1.R",
                                "unit": "kohm",
                                "range": ("0 kohm", "10 Mohm"),
                            },
                            "fault_location": {
                                "tag": "U1.ALPHA",
                                "unit": "%",
                                "range": ("0 %", "100 %"),
                            },
                        },
                        **(machine or {}),
                    },
                ),
                "links": (
                    {"kind": "modbus-rtu", "name": "row", "line": "lines/row"},
                    {"kind": "modbus-tcp", "name": "net", "host": "127.0.0.1"},
                ),
                "devices": (
                    {"name": "mon", "link": "row", "unit_id": 1, "profile": "monitor"},
                    {"name": "aux", "link": "row", "unit_id": 2, "profile": "thermometer"},
                    {"name": "io", "link": "net", "profile": "inputs"},
                ),
                "signals": tuple(signals),
                "alarms": (
                    {"name": "U1.LOW", "tag": "U1.R", **low},
                    {"name": "U1.LOOPLOW", "tag": "U1.LOOP", **low},
                    {"name": "U1.CONTACT", "tag": "U1.SAYS", "kind": "contact", **fault},
                ),
            }
        ),
        {p["profile"]: DeviceProfile.model_validate(p) for p in (MONITOR, THERMOMETER, INPUTS)},
    )


def words(value):
    """A number as two registers, high word first."""
    return struct.unpack(">2H", struct.pack(">f", value))


def injected(resistance_kohm):
    """Half-cycle currents of a fault on the negative terminal: 50 V over R and 20 kohm, in uA."""
    return 50e3 / (resistance_kohm + 20)


class Plant:
    """The devices of the site, polled once a step; the rest is what the gateway makes of it."""

    def __init__(self, installed):
        self.site = installed
        self.signals = {s.tag: SignalState() for s in installed.file.signals}
        self.clock_ns = 0
        self.words = {}
        self.registers = {
            "mon.status": (0,),
            "mon.beat": (0,),
            "mon.up": words(0.0),
            "mon.un": words(0.0),
            "aux.t": words(61.0),
            "aux.spare": words(20.0),
            "io.ch": (18000,),
            "io.di": (1,),
        }
        self.fault(500.0)
        self.dead = {}  # device or point: the status of its failed polls
        self.unpolled = set()  # devices and points that nobody asks
        self.beating = True
        self._units = {t.tag: t.unit for t in installed.tags if t.unit is not None}

    def fault(self, resistance_kohm):
        current = injected(resistance_kohm)
        self.registers["mon.ip"], self.registers["mon.in"] = words(current), words(-current)

    def step(self, seconds=1.0, gateway=GATEWAY_WELL):
        """What a step sees after so much time, with one poll of everything at its end."""
        before_ns = self.clock_ns
        self.clock_ns += round(seconds * SECOND)
        if self.beating:
            self.registers["mon.beat"] = (self.clock_ns // SECOND & 0xFFFF,)
        at = Instant(NOON_NS + self.clock_ns, 7 * SECOND + self.clock_ns)
        used = {f"{d.name}.{p.name}" for d in self.site.file.devices for p in self._read(d)}
        readings = []
        for point in sorted(used, key=lambda p: (p not in ("mon.status", "mon.beat"), p)):
            device = point.split(".")[0]
            status = self.dead.get(point, self.dead.get(device, GOOD))
            if not self.unpolled & {device, point}:
                given = self.registers[point] if status.is_good else ()
                readings.append(Reading(point, given, status, at))
        self._take(readings)
        shown = self._shown()
        return Seen(
            at.utc_ns,
            self.clock_ns,
            self.clock_ns - before_ns,
            tuple(readings),
            {tag: o.sample for tag, o in shown.items()},
            frozenset(tag for tag, o in shown.items() if o.blind),
            dict(self.signals),
            dict(self.words),
            gateway,
        )

    def _read(self, device):
        return self.site.points_read(device)

    def _take(self, readings):
        for reading in readings:
            if reading.point in ("mon.status", "mon.beat") and reading.words:
                word = self.words.get(reading.point, Word(reading.words[0], self.clock_ns))
                self.words[reading.point] = word.renewed(reading.words[0], self.clock_ns)
            for signal in self.site.file.signals:
                device, point = signal.point.split(".")
                report = self_report(self.site.profile_of(self.site.device(device)), device, point)
                quality = report.quality(self.words, self.clock_ns)
                state = self.signals[signal.tag]
                if signal.point == reading.point:
                    self.signals[signal.tag] = sampling.take(
                        signal, self.site.point_of(signal), state, reading, self.clock_ns, quality
                    )
                elif reading.point in report.points and not quality.is_good:
                    self.signals[signal.tag] = replace(state, trouble=quality)

    def _shown(self):
        shown = {
            s.tag: sampling.show(s, self.signals[s.tag], self.clock_ns)
            for s in self.site.file.signals
        }
        injection = self.site.machine("U1").pulse_injection
        inputs = estimate.input_tags(injection)
        blind = any(shown[tag].blind for tag in inputs)
        samples = {tag: o.sample for tag, o in shown.items()}
        for sample in estimate.pulse_injection(injection, samples, self._units):
            shown[sample.tag] = Observation(sample, blind or sample.status.is_bad)
        return shown


class Desk:
    """A plant and the desk that keeps the health of its machine."""

    def __init__(self, installed=None):
        self.site = installed or site()
        self.plant = Plant(self.site)
        self.desk = HealthDesk(self.site, "U1")
        self.memory = HealthMemory()

    def step(self, times=1, seconds=1.0, more=(), alarms=(), **given):
        for _ in range(times):
            self.seen = self.plant.step(seconds, **given)
            self.memory, self.records = self.desk.step(self.memory, self.seen, more, alarms)
        return self

    def record(self, subject):
        return next(r for r in self.records if r.subject == subject)

    def causes(self, subject):
        return [f.cause for f in self.record(subject).findings]

    def detail(self, subject):
        return self.record(subject).findings[0].detail
