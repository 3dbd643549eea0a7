"""What the rules observe: small functions of a case, each with answers of true, false or unknown.

Refuses to say what an answer means: that stands in the table of `gateway.diagnosis.rules`.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from math import atanh
from typing import Final

from gateway.diagnosis.case import STILL, Case, Role, Situation, Witness
from gateway.diagnosis.gateway_health import GATEWAY
from gateway.diagnosis.optical_link import FAULT
from gateway.diagnosis.paths import COVERAGE, plain
from gateway.diagnosis.patterns import MOISTURE
from gateway.diagnosis.proof import FAULT_SEEN, SELF_TEST
from gateway.diagnosis.seen import Standing
from gateway.diagnosis.witnesses import tags_of
from gateway.rotor.measured import Measured
from gateway.rotor.rectifier import Explanation, explanations
from gateway.tags import Sample

_LARGEST_CAPACITANCE_F: Final = 5e-6  # of large multi-pole or cable-fed rotors, common practice
_SHORT_OF_ALL: Final = 1 - 1e-12
_CEILING_PU: Final = 2.5  # of the rated field voltage, static excitation, common practice
_STEADY_PU: Final = 0.05  # change of field voltage between half-cycles, of the rated one, practice
_PROOFS: Final = {
    SELF_TEST: "by a self-test of its device, which may leave out the way to the rotor",
    FAULT_SEEN: "by a fault that another device showed too",
}
_MIDDLE: Final = frozenset({Explanation.AC_PHASE, Explanation.AC_NEUTRAL})


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer. `words` fill the text of the rule; `sample` is what it rests on."""

    truth: bool | None
    path: str
    words: Mapping[str, str] = field(default_factory=dict)
    tag: str = ""
    sample: Sample | None = None


def spoken(*roles: Role) -> Callable[[Case], Iterator[Answer]]:
    """What the witnesses of these roles say."""

    def observe(case: Case) -> Iterator[Answer]:
        for witness in case.fault.witnesses:
            if witness.role in roles:
                yield _of(case, witness, case.truths[witness.path.tag])

    return observe


def _of(case: Case, witness: Witness, truth: bool | None, **words: str) -> Answer:
    path = witness.path
    sample = case.seen.samples.get(path.tag)
    limit = "its limit"
    if witness.limit is not None and path.unit is not None:
        limit = f"{witness.limit / path.factor:.4g} {path.unit.name}"
    stands = sample.status.name if sample is not None else "not seen"
    if path.tag in case.seen.blind:
        stands += ", not usable"
    words |= {"tag": path.tag, "value": path.said(sample), "limit": limit, "stands": stands}
    return Answer(truth, path.name, words, path.tag, sample)


def band(case: Case) -> Iterator[Answer]:
    """Whether any earth fault explains the current, or the contact, of a DC injection."""
    if case.band is not None:
        witness = next((w for w in case.fault.witnesses if w.role is Role.CURRENT), case.fault.own)
        fits = case.band.over_winding is not None
        # A current that speaks against the fault fits a weaker one, as that of any winding does.
        weak = fits and case.truths[witness.path.tag] is False
        yield _of(case, witness, None if weak else fits, figures=case.band.text)


def agreement(case: Case) -> Iterator[Answer]:
    """Whether the paths of what the witnesses say agree."""
    tags = {w.path.tag for w in case.fault.witnesses}
    checks = {c.quantity: tags_of(c) for c in case.installed.machine.cross_checks}
    for said in case.assessed.agreements:
        if tags & set(checks.get(said.quantity, said.compared)):
            words = {"what": said.quantity, "figures": said.detail or ", ".join(said.compared)}
            yield Answer(said.agrees, GATEWAY, words)


def odd_one_out(case: Case) -> Iterator[Answer]:
    """Whether a witness disagrees where all other paths agree."""
    odd = {a.odd_one_out: a for a in case.assessed.agreements if a.odd_one_out}
    for witness in case.fault.witnesses:
        if witness.path.tag in odd:
            yield _of(case, witness, True, figures=odd[witness.path.tag].detail)


