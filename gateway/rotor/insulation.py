"""Insulation resistance of a winding at standstill: corrected to 40 degC, held against its minimum.

For one-minute readings of a clean, dry, de-energised winding. Refuses temperatures outside the
range of the correction. The resistance that a rotor monitor reads in service is none of these:
it includes coolant, dust and the other parts of the field circuit, so it is never corrected.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import exp, exp2
from typing import Final

from gateway.rotor.combined_uncertainty import propagated
from gateway.rotor.measured import Measured

_LOWEST_C: Final = 10.0
_HIGHEST_C: Final = 85.0
_COVERAGE: Final = 2.0  # about 95 % (GUM 6.3.3)
_MEGOHM: Final = 1e6


class Insulation(StrEnum):
    """What holds the conductors: asphalt, shellac and the like, or epoxy and polyester."""

    THERMOPLASTIC = "thermoplastic"
    THERMOSETTING = "thermosetting"


class Winding(StrEnum):
    """Windings with a recommended minimum of their own."""

    FIELD = "field winding"
    OLD = "winding made before about 1970, or of no other kind"
    FORM_WOUND_AC = "form-wound AC winding made after about 1970"
    RANDOM_WOUND = "random-wound stator, or form-wound below 1 kV"


class Verdict(StrEnum):
    """How a resistance stands against its minimum, at about 95 %."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_TOLD = "not to be told within the uncertainty"


@dataclass(frozen=True, slots=True)
class Corrected:
    """An insulation resistance at 40 degC, and how it was brought there."""

    resistance_ohm: Measured
    method: str


def corrected_to_40_c(
    resistance_ohm: Measured, winding_temperature_c: Measured, insulation: Insulation
) -> Corrected | None:
    """R40 = K*R for a reading at T; None outside 10 to 85 degC (85 itself is outside).

    Thermoplastic: K = 0.5^((40 - T)/10). Thermosetting: K = exp(-c*(1/(T + 273) - 1/313)) with
    c = 1245 up to 40 degC and 4230 above. IEC 60034-27-4:2018 corrects no modern resin between 10
    and 40 degC: the standards disagree, so the method travels with the number.

    Source: IEEE Std 43-2013, temperature correction; the range is that of its thermosetting
    formula, and we use it for both. GUM 5.1.2.
    """
    if not _LOWEST_C <= winding_temperature_c.value < _HIGHEST_C:
        return None
    factor = _FACTOR[insulation]
    return Corrected(
        propagated(lambda r, t: r * factor(t), [resistance_ohm, winding_temperature_c]),
        f"IEEE Std 43-2013, {insulation}, from {winding_temperature_c.value:g} degC to 40 degC",
    )


def _thermoplastic(temperature_c: float) -> float:
    return exp2((temperature_c - 40) / 10)


def _thermosetting(temperature_c: float) -> float:
    c = 1245 if temperature_c <= 40 else 4230
    return exp(-c * (1 / (temperature_c + 273) - 1 / 313))


_FACTOR: Final = {
    Insulation.THERMOPLASTIC: _thermoplastic,
    Insulation.THERMOSETTING: _thermosetting,
}


def minimum_ohm(winding: Winding, rated_voltage_v: float) -> float:
    """The recommended minimum of the one-minute insulation resistance at 40 degC.

    `rated_voltage_v` is from terminal to terminal; for a field winding, its rated direct voltage.
    All field windings, of whatever year, are in the row of kV + 1 megohms.

    Source: IEEE Std 43-2013, table of recommended minimums. Raises ValueError for a voltage that
    is not above zero.
    """
    if not rated_voltage_v > 0:
        raise ValueError(
            f"rated voltage of the {winding}: {rated_voltage_v:g} V is not above zero; "
            "give the voltage between its terminals"
        )
    match winding:
        case Winding.FIELD | Winding.OLD:
            return _MEGOHM * (rated_voltage_v / 1000 + 1)
        case Winding.FORM_WOUND_AC:
            return 100 * _MEGOHM
        case Winding.RANDOM_WOUND:
            return 5 * _MEGOHM


def judged(corrected: Corrected, least_ohm: float) -> Verdict:
    """Whether the resistance at 40 degC reaches its minimum, told with k = 2.

    Source: the interval of GUM 6.3.3 against the limit; on either side it must lie as a whole.
    """
    resistance = corrected.resistance_ohm
    if resistance.value - _COVERAGE * resistance.u >= least_ohm:
        return Verdict.PASSED
    if resistance.value + _COVERAGE * resistance.u < least_ohm:
        return Verdict.FAILED
    return Verdict.NOT_TOLD
