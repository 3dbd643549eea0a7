"""An optical link that goes dark on a fault, and for other reasons: which of them remain possible.

Darkness is ambiguous. It is sorted by the excitation, which feeds the lamp, by how the light went
before (dirt settles over a minute to months, a circuit fails at once, and a fault puts the light
out at once), by the current that the monitor injects, which alone makes it put out the light, and
by the other paths of the same light. Refuses to support an earth fault by darkness alone, and to
exclude one by the current of a device of which any value is not seen: it may stand still too. All
shares and times are practice, no source.
"""

from dataclasses import dataclass, replace
from typing import Final

from gateway.diagnosis.light_history import SPAN_NS, Dark, Span, continued, went_dark
from gateway.diagnosis.paths import COVERAGE
from gateway.diagnosis.seen import AccessReport, Explanation, Found, Seen, Standing
from gateway.site.detector import DcDetector
from gateway.site.diagnosis import OpticalLink
from gateway.site.installed import Site
from gateway.tags import Subject

FAULT: Final = "an earth fault"
DIRT: Final = "a dirty lamp or receiver"
CIRCUIT: Final = "a failed light circuit"
UNFED: Final = "missing excitation"
CONTACT: Final = "a failed dark contact"
# What is found where an explanation is supported, by rank; a fault is no trouble of the link.
_CAUSES: Final = (
    (FAULT, ""),
    (UNFED, "dark by no excitation"),
    (DIRT, "light contaminated"),
    (CIRCUIT, "light circuit failed"),
)

_SETTLE_NS: Final = 15 * 10**9  # that a finding must have lasted
_DEADBAND: Final = 0.1  # of the limits
_DIFFER: Final = 0.1  # of full light, beyond the uncertainties
_NEAR_PICKUP: Final = 0.1  # of the pick-up current, beyond its accuracy


@dataclass(frozen=True, slots=True)
class LightMemory:
    """What is remembered of a link; times are on the chain's clock."""

    spans: tuple[Span, ...] = ()  # from old to new, thinner the older
    dark: Dark | None = None
    weak_since_ns: int | None = None
    differ_since_ns: int | None = None
    contact_since_ns: int | None = None  # that the contact contradicts the light


@dataclass(frozen=True, slots=True)
class _Look:
    """What is seen of the link in one step; None: not known."""

    says_dark: bool | None  # the contact
    lights: tuple[tuple[str, float, float], ...]  # tag, light as a share, its uncertainty
    excited: bool | None
    current_a: tuple[float, float] | None  # injected, with its uncertainty
    time_ns: int  # UTC of the newest of the lights

    @property
    def best(self) -> float | None:
        return max((light for _, light, _ in self.lights), default=None)


