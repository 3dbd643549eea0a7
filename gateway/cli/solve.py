"""`rotor-gateway solve RECORD.csv`: fault resistance and location from a recorded pulse current."""

import json
import math
from collections.abc import Callable
from dataclasses import replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Context
from pathlib import Path
from typing import Any, Final, TypeAlias

import click

from gateway.cli import record_file
from gateway.cli.columns import print_columns
from gateway.cli.options import fail, json_option
from gateway.cli.picture import plot_option, write_picture
from gateway.diagnosis.caution import CAUTION
from gateway.report.numbers import with_uncertainty
from gateway.rotor.measured import Estimate, Measured
from gateway.rotor.pulse_estimator import RecordError, estimate
from gateway.rotor.pulse_injection import Source
from gateway.rotor.pulse_record import PulseEstimate, PulseRecord
from gateway.site.units import UNITS
from gateway.tags import GOOD, Limit

_Function: TypeAlias = Callable[..., None]
_TAPS: Final = {"negative": 0.0, "midpoint": 0.5}
# For people: the largest unit in which a number is one at least.
_SCALES: Final = {
    "ohm": ("Mohm", "kohm", "ohm"),
    "F": ("uF",),
    "V": ("kV", "V", "mV"),
    "A": ("A", "mA", "uA"),
    "s": ("s", "ms"),
}
_MOST: Final = 1e12  # beyond any setting, and any limit that is told, whatever its unit


def _positive(context: click.Context, param: click.Parameter, value: float | None) -> float | None:
    if value is not None and not 1 / _MOST < value < _MOST:
        fail(f"{param.opts[0]} {value:g} cannot be; give a number above zero", 2)
    return value


def _finite(context: click.Context, param: click.Parameter, value: float | None) -> float | None:
    if value is not None and not abs(value) < _MOST:
        fail(f"{param.opts[0]} {value:g} cannot be; give a number", 2)
    return value


def _share(context: click.Context, param: click.Parameter, value: float) -> float:
    if not 0 <= value < 1:
        fail(f"{param.opts[0]} {value:g} is no share; write 0.005 for 0.5 %", 2)
    return value


def _accuracy_option(name: str, of: str) -> Callable[[_Function], _Function]:
    text = f"Largest permissible error of {of}, as a share: 0.005 is 0.5 %.  [default: 0, exact]"
    return click.option(name, type=float, callback=_share, default=0.0, help=text)


