"""Square-wave injection with two settled half-cycles: resistance and location of the fault.

The pulse source (+E, then -E) drives a current through everything in series with the winding (R0)
and through the fault to earth; the field voltage adds its share, which depends on where the fault
sits. With G = 1/(R0 + Rf) and H = G*(alpha - beta):

    i+ = +E*G + Uf+ * H        i- = -E*G + Uf- * H

alpha is the fault's place and beta the tap of the coupling, both counted from the negative end.

Source
------
Kirchhoff's laws for the circuit of one fault and a stiff field source; IEEE C37.101 describes the
method. Valid for one fault, settled half-cycles, a winding resistance far below R0 + Rf.
"""

from dataclasses import dataclass
from math import hypot, inf

from gateway.rotor.measured import Measured

# No fault sits outside the winding, so abs(alpha - beta) never exceeds 1; as an uncertainty, a
# quantity known only to lie in an interval of half-width 1 has u = 1/sqrt(3) (GUM 4.3.7).
_UNKNOWN_PLACE = 3**-0.5
# Below these there is no field voltage and no current to divide by (our choice, far below what any
# device resolves): filters that decay towards zero come arbitrarily close to it.
NO_FIELD_V = 1e-3
_NO_CONDUCTANCE_S = 1e-15


@dataclass(frozen=True, slots=True)
class HalfCycles:
    """Both settled currents [A, positive out of the source] and field voltages [V] of a pulse."""

    current_positive_a: Measured
    current_negative_a: Measured
    field_voltage_positive_v: Measured
    field_voltage_negative_v: Measured


@dataclass(frozen=True, slots=True)
class Source:
    """Pulse amplitude [V], everything in series with the winding [ohm], tap from negative [pu]."""

    amplitude_v: Measured
    source_resistance_ohm: Measured
    tap_pu: float


@dataclass(frozen=True, slots=True)
class Solution:
    """Conductance of the whole loop [S], fault resistance [ohm] and location [pu], with u.

    `fault_location_pu` is None where the field voltage or the conductance is practically zero, so
    that the place has no influence on the currents at all.
    """

    loop_conductance_s: Measured
    fault_resistance_ohm: Measured
    fault_location_pu: Measured | None


def solve(half_cycles: HalfCycles, source: Source) -> Solution:
    """Fault resistance and location from two settled half-cycles, with standard uncertainties.

    Uncertainties follow the law of propagation (GUM 5.1.2) with independent inputs. A field
    voltage that changes between the half-cycles is taken into account where there is one; without
    field voltage only the resistance can be told. A resistance of infinity (no current at all) and
    a negative one (wrong R0, or a second path) are returned as they are: the door decides.
    """
    total_v = (
        half_cycles.field_voltage_positive_v.value + half_cycles.field_voltage_negative_v.value
    )
    u_total_v = hypot(
        half_cycles.field_voltage_positive_v.u, half_cycles.field_voltage_negative_v.u
    )
    if abs(total_v) > max(3 * u_total_v, NO_FIELD_V):
        return _with_field(half_cycles, source, total_v)
    return _without_field(half_cycles, source)


def _with_field(half_cycles: HalfCycles, source: Source, total_v: float) -> Solution:
    i_p, i_n = half_cycles.current_positive_a, half_cycles.current_negative_a
    v_p, v_n = half_cycles.field_voltage_positive_v, half_cycles.field_voltage_negative_v
    e = source.amplitude_v
    g = (i_p.value * v_n.value - i_n.value * v_p.value) / (e.value * total_v)
    h = (i_p.value + i_n.value) / total_v
    # Partial derivatives of G and H by i+, i-, Uf+, Uf-, E, in this order.
    u = (i_p.u, i_n.u, v_p.u, v_n.u, e.u)
    dg = (
        v_n.value / (e.value * total_v),
        -v_p.value / (e.value * total_v),
        (-i_n.value - g * e.value) / (e.value * total_v),
        (i_p.value - g * e.value) / (e.value * total_v),
        -g / e.value,
    )
    dh = (1 / total_v, 1 / total_v, -h / total_v, -h / total_v, 0.0)
    place = None
    if abs(g) > _NO_CONDUCTANCE_S:
        ratio = h / g
        u_ratio = hypot(*((b - ratio * a) / g * s for a, b, s in zip(dg, dh, u, strict=True)))
        place = Measured(source.tap_pu + ratio, u_ratio)
    conductance = Measured(g, hypot(*(a * s for a, s in zip(dg, u, strict=True))))
    return Solution(conductance, _fault_resistance(conductance, source), place)


def _without_field(half_cycles: HalfCycles, source: Source) -> Solution:
    i_p, i_n = half_cycles.current_positive_a, half_cycles.current_negative_a
    v_p, v_n = half_cycles.field_voltage_positive_v, half_cycles.field_voltage_negative_v
    e = source.amplitude_v
    g = (i_p.value - i_n.value) / (2 * e.value)
    # What is left of the field voltage acts through a place that is not known.
    unknown_v = hypot(v_p.value - v_n.value, v_p.u, v_n.u)
    u_g = hypot(i_p.u, i_n.u, 2 * g * e.u, g * unknown_v * _UNKNOWN_PLACE) / (2 * abs(e.value))
    conductance = Measured(g, u_g)
    return Solution(conductance, _fault_resistance(conductance, source), None)


def _fault_resistance(conductance: Measured, source: Source) -> Measured:
    if abs(conductance.value) <= _NO_CONDUCTANCE_S:
        return Measured(inf, inf)
    loop_ohm = 1 / conductance.value
    return Measured(
        loop_ohm - source.source_resistance_ohm.value,
        hypot(loop_ohm**2 * conductance.u, source.source_resistance_ohm.u),
    )
