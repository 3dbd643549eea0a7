"""Signals and points for the tests of the signal path, and a line of readings by hand."""

from gateway.signals import sampling
from gateway.signals.sampling import SignalState
from gateway.site.model import Contact, CurrentLoop, RegisterSignal
from gateway.site.profile import Point
from gateway.tags import BAD_TIMEOUT, GOOD, Instant, Reading

NOON_NS = 1_767_960_000_000_000_000  # 2026-01-09T12:00:00Z


def point(**more):
    return Point.model_validate({"name": "x", "function": 4, "address": 0, **more})


def loop(**more):
    """A 4-20 mA loop of 0 to 100 kohm, read in microampere."""
    settings = {
        "tag": "G1.R",
        "machine": "G1",
        "kind": "current loop",
        "point": "ai.x",
        "unit": "kohm",
        "range": ("0 kohm", "100 kohm"),
        "input": "microampere",
        "accuracy": "0 %",
        **more,
    }
    return CurrentLoop.model_validate(settings)


def register(**more):
    """A register of a monitor, 0 to 100 kohm."""
    settings = {
        "tag": "G1.R",
        "machine": "G1",
        "kind": "register",
        "point": "mon.x",
        "unit": "kohm",
        "range": ("0 kohm", "100 kohm"),
        **more,
    }
    return RegisterSignal.model_validate(settings)


def contact(**more):
    settings = {"tag": "G1.C", "machine": "G1", "kind": "contact", "point": "di.x", **more}
    return Contact.model_validate(settings)


class Line:
    """One signal, read at times that the test says; seconds on one clock, which is both clocks."""

    def __init__(self, signal, at=None):
        self.signal = signal
        self.point = at or point()
        self.state = SignalState()

    def take(self, second, *words, quality=GOOD, status=GOOD):
        at_ns = round(second * 1e9)
        reading = Reading("dev.x", words, status, Instant(NOON_NS + at_ns, at_ns))
        self.state = sampling.take(self.signal, self.point, self.state, reading, at_ns, quality)
        return self.show(second)

    def miss(self, second, status=BAD_TIMEOUT):
        """A poll that got no answer."""
        return self.take(second, status=status)

    def show(self, second):
        return sampling.show(self.signal, self.state, round(second * 1e9))


def value(signal, *words, at=None):
    """The sample of one reading alone."""
    return Line(signal, at).take(0, *words).sample
