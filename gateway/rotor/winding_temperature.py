"""Mean temperature of the field winding from field voltage and current.

The mean over the whole winding, no hot spot. Refuses to follow while the field current moves: the
voltage then holds a part of the inductance as well.
"""

from dataclasses import dataclass
from math import copysign
from typing import Final

from gateway.rotor.combined_uncertainty import propagated
from gateway.rotor.measured import Measured

# Temperature, below zero degC, at which the resistance would vanish if it fell on as it does [K].
COPPER_IEC_K: Final = 235.0  # IEC 60034-1
COPPER_IEEE_K: Final = 234.5  # IEEE Std 115, 118 and 119: copper of 100 % IACS
ALUMINIUM_K: Final = 225.0  # electrical grade, both families; 228 circulates as well

_SETTLED_SHARE: Final = 0.005  # of the field voltage; 1.6 K at 90 degC (our choice)
_TOLD: Final = 3.0  # standard uncertainties from zero (our choice)


@dataclass(frozen=True, slots=True)
class FieldWinding:
    """What is known of the winding: its resistance at a temperature, its metal, its circuit."""

    resistance_ohm: Measured
    temperature_c: Measured
    constant_k: float
    brush_drop_v: Measured  # both brushes together; 0 without collector rings
    inductance_h: float


@dataclass(frozen=True, slots=True)
class Temperature:
    """Mean temperature of the winding; `held` when it is that of an earlier, settled moment."""

    mean_c: Measured
    held: bool


def field_resistance_ohm(
    field_voltage_v: Measured, field_current_a: Measured, brush_drop_v: Measured
) -> Measured | None:
    """R = (Uf - Ubrush)/If for settled current; the drop has the sign of the current.

    None where current or resistance cannot be told from zero (3 u), or the resistance is negative.

    Source: Ohm's law; GUM 5.1.2.
    """
    if not abs(field_current_a.value) > _TOLD * field_current_a.u:
        return None
    sign = copysign(1.0, field_current_a.value)
    found = propagated(
        lambda v, i, drop: (v - sign * drop) / i, [field_voltage_v, field_current_a, brush_drop_v]
    )
    return found if found.value > _TOLD * found.u else None


def mean_temperature_c(
    resistance_ohm: Measured,
    cold_resistance_ohm: Measured,
    cold_temperature_c: Measured,
    constant_k: float,
) -> Measured:
    """theta2 = (R2/R1)*(k + theta1) - k.

    Source: IEC 60034-1, temperature rise by resistance (k = 235 for copper); IEEE Std 115 has
    234.5; GUM 5.1.2. The cold resistance must be above zero.
    """
    return propagated(
        lambda r2, r1, t1: r2 / r1 * (constant_k + t1) - constant_k,
        [resistance_ohm, cold_resistance_ohm, cold_temperature_c],
    )


def temperature_rise_k(
    resistance_ohm: Measured,
    cold_resistance_ohm: Measured,
    cold_temperature_c: Measured,
    coolant_temperature_c: Measured,
    constant_k: float,
) -> Measured:
    """Rise over the coolant: (R2 - R1)/R1*(k + theta1) + theta1 - theta_a.

    Source: IEC 60034-1, temperature rise by resistance; GUM 5.1.2. The cold resistance must be
    above zero.
    """
    return propagated(
        lambda r2, r1, t1, ta: (r2 - r1) / r1 * (constant_k + t1) + t1 - ta,
        [resistance_ohm, cold_resistance_ohm, cold_temperature_c, coolant_temperature_c],
    )


def is_settled(current_slope_a_per_s: float, inductance_h: float, field_voltage_v: float) -> bool:
    """Whether the inductive part of the field voltage is within 0.5 % of it; never without any.

    Source: u = L*di/dt; the share is our choice.
    """
    inductive_v = abs(current_slope_a_per_s) * inductance_h
    return field_voltage_v != 0 and inductive_v <= _SETTLED_SHARE * abs(field_voltage_v)


def followed(
    last: Temperature | None,
    field_voltage_v: Measured,
    field_current_a: Measured,
    current_slope_a_per_s: float,
    winding: FieldWinding,
) -> Temperature | None:
    """The temperature now, or the last one, held while the field current moves.

    Held as well while there is too little current to tell. None until one could be told.
    """
    if is_settled(current_slope_a_per_s, winding.inductance_h, field_voltage_v.value):
        resistance = field_resistance_ohm(field_voltage_v, field_current_a, winding.brush_drop_v)
        if resistance is not None:
            mean = mean_temperature_c(
                resistance, winding.resistance_ohm, winding.temperature_c, winding.constant_k
            )
            return Temperature(mean, held=False)
    return None if last is None else Temperature(last.mean_c, held=True)