def paths_well(supporting: bool) -> Callable[[Case], Iterator[Answer]]:
    """Whether anything is wrong with the paths that speak for the fault, or against it."""

    def observe(case: Case) -> Iterator[Answer]:
        for path in {w.path.name: w.path for w in _side(case, supporting)}.values():
            mates = [w.path for w in _side(case, supporting) if w.path.name == path.name]
            doubts = dict.fromkeys(d for mate in mates for d in case.doubts(mate))
            if not supporting:
                doubts |= dict.fromkeys(d for mate in mates for d in case.still_beside(mate))
            known = any(case.health_of(mate) for mate in mates)
            truth = False if doubts else True if known else None
            yield Answer(truth, path.name, {"path": path.name, "figures": ", ".join(doubts)})

    return observe


def _side(case: Case, supporting: bool) -> list[Witness]:
    return case.supporting if supporting else case.opposing


def proved(case: Case) -> Iterator[Answer]:
    """How long ago each supporting value proved that it can see a fault.

    Where it never has, that counts only on a machine of which a proof is asked for.
    """
    every_s = case.installed.machine.prove_every
    for witness in case.supporting:
        records = {r.subject: r for r in case.health_of(witness.path)}
        record = records.get(witness.path.tag)
        if record is None or not record.proved_ns:
            if every_s:
                yield _of(case, witness, None)
            continue
        # A fault that this alarm itself shows proves nothing of the alarm.
        by_itself = record.proof == FAULT_SEEN and record.proved_ns >= case.record.since_ns
        age_s = (case.seen.utc_ns - record.proved_ns) / 1e9
        recent = not every_s or age_s <= every_s
        words = {"age": duration(age_s), "what": _PROOFS.get(record.proof, record.proof)}
        yield _of(case, witness, None if by_itself else recent, **words)


def held(case: Case) -> Iterator[Answer]:
    """Whether a supporting value is an old one that is held."""
    for witness in case.supporting:
        sample = case.speaks(witness.path.tag)
        if sample is not None and not sample.measured_now:
            age_s = (case.seen.utc_ns - sample.time_ns) / 1e9
            yield _of(case, witness, True, age=duration(age_s))


def alive(case: Case) -> Iterator[Answer]:
    """Whether supporting numbers move as live ones do."""
    pulse = case.installed.machine.pulse_injection
    for witness in case.supporting:
        path = witness.path
        if path.unit is None or case.speaks(path.tag) is None:
            continue
        tags = {path.tag}
        if path.computed and pulse is not None:
            tags = {pulse.current_positive, pulse.current_negative}
        watched = tags & (case.installed.noisy | set(case.installed.lively))
        still = {
            f.cause for record in case.health_of(path) for f in record.findings if f.cause in STILL
        }
        truth = False if still else True if watched else None
        yield _of(case, witness, truth, figures=", ".join(sorted(still)))


def light_otherwise(case: Case) -> Iterator[Answer]:
    """How each explanation of a dark link other than an earth fault stands."""
    path = _dark_path(case)
    for told in case.assessed.access.explanations:
        if told.what != FAULT and path:
            words = {"what": told.what, "figures": "; ".join(told.because)}
            yield Answer(_STANDS[told.standing], path, words)


def light_fault(case: Case) -> Iterator[Answer]:
    """How an earth fault stands as the explanation of a dark link."""
    path = _dark_path(case)
    for told in case.assessed.access.explanations:
        if told.what == FAULT and path:
            yield Answer(_STANDS[told.standing], path, {"figures": "; ".join(told.because)})


_STANDS: Final = {Standing.SUPPORTED: True, Standing.POSSIBLE: None, Standing.EXCLUDED: False}


def _dark_path(case: Case) -> str:
    dark = [w.path.name for w in case.fault.witnesses if w.role is Role.DARK]
    return dark[0] if dark else ""


