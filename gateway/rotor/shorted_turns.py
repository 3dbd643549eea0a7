"""Shorted turns of the field winding, from its resistance against a reference.

An indicator only: a turn is a fraction of a percent of most windings, about what the resistance
can be measured to. The temperature must come from elsewhere (a cold winding in balance with its
room, embedded sensors): one computed from this resistance would agree with it. Refuses to name a
share that the uncertainty hides.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from gateway.rotor.combined_uncertainty import (
    Contribution,
    Repeated,
    combined,
    coverage_factor,
)
from gateway.rotor.measured import Measured

_TOLD: Final = 3.0  # standard uncertainties from zero (our choice)
_PROBABILITY: Final = 0.9973  # three standard uncertainties where nothing rests on few readings


class Turns(StrEnum):
    """What the resistance says of the turns."""

    NOT_TOLD = "not to be told"
    SHORTED = "turns may be shorted"
    HIGHER = "resistance above the reference: a bad joint, brushes, or a wrong temperature"


@dataclass(frozen=True, slots=True)
class ShortedTurns:
    """Resistance over reference at one temperature, and what follows.

    `shorted_pu` is the share of turns, None unless told. `least_told_pu` is the smallest share
    that would be told, at 99.73 %.
    """

    turns: Turns
    ratio: Measured
    degrees_of_freedom: float
    shorted_pu: Measured | None
    least_told_pu: float


def shorted_turns(
    resistance_ohm: Repeated,
    winding_temperature_c: Measured,
    reference_ohm: Repeated,
    reference_temperature_c: Measured,
    constant_k: float,
) -> ShortedTurns | None:
    """Share of shorted turns: 1 - R/(Rref*(k + theta)/(k + theta_ref)).

    The share is told by Student's t with the effective degrees of freedom, because a resistance
    may rest on few readings. None where one is not above zero by 3 u.

    Source: turns of equal resistance in series, solid shorts; temperature by IEC 60034-1 (see
    `winding_temperature`); GUM 5.1.2, G.3 and G.4.
    """
    now, then = resistance_ohm.mean, reference_ohm.mean
    if not (now.value > _TOLD * now.u and then.value > _TOLD * then.u):
        return None
    now_k = constant_k + winding_temperature_c.value
    then_k = constant_k + reference_temperature_c.value
    ratio = now.value / then.value * then_k / now_k
    whole = combined(
        (
            Contribution(ratio * now.u / now.value, resistance_ohm.degrees_of_freedom),
            Contribution(ratio * then.u / then.value, reference_ohm.degrees_of_freedom),
            Contribution(ratio * winding_temperature_c.u / now_k),
            Contribution(ratio * reference_temperature_c.u / then_k),
        )
    )
    share = Measured(1 - ratio, whole.u)
    least = coverage_factor(whole.degrees_of_freedom, _PROBABILITY) * whole.u
    turns, told = Turns.NOT_TOLD, None
    if share.value > least:
        turns, told = Turns.SHORTED, share
    elif share.value < -least:
        turns = Turns.HIGHER
    return ShortedTurns(turns, Measured(ratio, whole.u), whole.degrees_of_freedom, told, least)
