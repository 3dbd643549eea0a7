"""Whether a number behaves like a live one: it has its noise, and does not jump.

Only measurements of now count: a break, a value held or one that says 'at least' tells nothing and
changes no verdict. A number out of the range of its tag can jump, but has no noise to be judged.
"""

from dataclasses import dataclass, replace
from math import isfinite, sqrt
from sys import float_info
from typing import Final

from gateway.signals.sampling import SignalState
from gateway.site.model import NumberSignal
from gateway.tags import UNCERTAIN_ENGINEERING_UNITS_EXCEEDED, Limit

# Over 50 values the standard deviation of a live one falls below half of the true one in less
# than 1e-7 of all cases (chi-square with 49 degrees of freedom).
_BLOCK: Final = 50
_ABSENT_SHARE: Final = 0.5
_JUMP_KEPT_NS: Final = 60 * 10**9  # how long a jump is told; common practice, no source


@dataclass(frozen=True, slots=True)
class Liveness:
    """The last measurement, the block of noise that is being filled, and the last verdicts."""

    at_ns: int | None = None  # of the last measurement, on the chain's clock
    value: float = 0.0
    count: int = 0
    mean: float = 0.0
    squares: float = 0.0  # sum of squared deviations from the mean
    noise: float | None = None  # standard deviation of the last full block
    jumped_ns: int | None = None
    jump: float = 0.0
    jump_s: float = 0.0  # within this time


class LiveValue:
    """The watch over one signal's noise and speed."""

    def __init__(self, signal: NumberSignal) -> None:
        unit = signal.unit
        noise, fastest = signal.expected_noise, signal.fastest_change
        self._unit = unit.name
        self._break_ns = round(signal.stale_after * 1e9)
        self._noise = noise.in_unit(unit) if noise is not None else None
        self._fastest = fastest.in_unit(unit) if fastest is not None else None

    @property
    def needed(self) -> bool:
        """Whether the site says anything that could be watched."""
        return self._noise is not None or self._fastest is not None

    def after(self, live: Liveness, state: SignalState) -> Liveness:
        """What is known after the newest measurement; the same object if there is none."""
        usable = state.usable
        if usable is None or state.trouble is not None or usable.at_ns == live.at_ns:
            return live
        # 'At least' is no number to compare; out of the range of the tag is one, but noise is not.
        in_range = usable.status.code != UNCERTAIN_ENGINEERING_UNITS_EXCEEDED
        if in_range and (usable.status.limit is not Limit.NONE or usable.status.is_uncertain):
            return replace(live, at_ns=None, count=0) if live.at_ns is not None else live
        value = float(usable.value)
        if live.at_ns is None or usable.at_ns - live.at_ns > self._break_ns:
            live = replace(live, count=0)
        else:
            live = self._jumped(live, value, usable.at_ns)
        if not in_range:
            live = replace(live, count=0)
        elif self._noise is not None:
            live = _filled(live, value)
        return replace(live, at_ns=usable.at_ns, value=value)

    def _jumped(self, live: Liveness, value: float, at_ns: int) -> Liveness:
        if self._fastest is None or live.at_ns is None:
            return live
        jump, within_s = abs(value - live.value), (at_ns - live.at_ns) / 1e9
        # The limit is one second's; polls that follow faster show no more of the change.
        if jump <= self._fastest * max(within_s, 1.0):
            return live
        return replace(live, jumped_ns=at_ns, jump=min(jump, float_info.max), jump_s=within_s)

    def found(self, live: Liveness, clock_ns: int) -> list[tuple[str, str]]:
        """Causes and details as it stands."""
        told = []
        if self._noise is not None and live.noise is not None:
            least = _ABSENT_SHARE * self._noise
            if live.noise < least:
                told.append(
                    (
                        "noise absent",
                        f"standard deviation {live.noise:.3g} {self._unit} over {_BLOCK} values, "
                        f"a live one has {self._noise:.3g} {self._unit}",
                    )
                )
        if live.jumped_ns is not None and clock_ns - live.jumped_ns <= _JUMP_KEPT_NS:
            told.append(
                (
                    "too fast change",
                    f"by {live.jump:.4g} {self._unit} within {live.jump_s:.2g} s, at most "
                    f"{self._fastest:.4g} {self._unit} in 1 s",
                )
            )
        return told


def _filled(live: Liveness, value: float) -> Liveness:
    """One more value in the block (Welford 1962); a full block gives its verdict."""
    if live.count == 0:
        return replace(live, count=1, mean=value, squares=0.0)
    count = live.count + 1
    away = value - live.mean
    mean = live.mean + away / count
    squares = live.squares + away * (value - mean)
    if not isfinite(squares):
        return replace(live, count=0, mean=0.0, squares=0.0)
    if count < _BLOCK:
        return replace(live, count=count, mean=mean, squares=squares)
    return replace(live, count=0, mean=0.0, squares=0.0, noise=sqrt(squares / (count - 1)))