def earth_fault(case: Case) -> Iterator[Answer]:
    """Whether an earth fault in the field circuit remains possible."""
    excluded = [
        told
        for told in case.assessed.access.explanations
        if told.what == FAULT and told.standing is Standing.EXCLUDED
    ]
    if case.fault.situation is Situation.DARK and excluded:
        words = {
            "what": "an earth fault that puts out the light",
            "figures": "; ".join(excluded[0].because),
        }
        yield Answer(False, GATEWAY, words)
    else:
        yield Answer(True, GATEWAY, {"what": "an earth fault in the field circuit"})


def weak_fault(case: Case) -> Iterator[Answer]:
    """Whether an earth fault too weak to put out the light may be there: it always may."""
    if any(answer.truth is False for answer in earth_fault(case)):
        figures = ""
        if case.band is not None and case.band.over_winding is not None:
            figures = f" ({case.band.whole} by the injected current)"
        yield Answer(None, GATEWAY, {"figures": figures})


def excited(case: Case) -> Iterator[Answer]:
    """Whether the machine is excited."""
    yield Answer(case.assessed.operating.get("excited"), GATEWAY)


def field_voltage_fits(case: Case) -> Iterator[Answer]:
    """Whether the field voltage is one that the machine can have, and fits its exciter."""
    winding = case.installed.machine.field_winding
    path = case.installed.paths.get(winding.field_voltage or "")
    if path is None:
        return
    sample = case.speaks(path.tag)
    words = {"tag": path.tag, "value": path.said(sample), "figures": "beyond any ceiling voltage"}
    unfit = [
        f
        for record in case.health_of(path)
        for f in record.findings
        if f.cause == "field voltage unfit"
    ]
    truth: bool | None = None
    if sample is not None and sample.value is not None:
        most_v = _CEILING_PU * winding.rated_field_voltage
        truth = abs(float(sample.value)) * path.factor <= most_v
    if unfit:
        truth, words["figures"] = False, unfit[0].detail or "it does not fit the exciter"
    yield Answer(truth, GATEWAY, words, path.tag, sample)


def field_voltage_steady(case: Case) -> Iterator[Answer]:
    """Whether the field voltage is the same in both half-cycles."""
    pulse = case.installed.machine.pulse_injection
    if pulse is None:
        return
    tags = (pulse.field_voltage_positive, pulse.field_voltage_negative)
    one, other = (case.speaks(tag) for tag in tags)
    if one is None or other is None or one.value is None or other.value is None:
        return
    path = case.installed.paths[tags[0]]
    change_v = abs(float(one.value) - float(other.value)) * path.factor
    u_v = COVERAGE * ((one.uncertainty or 0.0) + (other.uncertainty or 0.0)) * path.factor
    limit_v = _STEADY_PU * case.installed.machine.field_winding.rated_field_voltage + u_v
    words = {"figures": f"{change_v:.3g} V", "limit": f"{limit_v:.3g} V"}
    yield Answer(change_v <= limit_v, GATEWAY, words, tags[0], one)


def settled(case: Case) -> Iterator[Answer]:
    """What a winding without a fault would need to read so low; never decided from here.

    Half-cycles of Th with R0*tanh(Th/(2*C*R0)) read as R with R/(R0 + R) = tanh(Th/(2*C*R0)), from
    the settling of a winding's capacitance C through R0.
    """
    pulse = case.installed.machine.pulse_injection
    if pulse is None:
        return
    for witness in case.supporting:
        sample = case.speaks(witness.path.tag)
        if witness.role is Role.COMPUTED and sample is not None and sample.value is not None:
            read_ohm = float(sample.value) * witness.path.factor
            if read_ohm <= 0:  # no half-cycles are so short
                continue
            r0_ohm = pulse.source_resistance
            share = min(read_ohm / (r0_ohm + read_ohm), _SHORT_OF_ALL)
            half_s = 2 * _LARGEST_CAPACITANCE_F * r0_ohm * atanh(share)
            yield _of(case, witness, None, figures=f"{half_s:.2g} s")


