"""Several earth faults at once: what they look like together, which one came, what flows then.

Works on the leakage of the winding, 1/R and alpha/R, in which faults simply add: the winding is a
stiff source beside faults of kilohms. Refuses to name a second fault that the uncertainty hides,
and one that could not lie in the winding. Locations count from the negative end, 0 to 1.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from math import copysign, inf, isfinite, sqrt
from typing import Final

import numpy as np

from gateway.rotor.combined_uncertainty import propagated
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source

# A difference counts beyond this many standard uncertainties (our choice; 0.3 % of a normal one).
SIGNIFICANT: Final = 3.0
# Differences below this share of the whole are rounding, even between exact numbers.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault, or what several look like: resistance, location, covariance of the two [ohm]."""

    resistance_ohm: Measured
    location_pu: Measured
    covariance_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class Leakage:
    """Conductance 1/R to earth [S], moment alpha/R [S], and the covariance of the two [S^2]."""

    conductance_s: Measured
    moment_s: Measured
    covariance_s2: float = 0.0


class Finding(StrEnum):
    """What two readings say about a second fault."""

    SECOND_FAULT = "second fault"
    NOT_TOLD = "no second fault to be told"
    CONTRADICTION = "first fault has changed"


@dataclass(frozen=True, slots=True)
class SecondFault:
    """The finding, the second fault where there is one to be told, and the reason in words."""

    finding: Finding
    fault: Fault | None
    text: str


def leakage_of(fault: Fault) -> Leakage | None:
    """The leakage of a fault; None where its resistance cannot be told from zero or infinity."""
    r, place = fault.resistance_ohm, fault.location_pu
    if not (isfinite(r.value) and r.value > SIGNIFICANT * r.u):
        return None
    g, u_g = 1 / r.value, r.u / r.value**2
    cov_gp = -fault.covariance_ohm / r.value**2  # of conductance and location
    moment = place.value * g
    variance = (place.value * u_g) ** 2 + (g * place.u) ** 2 + 2 * place.value * g * cov_gp
    covariance = place.value * u_g**2 + g * cov_gp
    return Leakage(Measured(g, u_g), Measured(moment, sqrt(max(variance, 0.0))), covariance)


def leakage_of_loop(
    loop_conductance_s: Measured,
    loop_moment_s: Measured,
    covariance_s2: float,
    source_resistance_ohm: float,
    tap_pu: float,
) -> Leakage | None:
    """The leakage behind a loop that was measured as G = 1/(R0 + R) and H = G*(alpha - beta).

    With k = 1/(1 - G*R0): 1/R = k*G and alpha/R = k*(H + beta*G). R0 is taken as exact: it is the
    same in all readings and does not make one differ from the other. Works through zero, where a
    resistance would be infinite. None where R cannot be told from zero (1 - G*R0 within 3 u).

    Source: the circuit of one fault, see `pulse_injection`; GUM 5.2.2.
    """
    g, h, r0 = loop_conductance_s, loop_moment_s, source_resistance_ohm
    left = 1 - g.value * r0
    if not left > max(SIGNIFICANT * g.u * r0, _ROUNDING):
        return None
    moment = (h.value + tap_pu * g.value) / left
    # Slopes: d(1/R)/dG, d(alpha/R)/dG, d(alpha/R)/dH.
    a, b, c = 1 / left**2, (tap_pu + moment * r0) / left, 1 / left
    variance = (b * g.u) ** 2 + (c * h.u) ** 2 + 2 * b * c * covariance_s2
    return Leakage(
        Measured(g.value / left, a * g.u),
        Measured(moment, sqrt(max(variance, 0.0))),
        a * (b * g.u**2 + c * covariance_s2),
    )


