"""The picture of a trend: archived resistance over time, lines of the states, limits of alarms.

Holds no state of the drawing library, and opens no file.
"""

from collections.abc import Sequence
from textwrap import wrap
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from gateway.cli.trend import NOTE
from gateway.diagnosis.caution import CAUTION
from gateway.site.alarm import LimitAlarm
from gateway.site.installed import Site
from gateway.site.model import Machine
from gateway.tags import Limit, Sample, Trend

_COLOURS: Final = ("#0b4f8a", "#b03a00", "#3a6b2a", "#6a3d9a", "#806000")
_DASHES: Final = ("-", "--", "-.", ":", (0, (6, 1, 1, 1, 1, 1)))
_INK: Final = "#202020"
_BELOW: Final = "\n".join([NOTE, *wrap(CAUTION, 110)])
_LEAST_OHM: Final = 1.0  # a logarithm has no zero
_DECADES_MOST: Final = 15.0  # a line that leaves the picture so far shows nothing
_DAY_NS: Final = 86_400 * 10**9  # dates are drawn as days since 1970


def draw(site: Site, machine: Machine, trend: Trend, samples: Sequence[Sample]) -> Figure:
    """The picture; `samples` are of the trend's tag, oldest first."""
    unit = next(t.unit for t in site.tags if t.tag == trend.tag)
    factor = 1.0 if unit is None else float(unit.factor)
    shown = unit.display if unit is not None else ""
    figure = Figure(figsize=(9.0, 6.0), layout="constrained")
    figure.suptitle(f"{site.name}, {machine.name}: {trend.tag}", fontsize=13, parse_math=False)
    axes = figure.add_subplot()
    axes.set_yscale("log")
    axes.set_ylabel(f"resistance, {shown}", parse_math=False)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.grid(which="major", color="#d8d8d8", linewidth=0.7)
    axes.set_axisbelow(True)
    _draw_values(axes, samples, _LEAST_OHM / factor)
    _draw_lines(axes, trend, factor)
    _draw_limits(axes, site, trend.tag, factor)
    axes.xaxis_date("UTC")
    axes.tick_params("x", labelrotation=20)
    axes.set_xlabel("time, UTC")
    figure.legend(
        loc="outside lower left", frameon=False, title=_BELOW, title_fontsize=8, ncols=2,
        alignment="left",
    )  # fmt: skip
    return figure


def _draw_values(axes: Axes, samples: Sequence[Sample], least: float) -> None:
    for limit, marker, label in (
        (Limit.NONE, ".", "measured"),
        (Limit.HIGH, "^", "at least"),
        (Limit.LOW, "v", "at most"),
    ):
        some = [s for s in samples if s.status.limit is limit and s.value is not None]
        if some:
            axes.plot(
                [s.time_ns / _DAY_NS for s in some],
                [max(float(s.value or 0.0), least) for s in some],
                marker, color="#9a9a9a", markersize=3, label=label,
            )  # fmt: skip


def _draw_lines(axes: Axes, trend: Trend, factor: float) -> None:
    """The line of each state, faint where it is no trend; `factor` takes the tag's unit to ohm."""
    for number, state in enumerate(trend.states):
        if state.decades_per_day is None or state.line_end_ohm is None:
            continue
        rise = state.decades_per_day * (state.to_ns - state.from_ns) / _DAY_NS
        if abs(rise) > _DECADES_MOST:
            continue
        end = state.line_end_ohm / factor
        begin = end / 10**rise
        is_trend = state.verdict in ("falling", "rising")
        axes.plot(
            [state.from_ns / _DAY_NS, state.to_ns / _DAY_NS],
            [begin, end],
            linestyle=_DASHES[number % len(_DASHES)],
            color=_COLOURS[number % len(_COLOURS)],
            linewidth=2 if is_trend else 0.8,
            alpha=1.0 if is_trend else 0.5,
            label=f"{state.state}: {state.verdict}",
        )


def _draw_limits(axes: Axes, site: Site, tag: str, factor: float) -> None:
    for alarm in site.file.alarms:
        if isinstance(alarm, LimitAlarm) and alarm.tag == tag and alarm.below is not None:
            value = alarm.below.si / factor
            axes.axhline(value, color=_INK, linewidth=0.8, dashes=(4, 3))
            axes.annotate(
                f"alarm {alarm.name}", (0.99, value), (0, 3), xycoords=("axes fraction", "data"),
                textcoords="offset points", fontsize=8, ha="right", parse_math=False,
            )  # fmt: skip
