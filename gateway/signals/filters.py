"""Median of the last values, then a first-order lag. Both forget at a break in the data."""

from dataclasses import dataclass
from math import exp
from statistics import median

from gateway.site.model import Filter


@dataclass(frozen=True, slots=True)
class FilterState:
    """The last values and the output of the lag."""

    window: tuple[float, ...] = ()
    output: float | None = None


def apply(
    state: FilterState, value: float, elapsed_ns: int, settings: Filter
) -> tuple[FilterState, float]:
    """State and filtered value after one more value, `elapsed_ns` after the last one.

    The lag is exact for a value that stood still in between: 1 - exp(-dt/T) of the way.
    """
    window = (*state.window, value)[-settings.median :]
    middle = median(window)
    if state.output is None or settings.time_constant == 0:
        output = middle
    else:
        share = 1 - exp(-elapsed_ns / 1e9 / settings.time_constant)
        output = state.output + share * (middle - state.output)
    return FilterState(window, output), output
