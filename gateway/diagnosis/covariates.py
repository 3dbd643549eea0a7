"""What a resistance may depend on: temperature, speed, load, as numbers or as operating states.

Refuses to decide whether it does: `gateway.diagnosis.patterns` does.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from gateway.diagnosis.rank_tests import mann_whitney
from gateway.diagnosis.trend_points import COVARIATE_NAMES, Point

_GRADES: Final = 25  # what differs by less of its span counts as the same; common practice
_APART: Final = 0.9  # chance that it is higher in one group than in the other, to tell them apart


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that the resistance may depend on, with the points at which it is known."""

    pattern: str
    name: str
    unit: str  # "" of a state
    words: tuple[str, str]  # low and high, of a state
    value: Callable[[str, Point], float | None]

    @property
    def is_state(self) -> bool:
        """Whether it is known as one of two states only, not as a number."""
        return self.words != ("", "")


def candidates(units: Sequence[str], *, by_running: bool, by_heat: bool) -> list[Candidate]:
    """Temperature, speed and load as numbers; as states where no tag gives the number."""
    found = []
    for place, name in enumerate(COVARIATE_NAMES[:3]):
        pattern = f"{name}-dependent"
        if units[place]:
            found.append(Candidate(pattern, name, units[place], ("", ""), covariate(place)))
        elif name == "speed" and by_running:
            words = ("at standstill", "when running")
            found.append(Candidate(pattern, "speed", "", words, _state_of("standstill", "running")))
        elif name == "temperature" and by_heat:
            words = ("when cold", "when hot")
            found.append(Candidate(pattern, "temperature", "", words, _state_of("cold", "hot")))
    return found


def covariate(place: int) -> Callable[[str, Point], float | None]:
    """The number at this place of COVARIATE_NAMES."""
    return lambda state, point: point.covariates[place]


def _state_of(low: str, high: str) -> Callable[[str, Point], float | None]:
    def value(state: str, point: Point) -> float | None:
        words = state.split()
        return 1.0 if high in words else 0.0 if low in words else None

    return value


def graded(x: Sequence[float]) -> list[float]:
    """Values with their noise taken off: ranks would give a speed that stands its noise's order."""
    low, span = min(x), max(x) - min(x)
    return [float(round(_GRADES * (a - low) / span)) for a in x] if span > 0 else list(x)


def tells_apart(
    candidate: Candidate, state: str, points: Sequence[Point], chosen: Sequence[bool]
) -> bool:
    """Whether the points that are chosen differ from the others in something that explains them."""
    at = [
        (v, c)
        for p, c in zip(points, chosen, strict=True)
        if (v := candidate.value(state, p)) is not None
    ]
    ours, others = [v for v, c in at if c], [v for v, c in at if not c]
    if not ours or not others:
        return False
    share = mann_whitney(ours, others).u / (len(ours) * len(others))
    return max(share, 1 - share) >= _APART
