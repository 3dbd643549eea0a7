"""What goes into the estimator of sampled pulse currents and what comes out of it."""

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from gateway.rotor.measured import Estimate, Measured

Floats: TypeAlias = NDArray[np.float64]
Booleans: TypeAlias = NDArray[np.bool_]
Ints: TypeAlias = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class PulseRecord:
    """A sampled pulse current, with times in seconds on a scale where a pulse period begins at 0.

    `current_a` is positive out of the source into the winding. `field_voltage_v` is sampled with
    it, or one number that held all the time, or None where it is not known. `pulse_v` is the
    source's own voltage, sampled; None for +amplitude in the first half of each period and
    -amplitude in the second. All arrays have one length; times rise, but may repeat.
    `field_scale_u` is the relative standard uncertainty of the scale of a sampled field voltage;
    one that held has its own.
    """

    time_s: Floats
    current_a: Floats
    period_s: float | None
    field_voltage_v: Floats | Measured | None
    pulse_v: Floats | None = None
    field_scale_u: float = 0.0


class FlagKind(StrEnum):
    """What there is to say about a record besides its numbers."""

    MISSING = "missing samples"
    DOUBLED = "doubled samples"
    OUTLIERS = "outliers"
    SATURATED = "saturated"
    RIPPLE = "ripple"
    FIELD_MOVED = "field voltage moved"
    CHANGED = "changed inside the record"
    NOT_SETTLED = "not settled"
    SOURCE_MISMATCH = "source does not match"
    MISFIT = "does not follow the circuit"
    OUTSIDE = "location outside the winding"
    CONTRADICTION = "resistance below zero"


@dataclass(frozen=True, slots=True)
class Flag:
    """One remark: its kind, and in words how much, where and when."""

    kind: FlagKind
    text: str

    @classmethod
    def of_samples(
        cls, kind: FlagKind, which: Booleans, time_s: Floats, how: str, where: str = ""
    ) -> "Flag":
        """How many samples `which` marks, the first one's time, and what was done with them."""
        text = f"{int(which.sum())} samples{where}, the first at {time_s[which][0]:.6g} s; {how}"
        return cls(kind, text)


@dataclass(frozen=True, slots=True, eq=False)
class PulseEstimate:
    """What a record says of the fault, with how it was read.

    `fitted_a` is the circuit's current at each sample, NaN where the circuit was not fitted, and
    `used` marks the samples that count. `reversals_s` are the instants at which the source turned.
    """

    fault_resistance_ohm: Estimate
    fault_location_pu: Estimate
    winding_capacitance_f: Estimate
    field_voltage_v: Estimate
    time_constant_s: Estimate
    current_positive_a: Estimate
    current_negative_a: Estimate
    noise_a: float
    flags: tuple[Flag, ...]
    fitted_a: Floats
    used: Booleans
    reversals_s: tuple[float, ...]
