"""The picture of what a detector can see: resistance over location, blind zones hatched.

Drawn to be read without colour: lines differ by their dashes, zones by their hatching. Holds no
state of the drawing library, and opens no file.
"""

from collections.abc import Iterable, Sequence
from math import floor, isfinite, log10
from textwrap import wrap
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from gateway.cli.sensitivity import NOTE, Curve
from gateway.diagnosis.caution import CAUTION
from gateway.rotor.sensitivity import Sensitivity

_DASHES: Final = ((0.0, ()), (0.0, (4.0, 1.5)), (0.0, (1.0, 1.2)))
_HATCHES: Final = ("//", "\\\\", "..")
_COLOURS: Final = ("#0b4f8a", "#b03a00", "#3a6b2a")
_INK: Final = "#202020"
_K: Final = 2.0  # of the bands: about 95 %
# Below this a fault is as good as a dead short to any detector (our choice).
_LEAST_OHM: Final = 100.0
_SPAN_LEAST: Final = 30.0  # of the axis, highest to lowest
_SPAN_MOST: Final = 1e4
_STEPS: Final = 20  # down to the edge of a blind zone
_BELOW: Final = "\n".join(
    [
        f"A fault below its line is seen. Shaded: ± {_K:g} standard uncertainties.",
        NOTE,
        *wrap(CAUTION, 110),
    ]
)


def draw(
    title: str,
    settings: str,
    curves: Sequence[Curve],
    limits: Sequence[tuple[str, float]],
) -> Figure:
    """The picture; `limits` are alarm limits by name, in ohm."""
    figure = Figure(figsize=(9.0, 7.0), layout="constrained")
    figure.suptitle(title, fontsize=13, parse_math=False)
    axes = figure.add_subplot()
    axes.set_title(settings, fontsize=9, parse_math=False)
    axes.set_xlim(0.0, 1.0)
    axes.set_yscale("log")
    axes.set_ylim(*_span_ohm(curves, [ohm for _, ohm in limits]))
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda ohm, _: f"{ohm / 1e3:g}"))
    axes.set_xticks([i / 10 for i in range(11)])
    axes.set_xlabel("location of the fault: 0 at the negative end, 1 at the positive end")
    axes.set_ylabel("highest fault resistance seen, kΩ")
    axes.grid(which="major", color="#d8d8d8", linewidth=0.7)
    axes.set_axisbelow(True)
    merged = _merged(curves)
    legend = [h for i, curve in enumerate(merged) for h in _curve(axes, i, curve)]
    if not any(_seen_ohm(curve.seen) for curve in merged):
        _say_nothing_is_seen(axes, merged[0])
    for name, ohm in limits:
        axes.axhline(ohm, color=_INK, linewidth=0.8, dashes=(1, 3))
        axes.annotate(
            f"alarm {name}", (0.99, ohm), (0, 5), textcoords="offset points", fontsize=8,
            ha="right", parse_math=False,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1},
        )  # fmt: skip
    figure.legend(
        handles=legend, loc="outside lower left", frameon=False, alignment="left",
        title=_BELOW, title_fontsize=9,
    )  # fmt: skip
    return figure


def _merged(curves: Sequence[Curve]) -> list[Curve]:
    """Curves that lie on each other as one with all their names."""
    found: dict[object, Curve] = {}
    for curve in curves:
        key = (curve.seen.reaches, curve.seen.blind_zone)
        names = f"{found[key].name} and {curve.name}" if key in found else curve.name
        found[key] = Curve(names, curve.seen)
    return list(found.values())


def _seen_ohm(seen: Sensitivity) -> list[tuple[float, float, float]]:
    """Location, reach and its uncertainty wherever there is a number to draw."""
    return [
        (reach.location_pu, reach.highest_ohm.value, reach.highest_ohm.u)
        for reach in seen.reaches
        if reach.highest_ohm is not None and isfinite(reach.highest_ohm.value)
    ]


def _span_ohm(curves: Iterable[Curve], limits_ohm: Sequence[float]) -> tuple[float, float]:
    """Lowest and highest resistance of the axis: all there is to draw, or the upper part of it."""
    there = [ohm for curve in curves for _, ohm, _ in _seen_ohm(curve.seen)] + [*limits_ohm]
    top = 1.6 * max(max(there, default=0.0), 10 * _LEAST_OHM)
    least = max(min(there, default=0.0), _LEAST_OHM, 1.5 * top / _SPAN_MOST)
    return 10.0 ** floor(log10(min(least / 1.5, top / _SPAN_LEAST))), top


def _curve(axes: Axes, number: int, curve: Curve) -> list[Line2D | Patch]:
    """Draw one curve; what the legend says of it."""
    colour, dashes = _COLOURS[number], _DASHES[number]
    name = f"at {curve.name}"
    zone = curve.seen.blind_zone
    if not _seen_ohm(curve.seen):
        return [Patch(fill=False, linewidth=0, label=f"{name}: {curve.remark}")]
    for part in _parts(curve.seen):
        places, ohms, u = zip(*part, strict=True)
        floor_ohm = axes.get_ylim()[0] / 10  # a logarithm has no zero
        low, high = (
            [max(ohm + side * _K * s, floor_ohm) for ohm, s in zip(ohms, u, strict=True)]
            for side in (-1, 1)
        )
        axes.fill_between(places, low, high, color=colour, alpha=0.2, linewidth=0)
        drawn = [max(ohm, floor_ohm) for ohm in ohms]
        axes.plot(places, drawn, linestyle=dashes, color=colour, linewidth=2.0)
    line = Line2D([], [], linestyle=dashes, color=colour, linewidth=2.0, label=name)
    if zone is None:
        return [line]
    hatched: dict[str, Any] = {
        "facecolor": "none",
        "edgecolor": colour,
        "hatch": _HATCHES[number],
        "hatch_linewidth": 0.6,
    }
    axes.axvspan(zone.start_pu, zone.end_pu, zorder=0.9, **hatched)
    return [line, Patch(**hatched, label=f"{name}: {curve.remark}, even to a dead short")]


def _parts(seen: Sensitivity) -> list[list[tuple[float, float, float]]]:
    """What is seen on either side of a blind zone, up to its edge.

    Next to its edge a reach is linear in the location, and zero on the edge itself.
    """
    rows, zone = _seen_ohm(seen), seen.blind_zone
    if zone is None:
        return [rows]
    found = []
    left = [row for row in rows if row[0] <= zone.start_pu]
    right = [row for row in rows if row[0] >= zone.end_pu]
    for rest, edge_pu in ((left, zone.start_pu), (right[::-1], zone.end_pu)):
        if rest:
            place, ohm, u = rest[-1]
            shares = [10 ** (-i / 4) for i in range(1, _STEPS)] + [0.0]
            found.append(rest + [(edge_pu + (place - edge_pu) * s, ohm * s, u) for s in shares])
    return found


def _say_nothing_is_seen(axes: Axes, curve: Curve) -> None:
    if not curve.seen.sees_healthy:
        axes.axvspan(0, 1, facecolor="none", edgecolor=_COLOURS[0], hatch=_HATCHES[0])
    axes.text(
        0.5, 0.5, curve.remark, transform=axes.transAxes, ha="center", va="center", fontsize=12,
        bbox={"facecolor": "white", "edgecolor": _INK, "boxstyle": "round,pad=0.5"},
    )  # fmt: skip
