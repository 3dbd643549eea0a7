"""The picture of a solved record: the current with its fit, the residuals, the place on a winding.

Drawn to be read without colour. Holds no state of the drawing library, and opens no file.
"""

import textwrap
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch, Rectangle

from gateway.diagnosis.caution import CAUTION
from gateway.report.numbers import with_uncertainty
from gateway.rotor.measured import Estimate
from gateway.rotor.pulse_record import Booleans, Floats, PulseEstimate, PulseRecord

_K: Final = 2.0  # of the mark's width: about 95 %
# A picture has no room for more; every n-th sample is drawn, and all that do not count.
_POINTS_MOST: Final = 20_000
_CROSSES_LARGE: Final = 100
# Marks of places outside the winding end beside its rings, and leave their names free.
_BESIDE_PU: Final = 0.04
_LINE_LETTERS: Final = 125
_COILS: Final = 8
_INK: Final = "#202020"
_SAMPLE: Final = "#8a8a8a"
_FIT: Final = "#0b4f8a"
_AWAY: Final = "#b03a00"


def draw(record: PulseRecord, result: PulseEstimate, title: str) -> Figure:
    """The picture."""
    words = _words(result)
    below_in = 0.25 + 0.17 * len(words)
    figure = Figure(figsize=(10.0, 8.6 + below_in), layout="constrained")
    figure.suptitle(title, fontsize=13, parse_math=False)
    rows = figure.add_gridspec(4, 1, height_ratios=[3.6, 1.9, 2.3, below_in])
    current = figure.add_subplot(rows[0])
    _draw_record(current, record, result)
    residuals = figure.add_subplot(rows[1], sharex=current)
    _draw_residuals(residuals, record, result)
    _draw_winding(figure.add_subplot(rows[2]), result.fault_location_pu)
    footer = figure.add_subplot(rows[3])
    footer.axis("off")
    text = "\n".join(words)
    footer.text(0, 1, text, va="top", fontsize=9, linespacing=1.3, parse_math=False)
    return figure


def _words(result: PulseEstimate) -> list[str]:
    """Every flag, and the caution, in lines that the picture has room for."""
    flags = [f"{flag.kind}: {flag.text}" for flag in result.flags] or ["No flags."]
    return [line for text in (*flags, CAUTION) for line in textwrap.wrap(text, _LINE_LETTERS)]


def _scale(currents_a: Floats) -> tuple[float, str]:
    """Factor to ampere and name of a unit in which these currents are not all below one."""
    largest_a = float(np.max(np.abs(currents_a), initial=0.0))
    scales = ((1.0, "A"), (1e-3, "mA"), (1e-6, "µA"))
    return next((scale for scale in scales if largest_a >= scale[0]), scales[-1])