@click.command()
@click.argument("record_path", metavar="RECORD.csv", type=click.Path(path_type=Path))
@click.option(
    "--source-ohm",
    type=float,
    callback=_positive,
    required=True,
    help="All resistance in series with the winding; of two coupling resistors, half of one.",
)
@click.option(
    "--pulse-v",
    type=float,
    callback=_positive,
    help="Amplitude of the pulse source.  [default: the levels of the column pulse_v]",
)
@click.option(
    "--period-s",
    type=float,
    callback=_positive,
    help="Pulse period, both halves; with a column pulse_v it can do without, but then a wrong "
    "--source-ohm goes unseen.",
)
@click.option(
    "--coupling",
    type=click.Choice(list(_TAPS)),
    default="negative",
    show_default=True,
    help="Where the pulse enters: at the negative end, or at the midpoint of two equal resistors.",
)
@click.option(
    "--field-v",
    type=float,
    callback=_finite,
    help="Field voltage while it was recorded; without it the location cannot be told.",
)
@_accuracy_option("--source-accuracy", "--source-ohm")
@_accuracy_option("--pulse-accuracy", "the pulse amplitude")
@_accuracy_option("--field-accuracy", "the field voltage, given or recorded")
@plot_option("record, fit, residuals and location")
@json_option
def command(
    record_path: Path,
    source_ohm: float,
    pulse_v: float | None,
    period_s: float | None,
    coupling: str,
    field_v: float | None,
    source_accuracy: float,
    pulse_accuracy: float,
    field_accuracy: float,
    picture_path: Path | None,
    as_json: bool,
) -> None:
    """Tell fault resistance and location from a recorded pulse current.

    RECORD.csv has a line that names its columns: time_s and current_a (positive out of the source
    into the winding), and where they were recorded field_voltage_v and pulse_v (the source's own
    voltage). A few periods are enough. Without pulse_v a period begins at time 0, positive half
    first.

    The location is 0 at the negative end of the winding and 1 at the positive end. Each
    uncertainty is the standard uncertainty (k = 1). Exit code 1: the resistance cannot be told.
    """
    field = None if field_v is None else Measured.within(field_v, field_accuracy)
    try:
        record = record_file.read(record_path, period_s, field)
        record = replace(record, field_scale_u=field_accuracy / math.sqrt(3))
        amplitude = Measured.within(
            pulse_v or record_file.amplitude_v(record_path, record), pulse_accuracy
        )
        source = Source(amplitude, Measured.within(source_ohm, source_accuracy), _TAPS[coupling])
        result = estimate(record, source)
    except record_file.RecordFileError as error:
        fail(str(error), 2)
    except RecordError as error:
        fail(f"{record_path}: {error}", 2)
    if as_json:
        click.echo(json.dumps(_plain(result), indent=1, ensure_ascii=False))
    else:
        _print(record_path, record, source, result)
    if picture_path is not None:
        _draw(picture_path, record, result)
    if _is_untold(result.fault_resistance_ohm):
        raise SystemExit(1)


def _is_untold(resistance: Estimate) -> bool:
    """Whether nothing is told: no value, 'above 0', or 'below 0' against the settings."""
    status = resistance.status
    return resistance.value is None or (bool(status.limit) and not status.is_good)


def _plain(result: PulseEstimate) -> dict[str, Any]:
    quantities = {
        "fault_resistance_ohm": (result.fault_resistance_ohm, "ohm"),
        "fault_location": (result.fault_location_pu, ""),
        "winding_capacitance_f": (result.winding_capacitance_f, "F"),
        "field_voltage_v": (result.field_voltage_v, "V"),
    }
    plain: dict[str, Any] = {name: _plain_one(*of) for name, of in quantities.items()}
    return {**plain, "flags": [f"{flag.kind}: {flag.text}" for flag in result.flags]}


def _plain_one(quantity: Estimate, unit: str) -> dict[str, Any]:
    limit = _limit(quantity)
    if limit is not None:
        doubt = "" if quantity.status.is_good else f", {quantity.status.name}"
        return {"value": None, "uncertainty": None, "status": f"{limit} {unit}".rstrip() + doubt}
    status = quantity.status.name
    return {"value": quantity.value, "uncertainty": quantity.u, "status": status}


def _limit(quantity: Estimate, factor: float = 1.0) -> str | None:
    """'above 12300' for 'at least', 'below ..' for 'at most'; rounded so that it stays true."""
    limit = quantity.status.limit
    if quantity.value is None or limit not in (Limit.HIGH, Limit.LOW):
        return None
    word, rounding = ("above", ROUND_FLOOR) if limit is Limit.HIGH else ("below", ROUND_CEILING)
    value = min(quantity.value, _MOST) / factor  # no current at all is 'at least' infinity
    number = Context(prec=3, rounding=rounding).create_decimal_from_float(value)
    return f"{word} {number:f}"


def _shown(quantity: Estimate, unit: str, least: float = 0.0) -> tuple[str, str]:
    """The number for people, and its unit, which fits a number of the size `least` at least."""
    if quantity.value is None:
        return "-", ""
    size = max(abs(quantity.value), quantity.u or 0.0, least)
    scaled = [(float(UNITS[name].factor), name) for name in _SCALES.get(unit, ())]
    factor, name = next((s for s in scaled if size >= s[0]), scaled[-1] if scaled else (1.0, unit))
    limit = _limit(quantity, factor)
    u = None if quantity.u is None else quantity.u / factor
    return limit or with_uncertainty(quantity.value / factor, u), name


