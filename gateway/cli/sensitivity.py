"""`rotor-gateway sensitivity SITE [MACHINE]`: which earth faults the installed detector can see."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from math import isinf
from pathlib import Path
from typing import Final

import click

from gateway.cli.columns import print_columns
from gateway.cli.options import fail, json_option, load_site, site_argument
from gateway.cli.picture import plot_option, write_picture
from gateway.diagnosis.caution import CAUTION
from gateway.report.numbers import with_uncertainty
from gateway.rotor.sensitivity import Reach, Sensitivity, sensitivity
from gateway.site.alarm import LimitAlarm
from gateway.site.detector import AcDetector, DcDetector, Detector, PulseDetector
from gateway.site.explain import did_you_mean
from gateway.site.installed import Site
from gateway.site.model import Machine

NOTE: Final = (
    "Computed from the settings in the site file: nothing is measured, no winding proved healthy."
)
_EXAMPLE: Final = (
    "    detector: {method: DC injection, injection_voltage: 24 V, series_resistance: 12 kohm,\n"
    "               pickup_current: 1 mA}"
)
_EVERY: Final = 5  # of the 101 locations, a row in the table


@dataclass(frozen=True, slots=True)
class Curve:
    """What is seen at one field voltage, and how that voltage is called."""

    name: str
    seen: Sensitivity

    @property
    def remark(self) -> str:
        """What there is to say besides the numbers; empty for a curve without a flaw."""
        if self.seen.sees_healthy:
            return "picks up on a healthy winding already, so that it tells nothing"
        zone = self.seen.blind_zone
        if zone is None:
            return ""
        if (zone.start_pu, zone.end_pu) == (0.0, 1.0):
            return "blind everywhere"
        return f"blind from {zone.start_pu:.3f} to {zone.end_pu:.3f}"


@click.command()
@site_argument
@click.argument("machine", required=False)
@click.option("--field-v", type=float, help="Field voltage in volts.  [default: rated]")
@plot_option("a picture of one machine")
@json_option
def command(
    site_path: Path,
    machine: str | None,
    field_v: float | None,
    picture_path: Path | None,
    as_json: bool,
) -> None:
    """Print the highest fault resistance that the detector sees, over the location of the fault.

    Location 0 is the negative end of the winding, 1 the positive end. A detector is blind where it
    does not even see a dead short. MACHINE: all that have a detector, where none is named.

    Informs only: computed from the settings in the site file, nothing is measured.
    """
    if field_v is not None and not abs(field_v) <= 1e6:
        fail(f"--field-v {field_v:g} is no field voltage; give volts, such as --field-v 250", 2)
    site = load_site(site_path)
    found = _detectors(site, site_path, machine)
    if picture_path is not None and len(found) > 1:
        names = ", ".join(m.name for m, _ in found)
        fail(f"--plot draws one machine; name one of {names}", 2)
    told = [(m, detector, _curves(m, detector, field_v)) for m, detector in found]
    if as_json:
        click.echo(json.dumps([_json(m, curves) for m, _, curves in told], indent=1))
    else:
        for m, detector, curves in told:
            _print(m, detector, curves)
        click.echo(f"{NOTE}\n{CAUTION}")
    if picture_path is not None:
        _draw(picture_path, site, *told[0])


def _draw(
    path: Path, site: Site, machine: Machine, detector: Detector, curves: Sequence[Curve]
) -> None:
    from gateway.cli.sensitivity_plot import draw  # slow to load, and rarely wanted

    title = f"{machine.name} of {site.name}: {machine.detection}"
    limits = _limits(site, machine)
    write_picture(path, draw(title, settings(detector), curves, limits))


def _detectors(site: Site, path: Path, name: str | None) -> list[tuple[Machine, Detector]]:
    machines = site.file.machines
    names = [m.name for m in machines]
    if name is not None and name not in names:
        fail(f"there is no machine {name!r} in {path}{did_you_mean(name, names)}", 2)
    asked = [m for m in machines if name in (None, m.name)]
    found = [(m, m.detector) for m in asked if m.detector is not None]
    lacking = ", ".join(m.name for m in asked if m.detector is None)
    if not found:
        fail(
            f"{path}: nothing is said of the detector of {lacking}; add to the machine what is "
            f"installed, for example\n{_EXAMPLE}\n"
            "'rotor-gateway schema site' has the keys of every method",
            2,
        )
    if lacking:
        click.echo(f"left out, for want of a detector block: {lacking}", err=True)
    return found


def _curves(machine: Machine, detector: Detector, field_v: float | None) -> list[Curve]:
    rated_v = machine.field_winding.rated_field_voltage
    voltages = {rated_v: "rated", 0.0: "standstill"}
    if field_v is not None:
        voltages = {field_v: voltages.get(field_v, ""), **voltages}
    return [
        Curve(f"{v:g} V ({name})" if name else f"{v:g} V", sensitivity(detector, v))
        for v, name in voltages.items()
    ]


def settings(detector: Detector) -> str:
    """The settings of a detector in one line."""
    if isinstance(detector, PulseDetector):
        return f"picks up below {detector.pickup_resistance / 1e3:g} kohm"
    picks_up = f"picks up above {detector.pickup_current * 1e3:g} mA"
    if isinstance(detector, DcDetector):
        sight = "in its direction" if detector.polarised else "in either direction"
        pole = detector.pole_to_winding
        return (
            f"{detector.injection_voltage:g} V, {pole} pole to the winding at {detector.tap:g}, "
            f"through {detector.series_resistance / 1e3:g} kohm; {picks_up} {sight}"
        )
    if isinstance(detector, AcDetector):
        capacitor = detector.series_capacitance
        through = f"{detector.series_resistance:g} ohm"
        through += "" if capacitor is None else f" and {capacitor * 1e6:g} uF"
        return (
            f"{detector.voltage:g} V, {detector.frequency:g} Hz through {through} into a winding "
            f"of {detector.winding_capacitance * 1e6:g} uF; {picks_up}"
        )
    varistor = detector.varistor
    bent = "" if varistor is None else f", varistor in the {varistor.leg} leg"
    return (
        f"{detector.leg_positive / 1e3:g} kohm to positive, {detector.leg_negative / 1e3:g} kohm "
        f"to negative{bent}, relay {detector.relay_resistance / 1e3:g} kohm; {picks_up}"
    )


def _print(machine: Machine, detector: Detector, curves: Sequence[Curve]) -> None:
    click.echo(f"{machine.name}: {machine.detection}; {settings(detector)}")
    click.echo("Highest fault resistance seen ± standard uncertainty, in kohm")
    table = [
        (f"{row[0].location_pu:.2f}", *map(_cell, row))
        for row in zip(*(c.seen.reaches[::_EVERY] for c in curves), strict=True)
    ]
    if len({cells[1:] for cells in table}) == 1:
        table = [("anywhere", *table[0][1:])]
    print_columns([("LOCATION", *(f"AT {c.name}" for c in curves)), *table])
    for curve in curves:
        if curve.remark:
            click.echo(f"At {curve.name}: {curve.remark}.")
    click.echo()


def _cell(reach: Reach) -> str:
    if reach.highest_ohm is None:
        return "blind"
    if isinf(reach.highest_ohm.value):
        return "any"
    return with_uncertainty(reach.highest_ohm.value / 1e3, reach.highest_ohm.u / 1e3)


def _json(machine: Machine, curves: Sequence[Curve]) -> dict[str, object]:
    return {
        "machine": machine.name,
        "detection": machine.detection,
        "curves": [
            {
                "field_voltage_v": c.seen.field_voltage_v,
                "picks_up_healthy": c.seen.sees_healthy,
                "blind_zone_pu": c.seen.blind_zone
                and [c.seen.blind_zone.start_pu, c.seen.blind_zone.end_pu],
                "reaches": [_reach_json(reach, c.seen.sees_healthy) for reach in c.seen.reaches],
            }
            for c in curves
        ],
    }


def _reach_json(reach: Reach, sees_healthy: bool) -> dict[str, object]:
    """No number stands for a location that is blind, and none where any resistance is seen."""
    told = None if sees_healthy else reach.highest_ohm
    return {
        "location_pu": reach.location_pu,
        "blind": reach.highest_ohm is None,
        "highest_fault_resistance_ohm": told and told.value,
        "standard_uncertainty_ohm": told and told.u,
    }


def _limits(site: Site, machine: Machine) -> list[tuple[str, float]]:
    """The machine's alarm limits of resistance, with their names."""
    return [
        (f"{alarm.name}: below {alarm.below}", alarm.below.si)
        for alarm in site.file.alarms
        if isinstance(alarm, LimitAlarm) and alarm.machine == machine.name
        if alarm.below is not None and alarm.below.dimension == "resistance"
    ]
