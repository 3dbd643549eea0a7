"""The way that each value of a machine takes to the gateway: its device or its wire.

Two values are independent of one another as far as their paths are distinct. What is computed, or
read as a number, comes over the link of a device; loops and contacts each have a wire of their own,
whatever module they end on. Refuses to know whether a path is well.
"""

from dataclasses import dataclass
from math import inf
from typing import Final

from gateway.site.installed import Site
from gateway.site.model import Contact, CurrentLoop, Machine
from gateway.site.units import Unit
from gateway.tags import Limit, Sample, Subject

COVERAGE: Final = 2.0  # k of all that is compared here, about 95 % (GUM 6.2 and G.6.6)


@dataclass(frozen=True, slots=True)
class Path:
    """How one tag comes in. `subjects` are the tags, devices and links that it needs."""

    tag: str
    name: str  # "device mon-1", "loop inputs.ch0", "contact inputs.in3"
    kind: Subject
    subjects: frozenset[str]
    device: str
    unit: Unit | None  # None: two-state
    span: tuple[float, float] | None = None  # of a loop, in the tag's unit: it tells no more
    computed: bool = False

    @property
    def dimension(self) -> str:
        """What the value is of, such as 'resistance'; "" of a two-state value."""
        return self.unit.dimension if self.unit is not None else ""

    @property
    def factor(self) -> float:
        """From the tag's unit to SI."""
        return float(self.unit.factor) if self.unit is not None else 1.0

    def said(self, sample: Sample | None) -> str:
        """The value in plain words, with unit and uncertainty (k = 2)."""
        if sample is None or sample.value is None:
            return "no value"
        if self.unit is None:
            return "actuated" if sample.value else "not actuated"
        bits = sample.status.limit
        least = {Limit.HIGH: "at least ", Limit.LOW: "at most "}.get(bits, "")
        text = f"{least}{plain(sample.value, 4)} {self.unit.name}"
        if sample.uncertainty and not least:
            text += f" ± {plain(COVERAGE * sample.uncertainty, 2)} {self.unit.name}"
        return text

    def interval(self, sample: Sample) -> tuple[float, float] | None:
        """What a number leaves open, in SI, k = 2; half-open where it says 'at least' or 'at most'.

        A loop at an end of its span says no more than that the value is there or beyond.
        """
        if sample.value is None or self.unit is None:
            return None
        value, u = float(sample.value), COVERAGE * (sample.uncertainty or 0.0)
        low, high = value - u, value + u
        bits = sample.status.limit
        if bits is Limit.HIGH or (self.span is not None and high >= self.span[1]):
            high = inf
        if bits is Limit.LOW or (self.span is not None and low <= self.span[0]):
            low = -inf
        return low * self.factor, high * self.factor


def paths_of(site: Site, machine: Machine) -> dict[str, Path]:
    """The paths of all tags of a machine, measured and computed, in the order of the site."""
    found: dict[str, Path] = {}
    for signal in site.file.signals:
        if signal.machine != machine.name:
            continue
        device = signal.point.split(".", 1)[0]
        subjects = frozenset({signal.tag, device, site.device(device).link})
        if isinstance(signal, Contact):
            name, kind, unit, span = f"contact {signal.point}", Subject.CONTACT, None, None
        elif isinstance(signal, CurrentLoop):
            low, high = sorted(q.in_unit(signal.unit) for q in signal.range)
            name, kind, unit, span = (
                f"loop {signal.point}",
                Subject.LOOP,
                signal.unit,
                (low, high),
            )
        else:
            name, kind, unit, span = f"device {device}", Subject.VALUE, signal.unit, None
        found[signal.tag] = Path(signal.tag, name, kind, subjects, device, unit, span)
    return found | _computed(machine, found)


def _computed(machine: Machine, measured: dict[str, Path]) -> dict[str, Path]:
    """Computed tags come over the path of the currents that they rest on."""
    pulse = machine.pulse_injection
    if pulse is None:
        return {}
    currents = [measured[t] for t in (pulse.current_positive, pulse.current_negative)]
    subjects = frozenset().union(*(path.subjects for path in currents))
    result = {}
    for told in (pulse.fault_resistance, pulse.fault_location):
        result[told.tag] = Path(
            told.tag,
            currents[0].name,
            Subject.VALUE,
            subjects | {told.tag},
            currents[0].device,
            told.unit,
            computed=True,
        )
    return result


def plain(value: float, digits: int) -> str:
    """A number of so many significant digits, large ones without an exponent."""
    return f"{float(f'{value:.{digits}g}'):.12g}"