def _print(path: Path, record: PulseRecord, source: Source, result: PulseEstimate) -> None:
    seconds = record.time_s[-1] - record.time_s[0]
    turns = len(result.reversals_s)
    click.echo(
        f"{path}: {record.time_s.size} rows in {seconds:.6g} s, of which "
        f"{result.used.sum()} count, with {turns} reversal{'' if turns == 1 else 's'}\n"
    )
    rows = [("QUANTITY", "VALUE ± STANDARD UNCERTAINTY", "UNIT", "STATUS")]
    settled = (result.current_positive_a, result.current_negative_a)
    largest_a = max(abs(current.value or 0.0) for current in settled)
    for name, quantity, unit in (
        ("fault resistance", result.fault_resistance_ohm, "ohm"),
        ("fault location, 0 negative end, 1 positive", result.fault_location_pu, ""),
        ("winding capacitance", result.winding_capacitance_f, "F"),
        ("field voltage", result.field_voltage_v, "V"),
        ("time constant", result.time_constant_s, "s"),
        ("settled current, source positive", settled[0], "A"),
        ("settled current, source negative", settled[1], "A"),
    ):
        shown = _shown(quantity, unit, largest_a if unit == "A" else 0.0)
        rows.append((name, *shown, quantity.status.name))
    noise = Estimate(GOOD, float(f"{result.noise_a:.2e}"))
    rows.append(("noise of one sample, rms", *_shown(noise, "A"), ""))
    print_columns(rows)
    click.echo()
    for text in [f"{flag.kind}: {flag.text}" for flag in result.flags] or ["none"]:
        click.echo(f"Flag: {text}")
    if record.period_s is None:
        click.echo("Without --period-s nothing checks --source-ohm: a wrong one goes unseen.")
    click.echo(
        "Several faults are told as one: their resistance in parallel, a place between them."
    )
    if record.field_voltage_v is None:
        click.echo("No field voltage, no location: give --field-v, or record field_voltage_v.")
    click.echo(_settings(record, source))
    click.echo("± is the standard uncertainty (k = 1); twice as much covers about 95 %.")
    click.echo(CAUTION)


def _settings(record: PulseRecord, source: Source) -> str:
    """What the result rests on besides the record."""
    settings = [
        ("pulse", source.amplitude_v, "V"),
        ("source", source.source_resistance_ohm, "ohm"),
    ]
    if isinstance(record.field_voltage_v, Measured):
        settings.append(("field voltage", record.field_voltage_v, "V"))
    elif record.field_voltage_v is not None:
        mean_v = float(record.field_voltage_v.mean())
        scale = Measured(mean_v, abs(mean_v) * record.field_scale_u)
        settings.append(("recorded field voltage", scale, "V"))
    words = []
    for name, of, unit in settings:
        within = of.u / abs(of.value) * math.sqrt(3) if of.u else 0.0
        known = f"within {within * 100:.3g} %" if within else "as exact"
        words.append(f"{name} {of.value:.6g} {unit} {known}")
    noise_alone = "; so each uncertainty is that of the record's noise alone"
    exact = "" if any(of.u for _, of, _ in settings) else noise_alone
    scales = f"The scale of the current and the clock of the record count as exact{exact}."
    return f"Settings: {', '.join(words)}.\n{scales}"


def _draw(path: Path, record: PulseRecord, result: PulseEstimate) -> None:
    from gateway.cli.solve_plot import draw

    number, unit = _shown(result.fault_resistance_ohm, "ohm")
    ohm = "not known" if number == "-" else f"{number} {unit}"
    factor = " (k = 1)" if "±" in number else ""
    title = f"Fault resistance {ohm}{factor}, {result.fault_resistance_ohm.status.name}"
    write_picture(path, draw(record, result, title))