def _drawn(used: Booleans) -> Booleans:
    """Which of the samples that count are drawn."""
    drawn = np.zeros_like(used)
    drawn[:: -(-used.size // _POINTS_MOST)] = True
    return drawn & used


def _draw_record(axes: Axes, record: PulseRecord, result: PulseEstimate) -> None:
    factor, unit = _scale(record.current_a)
    drawn, away = _drawn(result.used), ~result.used
    for i, reversal_s in enumerate(result.reversals_s):
        label = "reversal" if i == 0 else None
        axes.axvline(reversal_s, color=_SAMPLE, linestyle=":", linewidth=1.0, label=label)
    _plot_samples(axes, record.time_s, record.current_a / factor, drawn, away)
    if np.isfinite(result.fitted_a).any():
        fitted = result.fitted_a / factor
        axes.plot(record.time_s, fitted, "-", color=_FIT, linewidth=1.3, label="fit")
    axes.set_ylabel(f"current, {unit}")
    axes.tick_params(labelbottom=False)
    _legend(axes)


def _draw_residuals(axes: Axes, record: PulseRecord, result: PulseEstimate) -> None:
    residuals_a = record.current_a - result.fitted_a
    fitted = np.isfinite(residuals_a)
    axes.set_xlabel("time, s")
    if not fitted.any():
        axes.set_yticks([])
        axes.set_ylabel("residual")
        _say(axes, "no fit, no residuals")
        return
    used = fitted & result.used
    factor, unit = _scale(residuals_a[used])
    scaled = np.nan_to_num(residuals_a) / factor
    _plot_samples(axes, record.time_s, scaled, _drawn(used), fitted & ~result.used)
    noise = _K * result.noise_a / factor
    axes.axhline(0.0, color=_FIT, linewidth=1.0)
    for i, level in enumerate((noise, -noise)):
        label = "noise, ± 2 rms" if i == 0 else None
        axes.axhline(level, color=_INK, linestyle="--", linewidth=0.8, label=label)
    # What does not count may lie far away, and would hide all the others.
    most = 1.15 * max(float(np.max(np.abs(scaled[used]), initial=0.0)), noise)
    if most > 0:
        axes.set_ylim(-most, most)
    axes.set_ylabel(f"residual, {unit}")
    _legend(axes)


def _plot_samples(
    axes: Axes, times_s: Floats, values: Floats, drawn: Booleans, away: Booleans
) -> None:
    axes.plot(times_s[drawn], values[drawn], ".", color=_SAMPLE, markersize=3, label="samples")
    if away.any():
        label = "samples that do not count"
        size = 6 if np.count_nonzero(away) < _CROSSES_LARGE else 3
        axes.plot(times_s[away], values[away], "x", color=_AWAY, markersize=size, label=label)


def _draw_winding(axes: Axes, location: Estimate) -> None:
    """The winding, developed: its coils in a row from the negative ring to the positive ring."""
    axes.set_xlim(-0.16, 1.16)
    axes.set_ylim(-0.75, 1.3)
    axes.set_yticks([])
    axes.set_xticks(np.linspace(0, 1, 11))
    axes.set_xlabel("place in the winding: 0 at its negative end, 1 at its positive end")
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    pitch = 1 / _COILS
    for i in range(_COILS):
        for turn in range(3):
            inset = pitch * (0.1 + 0.12 * turn)
            shape = (pitch * i + inset, 0.12 * turn), pitch - 2 * inset, 1.0 - 0.24 * turn
            rounded = f"round,pad=0,rounding_size={pitch * 0.14}"
            coil = FancyBboxPatch(*shape, boxstyle=rounded, fill=False, edgecolor=_INK)
            axes.add_patch(coil)
        # The leads from the ring, from coil to coil, and to the other ring.
        axes.plot([pitch * (i - 0.1), pitch * (i + 0.1)], [0.3, 0.3], "-", color=_INK)
    axes.plot([pitch * (_COILS - 0.1), 1 + pitch * 0.1], [0.3, 0.3], "-", color=_INK)
    for left, beside, align, name in (
        (-0.035, -0.047, "right", "−\nnegative\nring"),
        (1.0125, 1.047, "left", "+\npositive\nring"),
    ):
        axes.add_patch(Rectangle((left, -0.1), 0.0225, 1.2, facecolor="#d8d8d8", edgecolor=_INK))
        axes.text(beside, 0.5, name, fontsize=9, ha=align, va="center")
    _mark(axes, location)


def _mark(axes: Axes, location: Estimate) -> None:
    if location.value is None or location.u is None:
        _say(axes, "location not known")
        return
    reach = _K * location.u
    left, right, place = (
        min(max(pu, -_BESIDE_PU), 1.0 + _BESIDE_PU)
        for pu in (location.value - reach, location.value + reach, location.value)
    )
    band = Rectangle((left, -0.25), right - left, 1.45, hatch="////", fill=False, edgecolor=_AWAY)
    axes.add_patch(band)
    axes.plot([place, place], [-0.25, 1.2], "-", color=_AWAY, linewidth=2.0)
    axes.plot([place], [1.2], "v", color=_AWAY, markersize=9)
    text = f"{with_uncertainty(location.value, reach)} (k = 2), {location.status.name}"
    axes.text(min(max(place, 0.2), 0.8), -0.5, text, ha="center", va="center", fontsize=11)


def _say(axes: Axes, text: str) -> None:
    """One sentence in the middle of axes that have nothing else to show there."""
    box = {"facecolor": "white", "edgecolor": _INK, "boxstyle": "round,pad=0.5"}
    axes.text(
        0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", fontsize=12, bbox=box
    )


def _legend(axes: Axes) -> None:
    """Above the axes, where it hides no sample."""
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, frameon=False, borderaxespad=0.1
    )