def fault_of(leakage: Leakage) -> Fault | None:
    """The one fault that has this leakage: R = 1/g, alpha = m/g, with uncertainty.

    None where the conductance is not above 3 u: then it is no fault that can be told.
    """
    g, m = leakage.conductance_s, leakage.moment_s
    if not g.value > SIGNIFICANT * g.u:
        return None
    place = m.value / g.value
    both = g.u * m.u
    r = min(max(leakage.covariance_s2 / both, -1.0), 1.0) if both else 0.0
    correlation = np.array([[1.0, r], [r, 1.0]])
    return Fault(
        propagated(lambda g: 1 / g, [g]),
        propagated(lambda g, m: m / g, [g, m], correlation),
        (place * g.u**2 - leakage.covariance_s2) / g.value**3,
    )


def combined_fault(first: Fault, *others: Fault) -> Fault | None:
    """What independent faults look like together: 1/R = sum 1/Rk, alpha = R*sum alpha_k/Rk.

    None where one of the resistances cannot be told from zero or infinity. Two equal faults at
    0.1 and 0.9 look like one in the middle: only the sum can be seen.

    Source: superposition with a stiff field source; GUM 5.2.2.
    """
    total = leakage_of(first)
    for fault in others:
        more = leakage_of(fault)
        if total is None or more is None:
            return None
        total = _added(total, more)
    return None if total is None else fault_of(total)


def second_fault(first: Fault, apparent: Fault) -> SecondFault:
    """The second fault that turns the first one into what is read now.

    1/R2 = 1/Rapp - 1/R1 and alpha2 = R2*(alpha_app/Rapp - alpha1/R1).

    Assumes that the first fault is unchanged since it was logged, and that both readings are
    independent; settings that err alike in both make the true uncertainty smaller, not larger.
    A second fault is reported only if 1/Rapp - 1/R1 exceeds 3 u. A place outside the winding by
    more than 3 u (also of a fault that only moved), or a conductance that has fallen by more,
    contradicts 'first fault unchanged'.

    Source: superposition with a stiff field source; GUM 5.2.2.
    """
    before, now = leakage_of(first), leakage_of(apparent)
    if before is None or now is None:
        which = "first" if before is None else "apparent"
        return SecondFault(
            Finding.NOT_TOLD,
            None,
            f"the {which} fault resistance cannot be told from zero or infinity, "
            "so there is nothing to compare",
        )
    more = _added(now, _negative(before))
    g, m = more.conductance_s, more.moment_s
    rounding_s = _ROUNDING * now.conductance_s.value
    if g.value < -max(SIGNIFICANT * g.u, rounding_s):
        return SecondFault(
            Finding.CONTRADICTION,
            None,
            f"the conductance to earth has fallen by {-g.value:.3g} S (u {g.u:.1g} S): "
            "the first fault is not what it was when it was logged",
        )
    fault = fault_of(more) if g.value > rounding_s else None
    u_beyond = sqrt(max(m.u**2 + g.u**2 - 2 * more.covariance_s2, 0.0))
    beyond_end = m.value - g.value > max(SIGNIFICANT * u_beyond, rounding_s)
    if beyond_end or m.value < -max(SIGNIFICANT * m.u, rounding_s):
        at = "" if fault is None else f"at {fault.location_pu.value:.3f}, "
        return SecondFault(
            Finding.CONTRADICTION,
            None,
            f"a second fault would lie {at}beyond the {'positive' if beyond_end else 'negative'} "
            "end of the winding: the first fault is not what it was when it was logged",
        )
    if fault is None:
        return SecondFault(
            Finding.NOT_TOLD,
            None,
            f"the conductance to earth differs by {g.value:.3g} S from that of the first fault, "
            f"which is within three standard uncertainties of {g.u:.1g} S",
        )
    place = fault.location_pu
    return SecondFault(
        Finding.SECOND_FAULT,
        fault,
        f"if the first fault is unchanged since it was logged, a second one of "
        f"{fault.resistance_ohm.value:.4g} ohm (u {fault.resistance_ohm.u:.2g}) "
        f"lies at {place.value:.3f} (u {place.u:.1g})",
    )