def ac_side(case: Case) -> Iterator[Answer]:
    """Whether the place is the middle of the winding, as an AC-side fault reads."""
    sample, place = _place(case)
    if case.installed.machine.pulse_injection is not None:
        truth = None if place is None else bool(_MIDDLE & explanations(place))
        yield _located(case, truth, sample)


def location_plausible(case: Case) -> Iterator[Answer]:
    """Whether the place lies in the winding."""
    sample, place = _place(case)
    if sample is not None:
        # What lies outside by more than its uncertainty is Bad, see `gateway.rotor.telling`.
        outside = sample.status.name.startswith("BadOutOfRange")
        yield _located(case, False if outside else None if place is None else True, sample)


def _place(case: Case) -> tuple[Sample | None, Measured | None]:
    pulse = case.installed.machine.pulse_injection
    if pulse is None:
        return None, None
    tag = pulse.fault_location.tag
    sample = case.speaks(tag)
    if sample is None or sample.value is None or not sample.uncertainty:
        return case.seen.samples.get(tag), None
    factor = case.installed.paths[tag].factor
    if sample.uncertainty * factor > 0.25:  # anywhere in the winding: not told
        return sample, None
    return sample, Measured(float(sample.value) * factor, sample.uncertainty * factor)


def _located(case: Case, truth: bool | None, sample: Sample | None) -> Answer:
    pulse = case.installed.machine.pulse_injection
    tag = pulse.fault_location.tag if pulse is not None else ""
    path = case.installed.paths[tag]
    said = path.said(sample)
    words = {"tag": tag, "value": said, "figures": f"{tag} is {said}"}
    return Answer(truth, path.name, words, tag, sample)


def moisture(case: Case) -> Iterator[Answer]:
    """Whether the trend has the pattern of moisture."""
    if case.trend is None:
        yield Answer(None, GATEWAY)
        return
    for found in case.trend.patterns:
        if found.pattern == MOISTURE:
            yield Answer(True, GATEWAY, {"figures": found.figures}, case.trend.tag)


def falling(case: Case) -> Iterator[Answer]:
    """Whether the resistance has been falling."""
    for state in case.trend.states if case.trend is not None else ():
        if state.verdict == "falling" and state.decades_per_day is not None:
            figures = f"{plain(abs(state.decades_per_day), 2)} decades a day while {state.state}"
            if state.p_value is not None:
                figures += f" (p = {state.p_value:.2g})"
            yield Answer(True, GATEWAY, {"figures": figures}, case.trend.tag if case.trend else "")


def second_fault(case: Case) -> Iterator[Answer]:
    """What has become of the first fault."""
    if case.joined is not None:
        told = case.joined.one_more or case.joined.worsened
        yield Answer(told, GATEWAY, {"figures": case.joined.text})


def one_monitor(case: Case) -> Iterator[Answer]:
    """Whether everything that supports the alarm hangs on one monitor, as far as the site tells."""
    monitors = case.installed.monitors
    if case.supporting and len(monitors) <= 1:
        yield Answer(True, GATEWAY, {"figures": monitors[0] if monitors else "one monitor"})


def other_monitor(case: Case) -> Iterator[Answer]:
    """Whether another monitor is read on the same field circuit."""
    monitors = case.installed.monitors
    truth = True if len(monitors) > 1 else None
    yield Answer(truth, GATEWAY, {"figures": ", ".join(monitors)})


def gone(case: Case) -> Iterator[Answer]:
    """Whether the condition of the alarm has gone; not known where its value is in doubt."""
    own = case.fault.own
    if not case.record.present or case.truths[own.path.tag] is False:
        doubts = case.doubts(own.path)
        yield _of(case, own, None if doubts else True, figures=", ".join(doubts))


def duration(seconds: float) -> str:
    """A time span in plain words."""
    for unit, length in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{max(seconds, 0.0):.0f} s"
