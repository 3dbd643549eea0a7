"""Whether the paths of one quantity agree, and which one is the odd one out where it can be told.

Each path leaves an interval open: a number its value with k = 2 of its own uncertainty, 'at least'
and 'at most' a half-line, a contact the side of its setting. Two paths agree while their intervals,
widened by the allowance, meet: uncertainties are added and not combined in quadrature, because the
paths hang on one monitor and may err together. Bad, held and blind values do not take part.

A disagreement is said once it has lasted for the time to settle, until then nothing is; with fewer
than two paths to compare, the time stands still and what was said stays. Refuses to name a culprit
of two.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from math import inf, isfinite

from gateway.diagnosis.paths import Path, paths_of
from gateway.diagnosis.seen import Agreement, Found, Seen
from gateway.site.diagnosis import ActuatingContact, CrossCheck
from gateway.site.installed import Site
from gateway.tags import Sample, Subject


@dataclass(frozen=True, slots=True)
class Compared:
    """What is remembered of one quantity."""

    differ_ns: int | None = None  # for how long it has not been as it was said; None: it is so
    differ: bool = False  # it has been said
    odd_one_out: str = ""
    detail: str = ""  # figures of the moment it was said


@dataclass(frozen=True, slots=True)
class CrossCheckMemory:
    """What is remembered between steps, by quantity; one entry for each cross-check."""

    checks: dict[str, Compared] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Open:
    """What one path leaves open now, in SI."""

    path: Path
    low: float
    high: float
    sample: Sample


_NOTHING_SAID = Compared()


class CrossChecks:
    """All cross-checks of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        installed = site.machine(machine)
        paths = paths_of(site, installed)
        self._machine = machine
        self._paths = paths
        self._checks = tuple(
            (check, tuple(paths[tag] for tag in check.values)) for check in installed.cross_checks
        )

    def step(
        self, memory: CrossCheckMemory, seen: Seen
    ) -> tuple[CrossCheckMemory, tuple[Agreement, ...], list[Found]]:
        """Agreements in the order of the site file, and the disagreements that are said now."""
        said: dict[str, Compared] = {}
        agreements, found = [], []
        for check, paths in self._checks:
            before = memory.checks.get(check.quantity, _NOTHING_SAID)
            now, agreement = self._compare(check, paths, before, seen)
            said[check.quantity] = now
            agreements.append(agreement)
            if now.differ:
                found.append(self._found(now))
        same = all(now is memory.checks.get(name, _NOTHING_SAID) for name, now in said.items())
        return memory if same else CrossCheckMemory(said), tuple(agreements), found

    def _compare(
        self, check: CrossCheck, paths: Sequence[Path], before: Compared, seen: Seen
    ) -> tuple[Compared, Agreement]:
        left = _left_open(check, paths, self._paths, seen)
        tags = tuple(one.path.tag for one in left)
        if len(left) < 2:
            agreement = Agreement(check.quantity, None, tags, before.odd_one_out, before.detail)
            return before, agreement
        apart = [
            (a.path.tag, b.path.tag)
            for a, b in combinations(left, 2)
            if not _meet(a, b, check.allowance)
        ]
        if not apart:
            return _NOTHING_SAID, Agreement(check.quantity, True, tags)
        odd = _odd_one_out(tags, apart)
        if before.differ and odd == before.odd_one_out:
            now = before if before.differ_ns is None else replace(before, differ_ns=None)
            return now, Agreement(check.quantity, False, tags, odd, now.detail)
        # The time runs from the look at which it first was so; it is asked for again before
        # another one is named.
        differ_ns = 0 if before.differ_ns is None else before.differ_ns + seen.elapsed_ns
        if differ_ns >= round(check.settle * 1e9):
            figures = "; ".join(f"{o.path.tag} {o.path.said(o.sample)}" for o in left)
            now = Compared(None, True, odd, f"{check.quantity}: {figures}")
            return now, Agreement(check.quantity, False, tags, odd, now.detail)
        now = replace(before, differ_ns=differ_ns)
        agrees = False if before.differ else None
        return now, Agreement(check.quantity, agrees, tags, before.odd_one_out, before.detail)

    def _found(self, said: Compared) -> Found:
        if said.odd_one_out:
            path = self._paths[said.odd_one_out]
            return Found(path.tag, path.kind, "odd one out", said.detail)
        return Found(self._machine, Subject.MACHINE, "paths disagree", said.detail)


def contact_interval(contact: ActuatingContact, actuated: bool) -> tuple[float, float]:
    """What a contact leaves open of its quantity, in SI."""
    if contact.below is not None:
        setting = contact.below.si
        if actuated:
            return -inf, setting + abs(setting) * contact.accuracy
        return setting - abs(setting) * contact.accuracy, inf
    if contact.above is not None:
        setting = contact.above.si
        if actuated:
            return setting - abs(setting) * contact.accuracy, inf
        return -inf, setting + abs(setting) * contact.accuracy
    return -inf, inf


def _left_open(
    check: CrossCheck, values: Sequence[Path], paths: dict[str, Path], seen: Seen
) -> list[_Open]:
    left = []
    for path in values:
        sample = seen.measured(path.tag)
        if sample is None:
            continue
        interval = path.interval(sample)
        if interval is not None:
            left.append(_Open(path, *interval, sample))
    if check.contact is not None:
        sample = seen.measured(check.contact.tag)
        if sample is not None:
            interval = contact_interval(check.contact, bool(sample.value))
            left.append(_Open(paths[check.contact.tag], *interval, sample))
    return left


def _meet(one: _Open, other: _Open, allowance: float) -> bool:
    """Whether two intervals meet; the allowance is a share of the greater of the ends compared."""
    low, high = (one, other) if one.low > other.low else (other, one)
    gap = low.low - high.high
    if gap <= 0 or not isfinite(gap):
        return True
    return gap <= allowance * max(abs(low.low), abs(high.high))


def _odd_one_out(tags: Sequence[str], apart: Sequence[tuple[str, str]]) -> str:
    """The one without which all others agree; "" where there are several, as of two always."""
    alone = [tag for tag in tags if all(tag in pair for pair in apart)]
    return alone[0] if len(alone) == 1 else ""