def _added(one: Leakage, other: Leakage) -> Leakage:
    """Leakages of independent things add, and so do their covariances."""

    def total(a: Measured, b: Measured) -> Measured:
        return Measured(a.value + b.value, sqrt(a.u**2 + b.u**2))

    return Leakage(
        total(one.conductance_s, other.conductance_s),
        total(one.moment_s, other.moment_s),
        one.covariance_s2 + other.covariance_s2,
    )


def _negative(leakage: Leakage) -> Leakage:
    g, m = leakage.conductance_s, leakage.moment_s
    return Leakage(Measured(-g.value, g.u), Measured(-m.value, m.u), leakage.covariance_s2)


@dataclass(frozen=True, slots=True)
class ForgingCurrent:
    """What two faults do: the current through the forging and what goes with it.

    `worst_power_w` is the greatest power that both faults together can take at their places,
    whatever their resistances become; None where only the exciter limits it.
    `field_current_a` is the exciter's current then, `ampere_turns_pu` the ampere-turns of the
    winding as a share of those without faults.
    """

    current_a: Measured
    power_first_w: Measured
    power_second_w: Measured
    worst_power_w: Measured | None
    field_current_a: Measured
    ampere_turns_pu: Measured


def forging_current_at_constant_voltage(
    first: Fault, second: Fault, field_voltage_v: Measured, field_resistance_ohm: Measured
) -> ForgingCurrent | None:
    """Current and power between two faults while the exciter holds its voltage (manual mode).

    With d = abs(alpha2 - alpha1) and the winding's resistance rf:
    I = d*Uf/(R1 + R2 + d*(1 - d)*rf), Pk = I^2*Rk, at worst (d*Uf)^2/(4*d*(1 - d)*rf) for
    R1 + R2 = d*(1 - d)*rf. The field current rises to Uf/((1 - d)*rf) for solid faults and the
    ampere-turns stay, because the voltage along the winding does. None without field resistance.

    Source: Kirchhoff's laws for a winding of uniform resistance, settled currents; GUM 5.1.2.
    """

    def current(r1: float, a1: float, r2: float, a2: float, uf: float, rf: float) -> float:
        d, r = _distance(a1, a2), _ohm(r1) + _ohm(r2)
        return _ratio(d * uf, r + abs(d) * (1 - abs(d)) * rf)

    def exciter(r1: float, a1: float, r2: float, a2: float, uf: float, rf: float) -> float:
        d, r = abs(_distance(a1, a2)), _ohm(r1) + _ohm(r2)
        extra = _ratio(d**2 * rf, r + d * (1 - d) * rf)  # more than without faults, as a share
        return uf / rf * (1 + extra)

    def worst(r1: float, a1: float, r2: float, a2: float, uf: float, rf: float) -> float:
        d = abs(_distance(a1, a2))
        return _ratio(d * uf**2, 4 * (1 - d) * rf)

    ends = abs(second.location_pu.value - first.location_pu.value) > 1 - _ROUNDING
    return _forging(
        first,
        second,
        (field_voltage_v, field_resistance_ohm),
        current,
        exciter,
        None if ends else worst,
        lambda *_: 1.0,
    )


