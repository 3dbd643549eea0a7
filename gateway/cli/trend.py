"""`rotor-gateway trend SITE [MACHINE]`: how the resistance moves, state by state."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import click

from gateway.archive.history import history
from gateway.archive.layout import StoreError
from gateway.cli.columns import print_columns
from gateway.cli.history import timestamp
from gateway.cli.newest import newest_frames, no_word, not_running
from gateway.cli.options import (
    fail,
    json_option,
    load_site,
    site_argument,
    state_of,
    state_option,
)
from gateway.cli.picture import plot_option, write_picture
from gateway.diagnosis.caution import CAUTION
from gateway.service.field_side import ARCHIVE
from gateway.service.wall import WALL
from gateway.site.explain import did_you_mean
from gateway.site.installed import Site
from gateway.site.model import Machine
from gateway.tags import Forecast, StateTrend, Trend

NOTE: Final = "A forecast extends a line; insulation may fail sooner."
_EXAMPLE: Final = "    trend: {resistance: TAG, temperature: TAG, interval: 1 h}"
_ROWS_MOST: Final = 200_000  # of the archive, in a picture


@click.command()
@site_argument
@click.argument("machine", required=False)
@state_option
@plot_option("the archived resistance of one machine with its trend and its limits")
@json_option
def command(
    site_path: Path,
    machine: str | None,
    state_dir: Path | None,
    picture_path: Path | None,
    as_json: bool,
) -> None:
    """Print trend, forecasts and patterns of the resistance, from a running gateway.

    MACHINE: all whose site file asks for a trend, where none is named. A trend is that of
    log10(resistance) in one operating state; its interval is one of 95 %.
    """
    site = load_site(site_path)
    machines = _watched(site, site_path, machine)
    if picture_path is not None and len(machines) > 1:
        fail(f"--plot draws one machine; name one of {', '.join(m.name for m in machines)}", 2)
    state = state_of(site_path, state_dir)
    wall = state / WALL
    if not wall.exists():
        fail(not_running(wall))
    frames = newest_frames(site, wall)
    trends = {m.name: frames[m.name].trend for m in machines if m.name in frames}
    if as_json:
        told = [{"machine": name, **(_plain(t) if t else {})} for name, t in trends.items()]
        click.echo(json.dumps(told, indent=1))
    else:
        for owner in machines:
            if owner.name in trends:
                _print(site, owner, trends[owner.name])
        if trends:
            click.echo(f"{NOTE}\n{CAUTION}")
    missing = [m.name for m in machines if m.name not in trends]
    if missing:
        fail(no_word(missing, wall))
    if picture_path is not None:
        _draw(picture_path, state / ARCHIVE, site, machines[0], trends[machines[0].name])


def _watched(site: Site, site_path: Path, name: str | None) -> list[Machine]:
    names = [m.name for m in site.file.machines]
    if name is not None and name not in names:
        fail(f"there is no machine {name!r} in {site_path}{did_you_mean(name, names)}", 2)
    asked = [m for m in site.file.machines if name in (None, m.name)]
    found = [m for m in asked if m.trend is not None]
    if not found:
        whose = f"machine {name}" if name else "no machine"
        asks = "asks for no trend" if name else "asks for a trend"
        fail(f"{site_path}: {whose} {asks}; give it one:\n{_EXAMPLE}", 2)
    return found


def _plain(trend: Trend) -> dict[str, Any]:
    """As JSON: times as text, everything else as it is."""
    told = asdict(trend)
    for state in told["states"]:
        state["from"], state["to"] = (timestamp(state.pop(k)) for k in ("from_ns", "to_ns"))
    for pattern in told["patterns"]:
        pattern["since"] = timestamp(pattern.pop("since_ns"))
    return told


def _print(site: Site, machine: Machine, trend: Trend | None) -> None:
    if trend is None:
        every_s = machine.trend.interval if machine.trend else 0.0
        every = f"{every_s / 3600:g} h" if every_s >= 3600 else f"{every_s:g} s"
        click.echo(f"{machine.name}: no trend point yet; one is made every {every}\n")
        return
    click.echo(f"{machine.name}: {trend.tag}")
    head = ("STATE", "POINTS", "FROM", "TO", "VERDICT", "A DAY", "95 %", "P")
    print_columns([head, *map(_row, trend.states)])
    units = {t.tag: t.unit.name for t in site.tags if t.unit is not None}
    tags = {a.name: getattr(a, "tag", "") for a in site.file.alarms}
    for state in trend.states:
        for forecast in state.forecasts:
            unit = units.get(tags.get(forecast.alarm, ""), "")
            click.echo(f"{state.state}: {_when(forecast, unit)}")
    for pattern in trend.patterns:
        click.echo(f"{pattern.pattern}, since {timestamp(pattern.since_ns)}: {pattern.figures}")
    if not trend.patterns:
        click.echo("no pattern found")
    click.echo()


def _row(state: StateTrend) -> tuple[str, ...]:
    slope, low, high = (
        _a_day(d)
        for d in (state.decades_per_day, state.low_decades_per_day, state.high_decades_per_day)
    )
    return (
        state.state,
        str(state.points),
        timestamp(state.from_ns)[:16],
        timestamp(state.to_ns)[:16],
        state.verdict,
        slope,
        f"{low} to {high}" if slope != "-" else "-",
        "-" if state.p_value is None else f"{state.p_value:.2g}",
    )


def _a_day(decades: float | None) -> str:
    """Decades as a share; beyond all shares as decades."""
    if decades is None:
        return "-"
    if abs(decades) > 1:
        return f"{decades:+.3g} decades"
    return f"{100 * (10**decades - 1):+.3g} %"


def _when(forecast: Forecast, unit: str) -> str:
    limit = f"{forecast.alarm} ({forecast.limit:g} {unit})"
    if forecast.likely_days is None:
        return f"does not reach {limit} as it falls now"
    latest = "not at all" if forecast.latest_days is None else _within(forecast.latest_days)
    earliest = "-" if forecast.earliest_days is None else _within(forecast.earliest_days)
    return (
        f"reaches {limit} in {_within(forecast.likely_days)} from its last point; "
        f"earliest {earliest}, latest {latest}"
    )


def _draw(path: Path, archive: Path, site: Site, machine: Machine, trend: Trend | None) -> None:
    from gateway.cli.trend_plot import draw  # slow to load, and rarely wanted

    if trend is None or not trend.states:
        fail(f"{machine.name}: there is no trend to draw yet; draw it when there are points")
    since_ns = min((s.from_ns for s in trend.states if s.points), default=0)
    until_ns = max(s.to_ns for s in trend.states) + 1
    # A point carries the time of its last value; a step takes in what was measured before it.
    margin_ns = round(machine.trend.interval * 1e9) if machine.trend else 0
    try:
        rows = [
            row.sample
            for row in history(
                archive, trend.tag, since_ns - margin_ns, until_ns + margin_ns, _ROWS_MOST
            )
            if row.sample.measured_now
        ]
    except StoreError as error:
        fail(str(error))
    write_picture(path, draw(site, machine, trend, rows))
    click.echo(f"{path}: {len(rows)} archived values from {timestamp(since_ns)}")


def _within(days: float) -> str:
    """A time in words, in the largest unit of which it has at least one."""
    for unit, length_days in (("d", 1.0), ("h", 1 / 24), ("min", 1 / 1440)):
        if days >= length_days:
            return f"{days / length_days:.3g} {unit}"
    return f"{days * 86400:.3g} s"
