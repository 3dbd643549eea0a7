"""The history of a light: how it has been, ever coarser towards the past, and how it went out.

All shares and times are practice, no source. Refuses to say why it went out: that is the business
of `gateway.diagnosis.optical_link`.
"""

from dataclasses import dataclass
from typing import Final

SPAN_NS: Final = 2 * 10**9  # the finest piece of the light's history
_REMEMBERED_NS: Final = 45 * 86_400 * 10**9
_THINNING: Final = 0.25  # a piece of the history is at most that share of its age long
_SPANS_MOST: Final = 96
_UNSEEN_NS: Final = 60 * 10**9  # a history that ends so long before does not tell how it went dark
_STEP_NS: Final = 8 * 10**9  # a light that took longer to fade did not go out at once
_SLOW_NS: Final = 45 * 10**9
_STEEP: Final = 1.5  # times `dark_below`: from above it straight into the dark is a step
_FULL: Final = 0.75  # of the best light: until then nothing had settled on it


@dataclass(frozen=True, slots=True)
class Span:
    """The lowest and highest light from `since_ns` on the chain's clock to the next span."""

    since_ns: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Dark:
    """How the link went dark: when, from which light, and within which time at most."""

    since_ns: int  # on the chain's clock
    utc_ns: int
    how: str  # "step", "slow", "unclear", "not seen"
    light_before: float = 0.0
    faded_ns: int = 0
    cause: str | None = None  # what it was found to be; '': what the link is there to tell
    why: str = ""


def continued(spans: tuple[Span, ...], light: float, clock_ns: int) -> tuple[Span, ...]:
    """The history with this light; the same object where that is nothing new."""
    newest = spans[-1] if spans else None
    if newest is None or clock_ns - newest.since_ns >= SPAN_NS:
        return _thinned((*spans, Span(clock_ns, light, light)), clock_ns)
    if newest.low <= light <= newest.high:
        return spans
    grown = Span(newest.since_ns, min(newest.low, light), max(newest.high, light))
    return (*spans[:-1], grown)


def went_dark(spans: tuple[Span, ...], dark_below: float, clock_ns: int, utc_ns: int) -> Dark:
    """How a light that is dark now went out; without a history it was not seen."""
    if not spans:
        return Dark(clock_ns, utc_ns, "not seen")
    before = spans[-1].low
    full = max(span.high for span in spans) * _FULL
    last_full = max(i for i, span in enumerate(spans) if span.high >= full)
    # At the latest; the light of the newest span may have been full until now.
    faded_since = min(last_full + 1, len(spans) - 1)
    faded_ns = clock_ns - spans[faded_since].since_ns
    if before >= _STEEP * dark_below or faded_ns <= _STEP_NS:
        within_ns = clock_ns - spans[-1].since_ns
        how = "step" if within_ns <= _UNSEEN_NS + _STEP_NS else "not seen"
        return Dark(clock_ns, utc_ns, how, before, within_ns)
    how = "slow" if faded_ns >= _SLOW_NS else "unclear"
    return Dark(clock_ns, utc_ns, how, before, faded_ns)


def _thinned(spans: tuple[Span, ...], now_ns: int) -> tuple[Span, ...]:
    """Spans joined with their elders until each is about `_THINNING` of its age long."""
    kept: list[Span] = []
    for i, span in enumerate(spans):
        end_ns = spans[i + 1].since_ns if i + 1 < len(spans) else now_ns
        if now_ns - end_ns > _REMEMBERED_NS:
            continue
        joined_ns = end_ns - kept[-1].since_ns if kept else 0
        if kept and joined_ns <= _THINNING * (now_ns - end_ns):
            old = kept[-1]
            kept[-1] = Span(old.since_ns, min(old.low, span.low), max(old.high, span.high))
        else:
            kept.append(span)
    return tuple(kept[-_SPANS_MOST:])
