"""What a detector can see: over the winding, the highest fault resistance at which it picks up.

From the settings of the detector as it is installed; nothing is measured here. A blind zone is
where not even a dead short makes the detector pick up; its edges are exact.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isinf
from typing import Final, TypeAlias

from gateway.rotor import ac_injection, dc_injection, voltage_divider
from gateway.rotor.ac_injection import AcSource
from gateway.rotor.dc_injection import PickUp, Zone
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source
from gateway.rotor.voltage_divider import Divider, Leg, Varistor
from gateway.site.detector import (
    AcDetector,
    DcDetector,
    Detector,
    DividerDetector,
    PulseDetector,
)

LOCATIONS_PU: Final = tuple(i / 100 for i in range(101))
_WHOLE: Final = Zone(0.0, 1.0)
# The highest resistance that is seen at a location; None or negative where there is none.
_ReachOf: TypeAlias = Callable[[float], Measured | None]


@dataclass(frozen=True, slots=True)
class Reach:
    """The highest fault resistance [ohm] that is seen at a location [pu from the negative end].

    None: the detector is blind there. Infinite: it picks up on a healthy winding already.
    """

    location_pu: float
    highest_ohm: Measured | None


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """What a detector sees at one field voltage [V], along the winding; its blind zone, if any."""

    field_voltage_v: float
    reaches: tuple[Reach, ...]
    blind_zone: Zone | None

    @property
    def sees_healthy(self) -> bool:
        """Whether the detector picks up without any fault, so that it tells nothing."""
        return any(r.highest_ohm is not None and isinf(r.highest_ohm.value) for r in self.reaches)


def sensitivity(
    detector: Detector, field_voltage_v: float, locations_pu: Sequence[float] = LOCATIONS_PU
) -> Sensitivity:
    """What the detector sees at this field voltage, negative when the excitation inverts."""
    reach, blind_zone = _sight(detector, field_voltage_v)
    reaches = []
    for location_pu in locations_pu:
        highest = reach(location_pu)
        blind = highest is None or highest.value < 0
        reaches.append(Reach(location_pu, None if blind else highest))
    return Sensitivity(field_voltage_v, tuple(reaches), blind_zone)


def _sight(detector: Detector, field_voltage_v: float) -> tuple[_ReachOf, Zone | None]:
    field = Measured(field_voltage_v, 0.0)
    if isinstance(detector, PulseDetector):
        threshold = Measured.within(detector.pickup_resistance, detector.pickup_accuracy)
        return lambda location_pu: threshold, None
    if isinstance(detector, DcDetector):
        source, pick_up = dc_parts(detector)
        return (
            lambda location_pu: dc_injection.reach_ohm(source, pick_up, location_pu, field),
            dc_injection.blind_zone(source, pick_up, field_voltage_v),
        )
    pick_up_a = Measured.within(detector.pickup_current, detector.pickup_accuracy)
    if isinstance(detector, DividerDetector):
        divider = _divider(detector)
        return (
            lambda location_pu: voltage_divider.reach_ohm(divider, pick_up_a, location_pu, field),
            voltage_divider.blind_zone(divider, pick_up_a, field_voltage_v),
        )
    capacitance = Measured.within(
        detector.winding_capacitance, detector.winding_capacitance_accuracy
    )
    everywhere = ac_injection.reach_ohm(_ac(detector), pick_up_a, capacitance)
    return lambda location_pu: everywhere, _WHOLE if everywhere is None else None


def dc_parts(detector: DcDetector) -> tuple[Source, PickUp]:
    """Source and pick-up of a DC-injection detector, signs after the pole that it injects."""
    sign = 1.0 if detector.pole_to_winding == "positive" else -1.0
    return (
        Source(
            Measured.within(sign * detector.injection_voltage, detector.part_accuracy),
            Measured.within(detector.series_resistance, detector.part_accuracy),
            detector.tap,
        ),
        PickUp(
            Measured.within(sign * detector.pickup_current, detector.pickup_accuracy),
            detector.polarised,
        ),
    )


def _divider(detector: DividerDetector) -> Divider:
    varistors: dict[str, Varistor] = {}
    if detector.varistor is not None:
        varistors[detector.varistor.leg] = Varistor(
            Measured.within(detector.varistor.voltage, detector.varistor.accuracy),
            detector.varistor.current,
            detector.varistor.exponent,
        )
    return Divider(
        Leg(
            Measured.within(detector.leg_positive, detector.part_accuracy),
            varistors.get("positive"),
        ),
        Leg(
            Measured.within(detector.leg_negative, detector.part_accuracy),
            varistors.get("negative"),
        ),
        Measured.within(detector.relay_resistance, detector.part_accuracy),
    )


def _ac(detector: AcDetector) -> AcSource:
    capacitance = detector.series_capacitance
    return AcSource(
        Measured.within(detector.voltage, detector.part_accuracy),
        detector.frequency,
        Measured.within(detector.series_resistance, detector.part_accuracy),
        None if capacitance is None else Measured.within(capacitance, detector.part_accuracy),
    )
