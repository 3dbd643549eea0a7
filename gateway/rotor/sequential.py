"""Watching the leakage of a winding for a change, and telling one more fault from a worse one.

Readings of (1/R, alpha/R) are compared with a baseline learnt from the first of them. One more
fault adds (1/R2, alpha2/R2) with alpha2 in the winding; a fault that worsens moves along its own
(1, alpha1); anything else is a fault that moved or healed, or a measurement that changed. Refuses
to name what the readings do not tell: a second fault at the very place of the first looks exactly
like a worse first one.

The test
--------
A generalised likelihood ratio over windows. For the last w readings, w = 1, 2, 4 ... up to the
length of the baseline, d = mean of the window - baseline has a known covariance C, and
d'*inverse(C)*d is chi-square with two degrees of freedom while nothing changes, whatever the
correlation between conductance and moment. Its tail is exp(-h/2) exactly, so with W windows and
h = 2*ln(W/p) a reading raises a false alarm with probability p at most (Bonferroni), and n
readings with n*p at most; hence on average no fewer than 1/(2*p) readings pass before the first
false alarm. Names use k standard uncertainties, two-sided, with k from the normal distribution at
p/W, so that per reading a fault which only worsens is called one more or moved, and one which only
moves is called one more, with probability p at most.

With the default tuning one more fault, half a winding away from the first, is told after 8, 4, 2
and 1 readings (median) and named after 47, 16, 6 and 2, when it adds 2, 3, 5 and 10 standard
uncertainties of one reading's conductance (simulated; moment 1.2 times as uncertain, r = 0.5).

This holds for independent, normal readings with the stated uncertainties. Uncertainty that all
readings share (of settings) has to be left out: it delays detection and makes false alarms rarer.
Filtered readings are not independent: thin them. Scatter beyond the stated uncertainty is
noticed while the baseline is learnt, and no change is named on it.

Source: window-limited generalised likelihood ratio of Willsky and Jones (1976) and Lai (1995),
windows in powers of two; the false-alarm bound is derived above.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from math import exp, isfinite, log, sqrt
from statistics import NormalDist
from typing import Final, NamedTuple, Self

from gateway.rotor.measured import Measured
from gateway.rotor.second_fault import Leakage

# A baseline gives a place of its own from here on, in u of its conductance: the test of direction
# is normal only where that quotient is (our choice; the same five as for a place from a pulse).
_TOLD: Final = 5.0
_LEAST_INDEPENDENT: Final = 1e-9  # 1 - r^2 of a reading below this cannot be inverted safely


class Kind(StrEnum):
    """What the readings say now, in words."""

    LEARNING = "the baseline is being learnt"
    SCATTER = "the readings scatter more than their uncertainty; the baseline is learnt anew"
    NO_CHANGE = "no change"
    FIRST_FAULT = "a fault where none could be told before"
    WORSENING = (
        "the same fault has worsened, or there is a second one at the same place, "
        "as far as can be told"
    )
    ONE_MORE = "one more fault, if the first is unchanged"
    OTHER = "the same fault has moved or healed, or the measurement has changed"
    UNDECIDED = "changed; in what way cannot be told yet"


@dataclass(frozen=True, slots=True)
class Tuning:
    """How readily a change is told.

    `false_alarm_probability` is p of the module's text, per reading. `baseline_readings` is the
    number of readings that make the baseline, and the length of the longest window.
    """

    false_alarm_probability: float = 1e-5
    baseline_readings: int = 64

    def __post_init__(self) -> None:
        if not 0 < self.false_alarm_probability < 1:
            raise ValueError(
                f"false-alarm probability per reading: {self.false_alarm_probability:g} is not "
                "between 0 and 1; 1e-5 gives at least 50000 readings between false alarms"
            )
        if self.baseline_readings < 2:
            raise ValueError(
                f"baseline: {self.baseline_readings} readings do not show any scatter; "
                "give two or more"
            )

    @property
    def windows(self) -> tuple[int, ...]:
        """Lengths of the windows: powers of two, up to the length of the baseline."""
        return tuple(2**k for k in range(self.baseline_readings.bit_length()))

    @property
    def threshold(self) -> float:
        """What the statistic must exceed: h = 2*ln(W/p)."""
        return 2 * log(len(self.windows) / self.false_alarm_probability)

    @property
    def factor(self) -> float:
        """Standard uncertainties beyond which a direction is told: k at p/W, two-sided."""
        return NormalDist().inv_cdf(1 - self.false_alarm_probability / len(self.windows) / 2)


@dataclass(frozen=True, slots=True)
class Weighed:
    """Readings as their inverse covariance [1/S^2] and that times their value [1/S]: these add."""

    gg: float
    gm: float
    mm: float
    g: float
    m: float

    @classmethod
    def of(cls, leakage: Leakage) -> Self:
        """Raises ValueError for a reading without uncertainty or with a number that is none."""
        g, m, c = leakage.conductance_s, leakage.moment_s, leakage.covariance_s2
        determinant = (g.u * m.u) ** 2 - c**2
        known = all(map(isfinite, (g.value, m.value, g.u, m.u, c)))
        if not known or not determinant > _LEAST_INDEPENDENT * (g.u * m.u) ** 2:
            raise ValueError(
                f"leakage {g.value:g} S (u {g.u:g}), moment {m.value:g} S (u {m.u:g}), "
                f"covariance {c:g} S^2: both need an uncertainty above zero and must not be fully "
                "correlated; give each its repeatability"
            )
        gg, gm, mm = m.u**2 / determinant, -c / determinant, g.u**2 / determinant
        return cls(gg, gm, mm, gg * g.value + gm * m.value, gm * g.value + mm * m.value)

    def __add__(self, other: Self) -> Self:
        return replace(
            self,
            gg=self.gg + other.gg,
            gm=self.gm + other.gm,
            mm=self.mm + other.mm,
            g=self.g + other.g,
            m=self.m + other.m,
        )


@dataclass(frozen=True, slots=True)
class Watch:
    """Everything that is remembered: plain numbers, never more readings than the baseline has."""

    tuning: Tuning = Tuning()
    baseline: Weighed | None = None
    recent: tuple[Weighed, ...] = ()


@dataclass(frozen=True, slots=True)
class Change:
    """What the readings say now.

    `difference` is the leakage that was added, as the mean of the `readings` last readings shows
    it (too small while some of them are older than the change). `resolved_pu` is how far from the
    first fault a second one of this size must lie to be told from a worse first one. All three
    are None where there is no change or no first fault.
    """

    kind: Kind
    difference: Leakage | None = None
    readings: int | None = None
    resolved_pu: float | None = None


def step(watch: Watch, reading: Leakage) -> tuple[Watch, Change]:
    """One more reading: what to remember, and what is to be said.

    A change that has been told is told again at every reading until a new Watch is begun.

    Raises ValueError for a reading without uncertainty.
    """
    recent = (*watch.recent, Weighed.of(reading))[-watch.tuning.baseline_readings :]
    if watch.baseline is not None:
        return replace(watch, recent=recent), _judged(watch.tuning, watch.baseline, recent)
    if len(recent) < watch.tuning.baseline_readings:
        return replace(watch, recent=recent), Change(Kind.LEARNING)
    if _chance_of_scatter(recent) < watch.tuning.false_alarm_probability:
        return replace(watch, recent=()), Change(Kind.SCATTER)
    return replace(watch, baseline=_sum(recent), recent=()), Change(Kind.LEARNING)


class _Normal(NamedTuple):
    """A mean with its covariance: conductance, moment, variances and covariance."""

    g: float
    m: float
    vgg: float
    vgm: float
    vmm: float


def _sum(readings: Iterable[Weighed]) -> Weighed:
    first, *others = readings
    return sum(others, start=first)


def _mean(weighed: Weighed) -> _Normal:
    determinant = weighed.gg * weighed.mm - weighed.gm**2
    vgg, vgm, vmm = (x / determinant for x in (weighed.mm, -weighed.gm, weighed.gg))
    return _Normal(
        vgg * weighed.g + vgm * weighed.m, vgm * weighed.g + vmm * weighed.m, vgg, vgm, vmm
    )


def _difference(one: _Normal, other: _Normal) -> _Normal:
    return _Normal(
        one.g - other.g,
        one.m - other.m,
        one.vgg + other.vgg,
        one.vgm + other.vgm,
        one.vmm + other.vmm,
    )


def _statistic(d: _Normal) -> float:
    """How far from nothing, as chi-square with two degrees of freedom."""
    numerator = d.vmm * d.g**2 - 2 * d.vgm * d.g * d.m + d.vgg * d.m**2
    return numerator / (d.vgg * d.vmm - d.vgm**2)


def _chance_of_scatter(readings: tuple[Weighed, ...]) -> float:
    """Probability of at least this scatter around the common mean, if all u are right.

    Chi-square with 2*(n - 1) degrees of freedom, an even number, so its tail is a finite sum.
    """
    centre = _mean(_sum(readings))
    chi = 0.0
    for reading in readings:
        one = _mean(reading)
        g, m = one.g - centre.g, one.m - centre.m
        chi += reading.gg * g**2 + 2 * reading.gm * g * m + reading.mm * m**2
    term = tail = exp(-chi / 2)
    for k in range(1, len(readings) - 1):
        term *= chi / 2 / k
        tail += term
    return tail


def _judged(tuning: Tuning, baseline: Weighed, recent: tuple[Weighed, ...]) -> Change:
    before = _mean(baseline)
    lengths = set(tuning.windows)
    best, length, after, d = 0.0, 0, before, before
    weighed: Weighed | None = None
    for count, reading in enumerate(reversed(recent), start=1):
        weighed = reading if weighed is None else weighed + reading
        if count not in lengths:
            continue
        window = _mean(weighed)
        difference = _difference(window, before)
        statistic = _statistic(difference)
        if statistic > best:
            best, length, after, d = statistic, count, window, difference
    if best <= tuning.threshold:
        return Change(Kind.NO_CHANGE)
    k = tuning.factor
    grown, shrunk = d.g > k * sqrt(d.vgg), d.g < -k * sqrt(d.vgg)
    kind, resolved = Kind.FIRST_FAULT, None
    if before.g > _TOLD * sqrt(before.vgg):
        turned, u_turned = _turned(before, after)
        kind = Kind.ONE_MORE if abs(turned) > k * u_turned else Kind.WORSENING
        resolved = k * u_turned / (before.g * d.g) if grown else None
    if shrunk or (kind != Kind.WORSENING and _outside(d, k)):
        kind = Kind.OTHER
    elif not grown:
        kind = Kind.UNDECIDED
    leakage = Leakage(Measured(d.g, sqrt(d.vgg)), Measured(d.m, sqrt(d.vmm)), d.vgm)
    return Change(kind, leakage, length, resolved)


def _outside(d: _Normal, k: float) -> bool:
    """Whether what was added lies outside the winding, where 0 <= moment <= conductance."""
    u_beyond = sqrt(max(d.vmm + d.vgg - 2 * d.vgm, 0.0))
    return d.m < -k * sqrt(d.vmm) or d.m - d.g > k * u_beyond


def _turned(before: _Normal, after: _Normal) -> tuple[float, float]:
    """How far the place has moved, times both conductances [S^2], with its uncertainty.

    A product instead of a difference of quotients: it is zero for every pure worsening, and more
    nearly normal. The last three terms are those of second order, exact for normal readings.
    """
    value = after.m * before.g - after.g * before.m
    variance = (
        before.g**2 * after.vmm
        + before.m**2 * after.vgg
        - 2 * before.g * before.m * after.vgm
        + after.m**2 * before.vgg
        + after.g**2 * before.vmm
        - 2 * after.m * after.g * before.vgm
        + after.vmm * before.vgg
        + after.vgg * before.vmm
        - 2 * after.vgm * before.vgm
    )
    return value, sqrt(variance)
