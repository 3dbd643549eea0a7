"""How near the pulse estimator comes to what is possible, and how honest it is about it.

Records are drawn from seeds over resistances of 0.5 kohm to 20 Mohm, all places, 0.05 to 5 uF,
sources of 5 to 100 kohm and 10 to 100 V, periods of 1 to 20 s, noise of 1e-5 to 1e-3 of the full
current. `tests/benchmarks/bench_pulse_estimator.py` does the same with more of them, and prints it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from gateway.rotor.measured import Estimate
from gateway.rotor.pulse_estimator import RecordError, estimate
from gateway.rotor.pulse_record import FlagKind
from gateway.tags import Limit
from tests.rotor.bound import CLEAN, KINDS, Bound, Drawn, cramer_rao, drawn, slopes_of
from tests.rotor.records import Rotor, Sampling

RECORDS = 2500
MOST_RMS = 1.2
COVERED = (0.93, 0.97)
GROSS = 6.0  # standard uncertainties: three times the expanded one
_ENOUGH = 30  # records that make a part

# The name of the estimate, and of the same thing in Rotor and Bound.
QUANTITIES = {
    "fault_resistance_ohm": "fault_ohm",
    "fault_location_pu": "place_pu",
    "winding_capacitance_f": "capacitance_f",
}


@dataclass(frozen=True, slots=True)
class Told:
    """One quantity of one record. `limit` is the estimate's, `missed` is set for a wrong one.

    Errors are counted in the estimator's own standard uncertainty, and in the bounds with and
    without an unknown drift; None where no uncertainty was told.
    """

    number: int
    quantity: str
    by_u: float | None
    by_bound: float | None
    by_bound_without_drift: float | None
    limit: Limit
    missed: bool
    flagged: bool

    @property
    def is_gross(self) -> bool:
        return self.missed if self.by_u is None else not abs(self.by_u) <= GROSS


@dataclass(frozen=True, slots=True)
class Judged:
    """A record and what was told of it; nothing where it was refused."""

    number: int
    kind: str
    half_cycle_taus: float
    fault_ohm: float
    noise: float
    told: tuple[Told, ...]
    flags: tuple[str, ...]


def judge(number: int, kinds: tuple[str, ...] = KINDS) -> Judged:
    one = drawn(number, kinds)
    told: list[Told] = []
    flags: tuple[str, ...] = ("refused",)
    try:
        # What is not a number shall not stop the count; it counts as a gross error.
        with np.errstate(all="ignore"):
            found = estimate(one.record, one.source)
    except RecordError:
        pass
    else:
        flags = tuple(f.kind.value for f in found.flags if f.kind != FlagKind.NOT_SETTLED)
        bounds = one.bounds()
        for quantity in QUANTITIES:
            said: Estimate = getattr(found, quantity)
            if said.value is not None:
                told.append(_told(one, number, quantity, said, bounds, bool(flags)))
    return Judged(
        number, one.kind, one.half_cycle_taus, one.rotor.fault_ohm, one.noise, tuple(told), flags
    )


def _told(
    one: Drawn,
    number: int,
    quantity: str,
    said: Estimate,
    bounds: tuple[Bound, Bound],
    flagged: bool,
) -> Told:
    assert said.value is not None
    name = QUANTITIES[quantity]
    flagged = flagged or not said.status.is_good
    limit = said.status.limit
    away = [said.value - float(getattr(truth, name)) for truth in one.truths]
    nearest = min(away, key=abs)
    least = [float(getattr(bound, name)) for bound in bounds]
    if said.u is None:
        # A limit has k = 2 in it; four more make it as gross as an error of six.
        sign = 1 if limit == Limit.HIGH else -1
        missed = not min(sign * a for a in away) <= (GROSS - 2) * least[1]
        return Told(number, quantity, None, None, None, limit, missed, flagged)
    return Told(
        number,
        quantity,
        nearest / said.u,
        nearest / least[1],
        nearest / least[0],
        limit,
        False,
        flagged,
    )


@cache
def judged(count: int) -> tuple[Judged, ...]:
    return tuple(judge(number) for number in range(count))


def told_of(
    records: Iterable[Judged], quantity: str, chosen: Callable[[Judged], bool]
) -> list[Told]:
    """What was told with an uncertainty of one quantity of the chosen records."""
    return [
        told
        for record in records
        if chosen(record)
        for told in record.told
        if told.quantity == quantity and told.by_u is not None
    ]


def rms(values: Iterable[float | None]) -> float:
    return float(np.sqrt(np.mean(np.square(np.array(list(values), dtype=float)))))


def coverage(told: Iterable[Told]) -> float:
    return float(np.mean([t.by_u is not None and abs(t.by_u) <= 2 for t in told]))


def bins() -> dict[str, Callable[[Judged], bool]]:
    """Clean records whose half-cycle holds a time constant or more, all and in parts."""

    def part(name: str, low: float, high: float) -> Callable[[Judged], bool]:
        return lambda record: everything(record) and low <= float(getattr(record, name)) < high

    def everything(record: Judged) -> bool:
        return record.kind == CLEAN and record.half_cycle_taus >= 1

    found: dict[str, Callable[[Judged], bool]] = {"all": everything}
    for low, high in pairwise((500.0, 5e3, 50e3, 500e3, 20e6)):
        found[f"{low / 1e3:g}-{high / 1e3:g} kohm"] = part("fault_ohm", low, high)
    for low, high in ((1, 2), (2, 5), (5, 50), (50, np.inf)):
        found[f"{low:g}-{high:g} time constants"] = part("half_cycle_taus", low, high)
    for low, high in ((1e-5, 1e-4), (1e-4, 1e-3)):
        found[f"noise {low:g}-{high:g}"] = part("noise", low, high)
    return found


def gross_unflagged(records: Iterable[Judged]) -> list[Told]:
    return [t for record in records for t in record.told if t.is_gross and not t.flagged]


@pytest.mark.parametrize("quantity", QUANTITIES)
@pytest.mark.parametrize("name", bins())
def test_errors_are_near_the_bound(quantity: str, name: str) -> None:
    """The RMS of errors over their Cramer-Rao bounds is at most 1.2, in every part of the grid."""
    told = told_of(judged(RECORDS), quantity, bins()[name])
    assert len(told) >= _ENOUGH
    assert rms(t.by_bound for t in told) <= MOST_RMS


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_uncertainties_cover_the_truth(quantity: str) -> None:
    """Of clean records 95 +/- 2 % have the truth within k = 2."""
    told = told_of(judged(RECORDS), quantity, lambda record: record.kind == CLEAN)
    assert len(told) > 900
    assert COVERED[0] <= coverage(told) <= COVERED[1]


def test_no_gross_error_is_silent() -> None:
    """What is wrong by more than 6 u carries a flag or a status that is not Good."""
    records = judged(RECORDS)
    assert set(KINDS) == {record.kind for record in records}
    assert [] == gross_unflagged(records)


def test_clean_records_are_not_flagged() -> None:
    """At most two of a thousand clean records have a flag, or are refused."""
    clean = [record for record in judged(RECORDS) if record.kind == CLEAN]
    assert sum(bool(record.flags) for record in clean) <= 0.002 * len(clean)


def test_the_bound_is_the_textbooks_where_all_is_settled() -> None:
    """Settled, a bound is that of two means: by hand from i = +/- E G + U H, 1/G = R0 + Rf."""
    rotor = Rotor(80e3, 0.3, 1e-12, 20e3, 0.5, 50.0)
    sampling = Sampling(period_s=2.0, periods=3, samples=1200)
    noise_a, field_v, loop_ohm = 1e-7, 200.0, 100e3
    bound = cramer_rao(slopes_of(rotor, sampling, field_v, None)[:4], rotor, noise_a)
    u_mean_a = noise_a / 1200**0.5
    # dRf = -loop^2 dG and da = dH/G - H/G^2 dG.
    assert pytest.approx(loop_ohm**2 * u_mean_a / 50.0, rel=1e-6) == bound.fault_ohm
    u_place = loop_ohm * u_mean_a * ((1 / field_v) ** 2 + ((0.3 - 0.5) / 50.0) ** 2) ** 0.5
    assert pytest.approx(u_place, rel=1e-6) == bound.place_pu
    assert np.inf == bound.capacitance_f
