"""What may lie behind an apparent location: the winding, two faults, or the AC side.

An earth fault on the AC side of the rectifier bridge has a mean potential half-way between the
field terminals and reads as the middle of the winding, and so do two faults on either side of it.
The harmonics of the measuring current narrow it down. Returns what remains possible; refuses to
pick one.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import pi, sqrt
from typing import Final

from gateway.rotor.measured import Measured

# Potentials against the negative terminal, amplitudes over the mean field voltage, of an ideal
# six-pulse diode bridge: 3*sqrt(3)/pi is its mean over the phase amplitude, 1/(n^2 - 1) the n-th
# harmonic of the envelope of n pulses.
PHASE_FUNDAMENTAL_PU: Final = pi / (3 * sqrt(3))
AC_THIRD_PU: Final = 1 / 8
HALF_SIXTH_PU: Final = 1 / 35  # of any point half-way between the terminals

# Present above, absent below this share of what is expected. Coupling through capacitances makes
# a little of every harmonic, and filters leave less (our choice).
_PRESENT: Final = 0.25
_COVERAGE: Final = 2.0  # about 95 % (GUM 6.3.3)


class Explanation(StrEnum):
    """What an apparent location can be."""

    ONE_FAULT = "one fault in the winding at the place read"
    TWO_FAULTS = "two or more faults whose mean, weighted with their conductance, is the place read"
    AC_PHASE = "a fault of a phase on the AC side of the rectifier"
    AC_NEUTRAL = "a fault near the neutral on the AC side of the rectifier"


@dataclass(frozen=True, slots=True)
class Harmonics:
    """Harmonics of the AC supply in the measuring current; None where they are not known.

    Each is the amplitude of the current times the resistance of its loop (R0 + Rf), over the mean
    field voltage. The sixth only shows that harmonics reach the measurement at all.
    """

    fundamental_pu: Measured | None = None
    third_pu: Measured | None = None
    sixth_pu: Measured | None = None


def explanations(
    location_pu: Measured, harmonics: Harmonics | None = None
) -> frozenset[Explanation]:
    """Everything that the reading leaves possible; never one alone.

    A location that is not 0.5 within 2 u is not the AC side alone. The third harmonic is there
    with every AC-side fault and with none in the winding; the fundamental with a phase only. Their
    absence counts only if the sixth gets through: otherwise something filters it, or the tap is in
    the middle of the winding, where the sixth cancels. Two faults always remain, for one of them
    can be on the AC side. Away from the middle a third harmonic excludes nothing: it may as well
    be coupled through capacitances. Without harmonics nothing more is excluded.

    Source: potentials of an ideal six-pulse bridge, derived and checked with its waveform.
    """
    possible = set(Explanation)
    if abs(location_pu.value - 0.5) > _COVERAGE * location_pu.u:
        return frozenset(possible - {Explanation.AC_PHASE, Explanation.AC_NEUTRAL})
    if harmonics is None:
        return frozenset(possible)
    gets_through = _is_there(harmonics.sixth_pu, HALF_SIXTH_PU) is True
    third = _is_there(harmonics.third_pu, AC_THIRD_PU)
    fundamental = _is_there(harmonics.fundamental_pu, PHASE_FUNDAMENTAL_PU)
    if third:
        possible.discard(Explanation.ONE_FAULT)
        # Alone, a fundamental may be picked up from the mains.
        if fundamental:
            possible.discard(Explanation.AC_NEUTRAL)
    elif third is False and gets_through:
        possible -= {Explanation.AC_PHASE, Explanation.AC_NEUTRAL}
    if fundamental is False and gets_through:
        possible.discard(Explanation.AC_PHASE)
    return frozenset(possible)


def _is_there(amplitude_pu: Measured | None, expected_pu: float) -> bool | None:
    """Whether a harmonic is there; None where that cannot be told."""
    if amplitude_pu is None:
        return None
    limit, reach = _PRESENT * expected_pu, _COVERAGE * amplitude_pu.u
    if amplitude_pu.value - reach > limit:
        return True
    return False if amplitude_pu.value + reach < limit else None
