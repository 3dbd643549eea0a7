"""Injection of an alternating voltage: resistance and capacitance of the winding to the shaft.

The current flows through a series impedance Zs (a resistance and a capacitor, which blocks the
field voltage) and through the winding's insulation, resistance and capacitance side by side:

    U / I = Zs + 1 / Y,  Y = 1/Rf + j*w*C

Where the fault sits plays no part: the winding is a short to the injected frequency. A detector
that looks at the magnitude of the current alone takes the capacitive current for a fault.

Source
------
Phasors of Kirchhoff's laws; IEEE C37.101 describes the method. Valid for one frequency, far below
the resonance of the winding; capacitances are taken as concentrated.
"""

from dataclasses import dataclass
from math import hypot, inf, pi, sqrt

from gateway.rotor.measured import Measured


@dataclass(frozen=True, slots=True)
class AcSource:
    """Injected voltage [V r.m.s.] and all that is in series with the winding.

    `series_capacitance_f` is None where no capacitor is in series.
    """

    voltage_v: Measured
    frequency_hz: float
    series_resistance_ohm: Measured
    series_capacitance_f: Measured | None

    @property
    def angular_frequency(self) -> float:
        return 2 * pi * self.frequency_hz

    @property
    def series_reactance_ohm(self) -> Measured:
        """1/(w*C) of the series capacitor, as a positive number."""
        if self.series_capacitance_f is None:
            return Measured(0.0, 0.0)
        reactance = 1 / (self.angular_frequency * self.series_capacitance_f.value)
        relative = self.series_capacitance_f.u / self.series_capacitance_f.value
        return Measured(reactance, reactance * relative)

    @property
    def series_impedance_ohm(self) -> complex:
        return complex(self.series_resistance_ohm.value, -self.series_reactance_ohm.value)


@dataclass(frozen=True, slots=True)
class Phasor:
    """A current [A r.m.s.]: in phase with the voltage, and a quarter period ahead of it."""

    in_phase_a: Measured
    ahead_a: Measured


@dataclass(frozen=True, slots=True)
class Insulation:
    """Conductance [S], fault resistance [ohm] and capacitance [F] to the shaft, with u.

    The resistance is infinite where the conductance is zero, and negative where it is: noise on a
    healthy winding, or wrong settings of the source.
    """

    conductance_s: Measured
    fault_resistance_ohm: Measured
    capacitance_f: Measured


def current_a(source: AcSource, fault_resistance_ohm: float, capacitance_f: float) -> complex:
    """The current [A r.m.s.] that flows, as a complex number; its angle is ahead of the voltage.

    Raises ValueError for a dead short behind no series impedance.
    """
    series = source.series_impedance_ohm
    if fault_resistance_ohm > 0:
        admittance = complex(1 / fault_resistance_ohm, source.angular_frequency * capacitance_f)
        if admittance == 0:
            return 0j
        return source.voltage_v.value / (series + 1 / admittance)
    if series == 0:
        raise ValueError("a dead short behind no series impedance draws no finite current")
    return source.voltage_v.value / series


def solve(current: Phasor, source: AcSource) -> Insulation:
    """Resistance and capacitance from the complex current, with standard uncertainties (GUM 5.1.2).

    Raises ValueError without any current, and for one that the series impedance alone would draw.
    """
    amperes = complex(current.in_phase_a.value, current.ahead_a.value)
    if amperes == 0:
        raise ValueError("there is no current at all: the injection is open")
    voltage, w = source.voltage_v, source.angular_frequency
    impedance = voltage.value / amperes - source.series_impedance_ohm
    if impedance == 0:
        raise ValueError("the current is that of the series impedance alone: a dead short")
    admittance = 1 / impedance
    # dY = -Y^2 dZ, and Z = U/I - Rs + j*Xs.
    by_current = admittance**2 * voltage.value / amperes**2
    shares = [
        by_current * current.in_phase_a.u,
        by_current * 1j * current.ahead_a.u,
        -(admittance**2) / amperes * voltage.u,
        admittance**2 * source.series_resistance_ohm.u,
        -(admittance**2) * 1j * source.series_reactance_ohm.u,
    ]
    conductance = Measured(admittance.real, hypot(*(s.real for s in shares)))
    resistance = Measured(inf, inf)
    if conductance.value != 0:
        resistance = Measured(1 / conductance.value, conductance.u / conductance.value**2)
    capacitance = Measured(admittance.imag / w, hypot(*(s.imag for s in shares)) / w)
    return Insulation(conductance, resistance, capacitance)


def reach_ohm(source: AcSource, pick_up_a: Measured, capacitance_f: Measured) -> Measured | None:
    """The highest fault resistance [ohm] that a detector of the current's magnitude sees.

    None: not even a dead short makes it pick up. Infinite: the capacitive current of a healthy
    winding makes it pick up already, so that it tells nothing of a fault.
    """
    # abs(Zs + 1/(G + jB))^2 = (U/Ip)^2 is a quadratic equation of the fault's conductance G.
    r, x = source.series_resistance_ohm, source.series_reactance_ohm
    w = source.angular_frequency
    b = w * capacitance_f.value
    most_ohm2 = (source.voltage_v.value / pick_up_a.value) ** 2
    k = most_ohm2 - r.value**2 - x.value**2
    if k <= 0:
        return None
    rest = k * b**2 - 1 - 2 * x.value * b
    if rest >= 0:
        return Measured(inf, inf)
    g = (r.value + sqrt(r.value**2 - k * rest)) / k
    # Partial derivatives of the equation by U, Ip, Rs, Xs, C; by G it is twice the root above.
    magnitude2 = g**2 + b**2
    shares = (
        2 * most_ohm2 / source.voltage_v.value * magnitude2 * source.voltage_v.u,
        2 * most_ohm2 / pick_up_a.value * magnitude2 * pick_up_a.u,
        2 * (r.value * magnitude2 + g) * r.u,
        2 * (x.value * magnitude2 + b) * x.u,
        2 * (k * b - x.value) * w * capacitance_f.u,
    )
    slope = 2 * (k * g - r.value)
    return Measured(1 / g, hypot(*shares) / slope / g**2)