class LightPath:
    """The optical link of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        installed = site.machine(machine)
        if installed.optical_link is None:
            raise ValueError(f"{machine}: nothing is told of its optical link")
        self._machine = machine
        self._settings: OpticalLink = installed.optical_link
        units = {t.tag: t.unit for t in site.tags_of(machine)}
        self._factor = {tag: float(u.factor) for tag, u in units.items() if u is not None}
        mates = [s for s in site.file.signals if s.machine == machine and s.kind == "register"]
        current = [s.point.split(".")[0] for s in mates if s.tag == self._settings.injected_current]
        self._mates = frozenset(s.tag for s in mates if s.point.split(".")[0] in current)
        detector = installed.detector
        given = self._settings.pickup_current
        self._pickup_a: float | None = abs(given.si) if given is not None else None
        self._pickup_accuracy = 0.0
        if isinstance(detector, DcDetector):
            self._pickup_a = self._pickup_a or detector.pickup_current
            self._pickup_accuracy = detector.pickup_accuracy

    def step(
        self, memory: LightMemory, seen: Seen, excited: bool | None
    ) -> tuple[LightMemory, AccessReport, list[Found]]:
        """The link now.

        Found on the machine: 'light weak', 'light contaminated', 'light circuit failed', 'light
        paths differ', 'dark unexplained', 'dark by no excitation'; on the contact: 'dark contact
        failed'.
        """
        look = self._look(seen, excited)
        dark = self._is_dark(look, memory.dark is not None)
        if dark and memory.dark is None:
            spans = memory.spans if look.lights else ()
            went = went_dark(spans, self._settings.dark_below, seen.clock_ns, seen.utc_ns)
            memory = replace(memory, dark=went)
        elif dark is False:
            if memory.dark is not None:
                memory = replace(memory, dark=None)
            memory = self._remembered(memory, look, seen)
        memory = self._timed(memory, look, seen)
        explanations: tuple[Explanation, ...] = ()
        if memory.dark is not None or look.says_dark:
            explanations = self._explained(memory.dark, look)
        if memory.dark is not None:
            memory = self._judged(memory, memory.dark, look, seen, explanations)
        measured_ns = look.time_ns if memory.dark is None else memory.dark.utc_ns
        report = AccessReport(None if dark is None else not dark, measured_ns, explanations)
        return memory, report, self._found(memory, look, seen, explanations)

    def _look(self, seen: Seen, excited: bool | None) -> _Look:
        lights = []
        time_ns = 0
        for tag in self._settings.light:
            told = self._number(seen, tag)
            if told is not None:
                lights.append((tag, *told))
                time_ns = max(time_ns, seen.samples[tag].time_ns)
        contact = seen.measured(self._settings.dark)
        says_dark = None if contact is None else bool(contact.value)
        current = self._settings.injected_current
        known = current is not None and seen.blind.isdisjoint(self._mates)
        current_a = self._number(seen, current) if current and known else None
        return _Look(says_dark, tuple(lights), excited, current_a, time_ns)

    def _number(self, seen: Seen, tag: str) -> tuple[float, float] | None:
        """Value and uncertainty in SI, where it is measured now."""
        sample = seen.measured(tag)
        if sample is None:
            return None
        factor = self._factor[tag]
        return float(sample.value or 0.0) * factor, (sample.uncertainty or 0.0) * factor

    def _is_dark(self, look: _Look, was_dark: bool) -> bool | None:
        """Dark by the light, or by the contact unless the light says that it is not."""
        best = look.best
        if best is None:
            return look.says_dark
        if best < self._settings.dark_below * (1 + _DEADBAND if was_dark else 1):
            return True
        return bool(look.says_dark) and best < self._settings.weak_below

    def _remembered(self, memory: LightMemory, look: _Look, seen: Seen) -> LightMemory:
        """The history with this light; without excitation a lamp fades for want of it."""
        best = look.best
        if best is None or look.excited is False:
            return memory
        spans = continued(memory.spans, best, seen.clock_ns)
        return memory if spans is memory.spans else replace(memory, spans=spans)

    def _timed(self, memory: LightMemory, look: _Look, seen: Seen) -> LightMemory:
        """Since when the light is weak, its paths differ, and the contact contradicts it."""
        best = look.best
        weak = None if memory.dark is None else False
        differ = None
        if weak is None and best is not None and look.excited is not False:
            limit = self._settings.weak_below
            limit *= 1 if memory.weak_since_ns is None else 1 + _DEADBAND
            weak = best < limit
        if len(look.lights) > 1:
            _, low, u_low = min(look.lights, key=lambda light: light[1])
            _, high, u_high = max(look.lights, key=lambda light: light[1])
            differ = high - low > _DIFFER + COVERAGE * (u_low**2 + u_high**2) ** 0.5
        contrary = self._contrary(look)
        weak_ns = _since(memory.weak_since_ns, weak, seen)
        differ_ns = _since(memory.differ_since_ns, differ, seen)
        contact_ns = _since(memory.contact_since_ns, contrary, seen)
        if (weak_ns, differ_ns, contact_ns) == (
            memory.weak_since_ns,
            memory.differ_since_ns,
            memory.contact_since_ns,
        ):
            return memory
        return LightMemory(memory.spans, memory.dark, weak_ns, differ_ns, contact_ns)

    def _contrary(self, look: _Look) -> bool | None:
        """Whether every light contradicts the contact; one dark light alone may be its own."""
        if look.says_dark is None or not look.lights:
            return None
        levels = [light for _, light, _ in look.lights]
        if look.says_dark:
            return min(levels) >= self._settings.weak_below
        return len(levels) > 1 and max(levels) < self._settings.dark_below * (1 - _DEADBAND)

    def _explained(self, dark: Dark | None, look: _Look) -> tuple[Explanation, ...]:
        fault, contrary = self._fault(look), self._contrary(look)
        told = [fault, self._dirt(dark, look), self._unfed(look)]
        settled = [e for e in told if e.standing is Standing.SUPPORTED]
        told.insert(2, self._circuit(dark, look, elsewise=fault, settled=bool(settled)))
        if look.says_dark is not None and look.lights:
            light = f"the light is {_percent(look.best or 0.0)}"
            says = "dark" if look.says_dark else "not dark"
            if contrary:
                told.append(_as(CONTACT, Standing.SUPPORTED, f"it says {says}, and {light}"))
            elif look.says_dark and (look.best or 0.0) >= self._settings.dark_below:
                told.append(_as(CONTACT, Standing.POSSIBLE, f"it says {says}, and {light}"))
            else:
                told.append(_as(CONTACT, Standing.EXCLUDED, f"{light}, as it says"))
        return tuple(told)

    def _fault(self, look: _Look) -> Explanation:
        if look.current_a is None or self._pickup_a is None:
            why = "the light goes out on a fault, and the injected current is not known"
            return _as(FAULT, Standing.POSSIBLE, why)
        current_a, u_a = abs(look.current_a[0]), look.current_a[1]
        margin_a = self._pickup_a * (_NEAR_PICKUP + self._pickup_accuracy) + COVERAGE * u_a
        shown, pickup = _milliamperes(current_a), _milliamperes(self._pickup_a)
        if current_a > self._pickup_a + COVERAGE * u_a:
            why = f"the injected current, {shown}, is above the pick-up of {pickup}"
            return _as(FAULT, Standing.SUPPORTED, why)
        if current_a < self._pickup_a - margin_a:
            why = (
                f"the injected current, {shown}, is below the pick-up of {pickup}, and the monitor "
                "puts out the light only above it"
            )
            return _as(FAULT, Standing.EXCLUDED, why)
        why = f"the injected current, {shown}, is too near the pick-up of {pickup} to decide"
        return _as(FAULT, Standing.POSSIBLE, why)

    def _dirt(self, dark: Dark | None, look: _Look) -> Explanation:
        if dark is None:
            best = look.best
            if best is not None and best >= self._settings.weak_below:
                return _as(DIRT, Standing.EXCLUDED, f"the light is {_percent(best)}")
            return _as(DIRT, Standing.POSSIBLE, "how the light went is not known")
        if dark.how == "step":
            within = _time(max(dark.faded_ns, SPAN_NS))
            why = f"the light went from {_percent(dark.light_before)} to dark within {within}"
            return _as(DIRT, Standing.EXCLUDED, f"{why}; dirt settles slowly")
        if dark.how == "slow":
            return _as(DIRT, Standing.SUPPORTED, f"the light faded over {_time(dark.faded_ns)}")
        if dark.how == "unclear":
            return _as(DIRT, Standing.POSSIBLE, f"the light faded in {_time(dark.faded_ns)}")
        return _as(DIRT, Standing.POSSIBLE, "how the light went dark was not seen")

    def _circuit(
        self, dark: Dark | None, look: _Look, *, elsewise: Explanation, settled: bool
    ) -> Explanation:
        best = look.best
        if dark is None and best is not None and best >= self._settings.weak_below:
            return _as(CIRCUIT, Standing.EXCLUDED, f"the light is {_percent(best)}")
        lone = look.excited and elsewise.standing is Standing.EXCLUDED and not settled
        if dark is not None and dark.how == "step" and lone:
            why = "the light went out at once, with excitation and without a fault current"
            return _as(CIRCUIT, Standing.SUPPORTED, why)
        if dark is not None and dark.how == "slow":
            return _as(CIRCUIT, Standing.POSSIBLE, "a lamp that ages fades slowly too")
        return _as(CIRCUIT, Standing.POSSIBLE, "lamp, receiver or their supply may have failed")

    def _unfed(self, look: _Look) -> Explanation:
        if look.excited is None:
            return _as(UNFED, Standing.POSSIBLE, "it is not known whether there is excitation")
        if look.excited:
            return _as(UNFED, Standing.EXCLUDED, "there is excitation")
        return _as(UNFED, Standing.SUPPORTED, "nothing feeds the lamp")

    def _judged(
        self,
        memory: LightMemory,
        dark: Dark,
        look: _Look,
        seen: Seen,
        explanations: tuple[Explanation, ...],
    ) -> LightMemory:
        """What the darkness is found to be, once it has lasted.

        What would decide and is not known changes nothing that was decided.
        """
        if look.excited is False and dark.how in ("step", "unclear"):
            # Nothing fed the lamp: how it went out says nothing of why it stays so later on.
            memory = replace(memory, dark=replace(dark, how="not seen"))
        if not _lasted(dark.since_ns, seen):
            return memory
        by = {e.what: e for e in explanations}
        supported = [
            (cause, "; ".join(by[what].because))
            for what, cause in _CAUSES
            if by[what].standing is Standing.SUPPORTED
        ]
        blind = look.excited is None or (
            self._settings.injected_current is not None and look.current_a is None
        )
        if supported:
            cause, why = supported[0]
        elif blind and dark.cause is not None:
            return memory
        else:
            possible = ", ".join(e.what for e in explanations if e.standing is Standing.POSSIBLE)
            cause, why = "dark unexplained", f"possible: {possible}"
        if cause == dark.cause and memory.dark is dark:
            return memory
        return replace(memory, dark=replace(memory.dark or dark, cause=cause, why=why))

    def _found(
        self, memory: LightMemory, look: _Look, seen: Seen, explanations: tuple[Explanation, ...]
    ) -> list[Found]:
        told: list[tuple[str, str]] = []
        if memory.dark is not None and memory.dark.cause:
            told.append((memory.dark.cause, memory.dark.why))
        if _lasted(memory.weak_since_ns, seen):
            least = _percent(self._settings.weak_below)
            shown = "" if look.best is None else f"the light is {_percent(look.best)}, "
            told.append(("light weak", f"{shown}weak below {least}"))
        if _lasted(memory.differ_since_ns, seen):
            paths = (f"{tag} {_percent(light)}" for tag, light, _ in look.lights)
            told.append(("light paths differ", ", ".join(paths)))
        found = [Found(self._machine, Subject.MACHINE, cause, why) for cause, why in told]
        if _lasted(memory.contact_since_ns, seen):
            why = "; ".join(r for e in explanations if e.what == CONTACT for r in e.because)
            why = why or "it contradicts every path of the light"
            found.append(Found(self._settings.dark, Subject.CONTACT, "dark contact failed", why))
        return found


def _since(was_ns: int | None, now: bool | None, seen: Seen) -> int | None:
    """Since when something is so; what is not known leaves it as it was."""
    if now is None:
        return was_ns
    if not now:
        return None
    return seen.clock_ns if was_ns is None else was_ns


def _lasted(since_ns: int | None, seen: Seen) -> bool:
    return since_ns is not None and seen.clock_ns - since_ns >= _SETTLE_NS


def _as(what: str, standing: Standing, why: str) -> Explanation:
    return Explanation(what, standing, (why,))


def _percent(light: float) -> str:
    return f"{light * 100:.0f} %"


def _milliamperes(current_a: float) -> str:
    return f"{current_a * 1e3:.4g} mA"


def _time(duration_ns: int) -> str:
    seconds = duration_ns / 1e9
    for size, unit in ((86_400, "days"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"
