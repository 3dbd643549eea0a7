"""The detector of a machine as it is installed: its parts and the setting at which it picks up.

What the gateway needs to tell which earth faults the detector can see at all, and where in the
winding it is blind. Refuses what the detector measures: signals and tags are described elsewhere.
All accuracies are largest permissible errors as shares; their defaults are those of good parts
and of a relay (common practice, no source).
"""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from gateway.site.block import (
    Amperes,
    Block,
    Farads,
    Hertz,
    Ohms,
    Positive,
    Ratio,
    Volts,
)


def _in_the_winding(value: float) -> float:
    if value > 1:
        raise ValueError("must lie between 0 % (negative end) and 100 % of the winding")
    return value


PickUpCurrent = Annotated[Amperes, Positive]
PartOhms = Annotated[Ohms, Positive]


class DetectorBase(Block):
    """What every detector has: how well its pick-up setting and its parts are known."""

    pickup_accuracy: Ratio = 0.05
    part_accuracy: Ratio = 0.005


class PulseDetector(DetectorBase):
    """Measures the fault resistance by pulses and picks up below a resistance."""

    method: Literal["pulse injection"]
    pickup_resistance: PartOhms


class DcDetector(DetectorBase):
    """Injects a direct voltage through a series resistance and picks up above a current.

    `tap` is where it injects, counted from the negative end. `pole_to_winding` is the pole of the
    source that faces the winding; `polarised` means that only a current in the direction of the
    source is seen, else one in either direction.
    """

    method: Literal["DC injection"]
    injection_voltage: Volts
    series_resistance: PartOhms
    pickup_current: PickUpCurrent
    tap: Annotated[Ratio, AfterValidator(_in_the_winding)] = 0.0
    pole_to_winding: Literal["positive", "negative"] = "positive"
    polarised: bool = True


class Varistor(Block):
    """A voltage-dependent resistor: voltage = `voltage` * (current / `current`) ** `exponent`."""

    leg: Literal["positive", "negative"]
    voltage: Volts
    current: PickUpCurrent
    exponent: Annotated[float, Field(gt=0, le=1)]
    accuracy: Ratio = 0.1  # of the voltage


class DividerDetector(DetectorBase):
    """A voltage divider over the winding, with a relay from its tap to earth.

    `leg_positive` and `leg_negative` are the resistances from the tap to either end, beside a
    varistor in series with one of them; the relay sees a current in either direction.
    """

    method: Literal["voltage divider"]
    leg_positive: PartOhms
    leg_negative: PartOhms
    varistor: Varistor | None = None
    relay_resistance: PartOhms
    pickup_current: PickUpCurrent


class AcDetector(DetectorBase):
    """Injects an alternating voltage and picks up above a magnitude of current.

    `voltage` and `pickup_current` are r.m.s.; `winding_capacitance` is that of the winding to the
    shaft, through which a current flows without any fault.
    """

    method: Literal["AC injection"]
    voltage: Volts
    frequency: Hertz
    series_resistance: Ohms = 0.0
    series_capacitance: Farads | None = None  # none: no capacitor in series
    winding_capacitance: Farads
    winding_capacitance_accuracy: Ratio = 0.1
    pickup_current: PickUpCurrent


Detector = Annotated[
    PulseDetector | DcDetector | DividerDetector | AcDetector, Field(discriminator="method")
]
