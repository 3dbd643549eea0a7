"""What an alarm of a DC-injection detector can mean: a band of resistances over the location.

One current cannot tell resistance and place; `gateway.rotor.dc_injection` has the physics, this
file its inputs and its plain words. All bands are those of k = 2. Refuses to guess a field voltage:
where it is not known, the band is the one over all field voltages from 0 to the rated one.
"""

from dataclasses import dataclass
from math import inf
from typing import Final

from gateway.diagnosis.paths import COVERAGE
from gateway.diagnosis.seen import Seen
from gateway.rotor.dc_injection import (
    Band,
    PickUp,
    Report,
    ReportedContact,
    ReportedCurrent,
    band_at,
    band_over_winding,
    over_all,
)
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import Source
from gateway.rotor.sensitivity import dc_parts
from gateway.site.detector import DcDetector
from gateway.site.installed import Site
from gateway.tags import Limit

_PLACES: Final = (
    (0.0, "at the negative end"),
    (0.5, "in the middle"),
    (1.0, "at the positive end"),
)


@dataclass(frozen=True, slots=True)
class DetectionBand:
    """Fault resistances [ohm] that a report leaves open; None: no fault there explains it.

    `field_voltage_v` is None where it is not known: the bands are then those over every field
    voltage from 0 to the rated one.
    """

    at_negative_end: Band | None
    in_the_middle: Band | None
    at_positive_end: Band | None
    over_winding: Band | None
    field_voltage_v: Measured | None
    text: str  # one sentence with figures and units

    @property
    def whole(self) -> str:
        """The resistances over the whole winding in words."""
        return _band_text(self.over_winding)


class DcBand:
    """What the reports of one machine's DC-injection detector mean."""

    def __init__(self, site: Site, machine: str) -> None:
        installed = site.machine(machine)
        detector = installed.detector
        self._parts = dc_parts(detector) if isinstance(detector, DcDetector) else None
        self._rated_v = installed.field_winding.rated_field_voltage
        self._field_tag = installed.field_winding.field_voltage
        # A tag whose range has no negative part shows a magnitude.
        self._numbers = {
            t.tag: (float(t.unit.factor), t.low < 0)
            for t in site.tags_of(machine)
            if t.unit is not None and t.unit.dimension in ("current", "voltage")
        }

    def of_current(self, seen: Seen, tag: str) -> DetectionBand | None:
        """What the injected current in this tag means; None: not told, or not measured now.

        Positive is out of the source into the winding. With limit bits, the current is at least,
        or at most, what the tag says.
        """
        measured = self._measured(seen, tag)
        if self._parts is None or measured is None:
            return None
        current_a, limit = measured
        signed = self._numbers[tag][1]
        shown = _measured_text(current_a, 1e-3, "mA")
        if limit in (Limit.LOW, Limit.HIGH):
            report: Report = ReportedContact(PickUp(current_a, signed), limit is Limit.HIGH)
            shown = f"at {'least' if limit is Limit.HIGH else 'most'} {shown}"
        else:
            report = ReportedCurrent(current_a, signed)
        return self._band(seen, self._parts[0], report, f"An injected current of {shown}")

    def of_contact(self, seen: Seen, picked_up: bool) -> DetectionBand | None:
        """What it means that the detector has picked up, or has not; None: not told."""
        if self._parts is None:
            return None
        source, pick_up = self._parts
        setting = _measured_text(pick_up.current_a, 1e-3, "mA")
        words = f"{'Picking up' if picked_up else 'Not picking up'} above {setting}"
        return self._band(seen, source, ReportedContact(pick_up, picked_up), words)

    def _band(self, seen: Seen, source: Source, report: Report, words: str) -> DetectionBand:
        field_v = self._field_v(seen)
        if field_v is None:
            where = f", if the field voltage is within 0 V to {self._rated_v:g} V,"
            bands = [_at_any_voltage(source, report, self._rated_v, pu) for pu, _ in _PLACES]
            # Where the driving voltage vanishes at a lower field voltage, it does so somewhere in
            # the winding at the rated one too.
            ends = (Measured(0.0, 0.0), Measured(self._rated_v, 0.0))
            overall = over_all(band_over_winding(source, report, v) for v in ends)
        else:
            where = f" at a field voltage of {_measured_text(field_v, 1.0, 'V')}"
            bands = [band_at(source, report, field_v, pu) for pu, _ in _PLACES]
            overall = band_over_winding(source, report, field_v)
        text = f"{words}{where} {_meaning(bands, overall)}"
        return DetectionBand(bands[0], bands[1], bands[2], overall, field_v, text)

    def _field_v(self, seen: Seen) -> Measured | None:
        measured = self._measured(seen, self._field_tag) if self._field_tag else None
        # Beyond the range of its tag it is not known how high the voltage is.
        return None if measured is None or measured[1] else measured[0]

    def _measured(self, seen: Seen, tag: str) -> tuple[Measured, Limit] | None:
        """The number in SI and its limit; None: not a current or voltage measured now."""
        sample = seen.measured(tag)
        if sample is None or sample.value is None or tag not in self._numbers:
            return None
        factor = self._numbers[tag][0]
        measured = Measured(sample.value * factor, (sample.uncertainty or 0.0) * factor)
        return measured, sample.status.limit


def _at_any_voltage(
    source: Source, report: Report, rated_v: float, location_pu: float
) -> Band | None:
    """The driving voltage is linear in the field voltage: its extremes lie at the ends, or where
    it vanishes in between."""
    voltages = [0.0, rated_v]
    if location_pu != source.tap_pu:
        null_v = source.amplitude_v.value / (source.tap_pu - location_pu)
        voltages += [null_v] if 0 < null_v < rated_v else []
    return over_all(band_at(source, report, Measured(v, 0.0), location_pu) for v in voltages)


def _meaning(bands: list[Band | None], overall: Band | None) -> str:
    if overall is None:
        return "fits no earth fault, wherever it sits (k = 2)."
    named = tuple(zip(bands, _PLACES, strict=True))
    places = [f"{_band_text(band)} {name}" for band, (_, name) in named if band is not None]
    none = [name for band, (_, name) in named if band is None]
    without = f" (none fits {' or '.join(none)})" if none else ""
    whole = _band_text(overall)
    if not places:
        return f"fits an earth fault of {whole} elsewhere in the winding{without} (k = 2)."
    return f"fits an earth fault of {', '.join(places)}{without}; {whole} wherever it sits (k = 2)."


def _measured_text(measured: Measured, factor: float, unit: str) -> str:
    """With its expanded uncertainty, k = 2."""
    value, u = measured.value / factor, COVERAGE * measured.u / factor
    return f"{value:.5g} {unit} ± {u:.2g} {unit}" if u else f"{value:.5g} {unit}"


def _band_text(band: Band | None) -> str:
    if band is None:
        return "none"
    if band.lowest_ohm <= 0:
        return "any resistance" if band.highest_ohm == inf else f"at most {_ohm(band.highest_ohm)}"
    if band.highest_ohm == inf:
        return f"at least {_ohm(band.lowest_ohm)}"
    return f"{_ohm(band.lowest_ohm)} to {_ohm(band.highest_ohm)}"


def _ohm(value: float) -> str:
    rounded = float(f"{value:.3g}")
    for factor, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if rounded >= factor:
            return f"{rounded / factor:.3g} {unit}"
    return f"{rounded:.3g} ohm"