def forging_current_at_constant_current(
    first: Fault, second: Fault, field_current_a: Measured, field_resistance_ohm: Measured
) -> ForgingCurrent | None:
    """Current and power between two faults while the exciter holds its current.

    With d = abs(alpha2 - alpha1): I = d*rf*If/(R1 + R2 + d*rf), at worst d*rf*If^2/4 for
    R1 + R2 = d*rf. Solid faults take the whole field current, and the ampere-turns fall to
    1 - d*I/If. None without field resistance or field current.

    Source: Kirchhoff's laws for a winding of uniform resistance, settled currents; GUM 5.1.2.
    """

    def share(r1: float, a1: float, r2: float, a2: float, rf: float) -> float:
        d = _distance(a1, a2)
        return _ratio(d * rf, _ohm(r1) + _ohm(r2) + abs(d) * rf)

    def current(r1: float, a1: float, r2: float, a2: float, amps: float, rf: float) -> float:
        return share(r1, a1, r2, a2, rf) * amps

    def worst(r1: float, a1: float, r2: float, a2: float, amps: float, rf: float) -> float:
        return abs(_distance(a1, a2)) * rf * amps**2 / 4

    def turns(r1: float, a1: float, r2: float, a2: float, amps: float, rf: float) -> float:
        return 1 - _distance(a1, a2) * share(r1, a1, r2, a2, rf)

    if field_current_a.value == 0:
        return None
    return _forging(
        first,
        second,
        (field_current_a, field_resistance_ohm),
        current,
        lambda r1, a1, r2, a2, amps, rf: amps,
        worst,
        turns,
    )


def single_fault_power_w(fault: Fault, source: Source, field_voltage_v: Measured) -> Measured:
    """Power in a single fault, P = i^2*R with i = (E + abs(alpha - beta)*Uf)/(R0 + R).

    The half-cycle in which the field voltage adds to the source's is taken; greatest for R = R0.
    A single fault cannot burn through the measuring circuit: it takes a fraction of a watt.

    Source: Kirchhoff's laws, see `pulse_injection`; GUM 5.2.2.
    """

    def power(r: float, place: float, e: float, r0: float, uf: float) -> float:
        current = (abs(e) + abs((place - source.tap_pu) * uf)) / (r0 + _ohm(r))
        return current**2 * _ohm(r)

    inputs = (
        fault.resistance_ohm,
        fault.location_pu,
        source.amplitude_v,
        source.source_resistance_ohm,
        field_voltage_v,
    )
    correlation = np.eye(5)
    correlation[0, 1] = correlation[1, 0] = _correlation(fault)
    return propagated(power, inputs, correlation)


def _ohm(resistance: float) -> float:
    """No fault has less than none, wherever its uncertainty reaches."""
    return max(resistance, 0.0)


def _distance(one: float, other: float) -> float:
    """From one place to the other; no two are further apart than the winding is long."""
    return min(max(other - one, -1.0), 1.0)


def _ratio(above: float, below: float) -> float:
    """A quotient; nothing over nothing is nothing."""
    if below == 0:
        return 0.0 if above == 0 else copysign(inf, above)
    return above / below


def _correlation(fault: Fault) -> float:
    both = fault.resistance_ohm.u * fault.location_pu.u
    return min(max(fault.covariance_ohm / both, -1.0), 1.0) if both else 0.0


def _forging(
    first: Fault,
    second: Fault,
    supply: tuple[Measured, Measured],
    current: Callable[..., float],
    exciter: Callable[..., float],
    worst: Callable[..., float] | None,
    turns: Callable[..., float],
) -> ForgingCurrent | None:
    if not supply[1].value > SIGNIFICANT * supply[1].u:
        return None
    inputs = (
        first.resistance_ohm,
        first.location_pu,
        second.resistance_ohm,
        second.location_pu,
        *supply,
    )
    correlation = np.eye(6)
    correlation[0, 1] = correlation[1, 0] = _correlation(first)
    correlation[2, 3] = correlation[3, 2] = _correlation(second)
    of = partial(propagated, inputs=inputs, correlation=correlation)
    # Signed inside, so that places that cannot be told apart leave a current that may be nothing.
    amps = of(lambda *x: current(*x))
    return ForgingCurrent(
        Measured(abs(amps.value), amps.u),
        of(lambda *x: current(*x) ** 2 * _ohm(x[0])),
        of(lambda *x: current(*x) ** 2 * _ohm(x[2])),
        None if worst is None else of(worst),
        of(exciter),
        of(turns),
    )
