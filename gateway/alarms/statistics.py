"""How an alarm system performs: the figures of ISA-18.2 / IEC 62682 clause 16 from the journal.

Each figure stands beside its benchmark. Benchmarks are for one operator position and for 30 days
of data or more; figures of less are computed all the same, and `enough` says that they are few.
A site with few alarms cannot meet that of the ten most frequent: they are all there is.
Pure. Refuses to count what no operator was called for: what comes and goes while an alarm is held.
"""

from bisect import bisect_left, bisect_right
from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, inf
from typing import Final

from gateway.alarms.activations import Active, Annunciation, Shelving, activations
from gateway.alarms.journal import JournalEntry

_NS: Final = 1_000_000_000
DAY_NS: Final = 86_400 * _NS
TEN_MIN_NS: Final = 600 * _NS
ENOUGH_NS: Final = 30 * DAY_NS
# A flood begins above 10 in 10 min and ends below 5 in 10 min.
_FLOOD_BEGINS_ABOVE: Final = 10
_FLOOD_ENDS_BELOW: Final = 5
# Common screens: the standards define chattering and fleeting in words only.
_CHATTERS: Final = 3
_CHATTERS_WITHIN_NS: Final = 60 * _NS
_FLEETS_WITHIN_NS: Final = 60 * _NS
_STANDS_AFTER_NS: Final = DAY_NS
_CONTRIBUTORS: Final = 10
PRIORITIES: Final = ("low", "medium", "high", "critical")

CLAUSE_16: Final = "ISA-18.2-2016 / IEC 62682:2022 clause 16"
EDITION_2009: Final = "ISA-18.2-2009 clause 16 (per day)"
EEMUA: Final = "EEMUA 191"


class Verdict(StrEnum):
    """How a figure stands against its benchmark."""

    ACCEPTABLE = "acceptable"
    MANAGEABLE = "manageable"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure beside its benchmark, with where that is from; shares are plain numbers."""

    name: str
    value: float
    unit: str
    benchmark: str
    verdict: Verdict
    source: str


@dataclass(frozen=True, slots=True)
class Flood:
    """From the first alarm of the ten minutes that made it one, UTC; `end_ns` at most the end."""

    begin_ns: int
    end_ns: int
    count: int


@dataclass(frozen=True, slots=True)
class Count:
    """How often one alarm did something, and its share of all annunciations."""

    alarm: str
    count: int
    share: float


@dataclass(frozen=True, slots=True)
class Period:
    """One day from the beginning of the time looked at; the last one may be shorter."""

    begin_ns: int
    end_ns: int
    annunciations: int
    most_in_10_min: int
    flood_share: float
    standing: int  # alarms that in it were active for longer than a day


@dataclass(frozen=True, slots=True)
class Statistics:
    """The figures over [since, until), UTC."""

    since_ns: int
    until_ns: int
    enough: bool  # 30 days or more, as the benchmarks ask for
    annunciations: int
    figures: tuple[Figure, ...]
    floods: tuple[Flood, ...]
    contributors: tuple[Count, ...]  # the ten most frequent, most first
    chattering: tuple[Count, ...]  # annunciations within three or more in 60 s
    fleeting: tuple[Count, ...]  # gone within 60 s with nobody having acknowledged
    standing: tuple[Active, ...]  # active for more than a day, at some time of it
    priorities: tuple[Count, ...]  # of each priority: its name, count and share
    shelved: tuple[Shelving, ...]  # at the end
    days: tuple[Period, ...]


def statistics(
    entries: Iterable[JournalEntry],
    since_ns: int,
    until_ns: int,
    priorities: Mapping[str, str],
    positions: int = 1,
) -> Statistics:
    """The performance figures of [since, until) for so many operator positions.

    `entries` come in the order of the journal, and from before `since_ns` too as far as they are
    kept: those tell what stood already. `priorities` are those of the site, by alarm; an alarm
    that it does not name any more counts in no priority. Raises ValueError for an empty time or
    fewer than one position.
    """
    if until_ns <= since_ns:
        raise ValueError("the end must be after the beginning")
    if positions < 1:
        raise ValueError("there is at least one operator position")
    found = activations(entries, until_ns)
    calls = [c for c in found.annunciations if c.utc_ns >= since_ns]
    times = [c.utc_ns for c in calls]
    floods = _floods(times, until_ns)
    contributors = _counted(Counter(c.alarm for c in calls), len(calls))
    chattering = _counted(_chattering(calls), len(calls))
    noisy = {c.alarm for c in chattering}
    fleeting = _counted(
        Counter(c.alarm for c in calls if c.alarm not in noisy and _fleets(c)), len(calls)
    )
    standing = tuple(s for s in found.active if _stands(s, since_ns, until_ns))
    shares = _by_priority(calls, priorities)
    days = tuple(
        _period(begin_ns, min(begin_ns + DAY_NS, until_ns), times, floods, found.active)
        for begin_ns in range(since_ns, until_ns, DAY_NS)
    )
    figures = (
        *_rates(times, since_ns, until_ns, positions),
        *_peaks(times, since_ns, until_ns, floods),
        *_nuisances(contributors, chattering, fleeting, days, found.shelvings),
        *_distribution(shares),
    )
    return Statistics(
        since_ns,
        until_ns,
        until_ns - since_ns >= ENOUGH_NS,
        len(calls),
        figures,
        floods,
        contributors[:_CONTRIBUTORS],
        chattering,
        fleeting,
        standing,
        shares,
        found.shelvings,
        days,
    )


# --- the figures --------------------------------------------------------------------------------


def _figure(
    name: str,
    value: float,
    unit: str,
    bounds: tuple[float, float | None],
    source: str = CLAUSE_16,
    *,
    below: bool = False,
) -> Figure:
    """A figure that is acceptable up to the first bound (below it, if so told)."""
    acceptable, manageable = bounds
    if value < acceptable or (value == acceptable and not below):
        verdict = Verdict.ACCEPTABLE
    elif manageable is not None and value <= manageable:
        verdict = Verdict.MANAGEABLE
    else:
        verdict = Verdict.OVER
    shown = f"{acceptable:.0%}" if unit == "share" else f"{acceptable:g}"
    benchmark = f"{'less than' if below else 'at most'} {shown}"
    if manageable is not None:
        benchmark += f", manageable up to {manageable:g}"
    return Figure(name, value, unit, benchmark, verdict, source)


def _rates(times: Sequence[int], since_ns: int, until_ns: int, positions: int) -> list[Figure]:
    """Averages with all empty times counted, for one position."""
    a_ns = len(times) / positions / (until_ns - since_ns)
    return [
        _figure("annunciations per day", a_ns * DAY_NS, "1/day", (150, 300), EDITION_2009),
        _figure("annunciations per hour", a_ns * DAY_NS / 24, "1/h", (6, 12)),
        _figure("annunciations per 10 min", a_ns * TEN_MIN_NS, "1/10 min", (1, 2)),
    ]


def _peaks(
    times: Sequence[int], since_ns: int, until_ns: int, floods: Sequence[Flood]
) -> list[Figure]:
    buckets = Counter((t - since_ns) // TEN_MIN_NS for t in times)
    crowded = sum(n > _FLOOD_BEGINS_ABOVE for n in buckets.values())
    periods = ceil((until_ns - since_ns) / TEN_MIN_NS)
    in_flood = _flooded_ns(floods, since_ns, until_ns) / (until_ns - since_ns)
    return [
        _figure(
            "10-min periods with more than 10",
            crowded / periods,
            "share",
            (0.01, None),
            below=True,
        ),
        _figure("most in any 10 min", _most(times), "1", (10, None)),
        _figure("time in flood", in_flood, "share", (0.01, None), below=True),
    ]


def _nuisances(
    contributors: Sequence[Count],
    chattering: Sequence[Count],
    fleeting: Sequence[Count],
    days: Sequence[Period],
    shelvings: Sequence[Shelving],
) -> list[Figure]:
    top = sum(c.share for c in contributors[:_CONTRIBUTORS])
    standing = max((d.standing for d in days), default=0)
    return [
        _figure("share of the ten most frequent", top, "share", (0.05, None)),
        _figure("chattering alarms", len(chattering), "1", (0, None)),
        _figure("fleeting alarms", len(fleeting), "1", (0, None)),
        _figure("standing alarms on the worst day", standing, "1", (5, None), below=True),
        _figure("shelved alarms at the end", len(shelvings), "1", (30, None), EEMUA, below=True),
    ]


def _distribution(shares: Sequence[Count]) -> list[Figure]:
    """Annunciations by priority: about 80 % low, at most 15, 5 and less than 1 % above it."""
    if not any(s.count for s in shares):
        return []
    bounds = {"medium": 0.15, "high": 0.05, "critical": 0.01}
    found = []
    for share in shares:
        name = f"priority {share.alarm}"
        if share.alarm == "low":
            verdict = Verdict.ACCEPTABLE if share.share >= 0.8 else Verdict.OVER
            found.append(Figure(name, share.share, "share", "at least 80%", verdict, CLAUSE_16))
        else:
            bound = (bounds[share.alarm], None)
            below = share.alarm == "critical"
            found.append(_figure(name, share.share, "share", bound, below=below))
    return found


# --- what they are made of ----------------------------------------------------------------------


def _floods(times: Sequence[int], until_ns: int) -> tuple[Flood, ...]:
    """Floods by what lies in the last ten minutes (t - 10 min, t], at each instant t."""
    found: list[Flood] = []
    window: deque[int] = deque()
    begin_ns: int | None = None
    count, last_end_ns = 0, -inf
    for t in (*times, None):
        # What leaves the window before the next one comes; at the end, all that leaves in time.
        while window and window[0] + TEN_MIN_NS <= (until_ns if t is None else t):
            left_ns = window.popleft() + TEN_MIN_NS
            if begin_ns is not None and len(window) < _FLOOD_ENDS_BELOW:
                found.append(Flood(begin_ns, left_ns, count))
                begin_ns, last_end_ns = None, left_ns
        if t is None:
            break
        window.append(t)
        if begin_ns is not None:
            count += 1
        elif len(window) > _FLOOD_BEGINS_ABOVE:
            fresh = [w for w in window if w >= last_end_ns]
            begin_ns, count = fresh[0], len(fresh)
    if begin_ns is not None:
        found.append(Flood(begin_ns, until_ns, count))
    return tuple(found)


def _flooded_ns(floods: Sequence[Flood], since_ns: int, until_ns: int) -> int:
    return sum(max(0, min(f.end_ns, until_ns) - max(f.begin_ns, since_ns)) for f in floods)


def _most(times: Sequence[int]) -> int:
    """The most in any ten minutes, wherever those begin."""
    return max((bisect_left(times, t + TEN_MIN_NS) - i for i, t in enumerate(times)), default=0)


def _chattering(calls: Sequence[Annunciation]) -> Counter[str]:
    by_alarm: dict[str, list[int]] = {}
    for call in calls:
        by_alarm.setdefault(call.alarm, []).append(call.utc_ns)
    found: Counter[str] = Counter()
    for alarm, times in by_alarm.items():
        within: set[int] = set()
        for i in range(len(times) - _CHATTERS + 1):
            end = bisect_right(times, times[i] + _CHATTERS_WITHIN_NS)
            if end - i >= _CHATTERS:
                within.update(range(i, end))
        if within:
            found[alarm] = len(within)
    return found


def _by_priority(calls: Sequence[Annunciation], priorities: Mapping[str, str]) -> tuple[Count, ...]:
    counter = Counter(priorities[c.alarm] for c in calls if c.alarm in priorities)
    return tuple(Count(p, counter[p], _share(counter[p], counter.total())) for p in PRIORITIES)


def _fleets(call: Annunciation) -> bool:
    return call.gone_ns is not None and 0 <= call.gone_ns - call.utc_ns <= _FLEETS_WITHIN_NS


def _stands(spell: Active, begin_ns: int, end_ns: int) -> bool:
    """Whether within [begin, end) an alarm was active for more than a day already."""
    over_ns = end_ns if spell.end_ns is None else min(spell.end_ns, end_ns)
    return over_ns > max(spell.begin_ns + _STANDS_AFTER_NS, begin_ns)


def _period(
    begin_ns: int,
    end_ns: int,
    times: Sequence[int],
    floods: Sequence[Flood],
    active: Sequence[Active],
) -> Period:
    within = times[bisect_left(times, begin_ns) : bisect_left(times, end_ns)]
    return Period(
        begin_ns,
        end_ns,
        len(within),
        _most(within),
        _flooded_ns(floods, begin_ns, end_ns) / (end_ns - begin_ns),
        len({s.alarm for s in active if _stands(s, begin_ns, end_ns)}),
    )


def _counted(counter: Counter[str], total: int) -> tuple[Count, ...]:
    """Most first, and by name where equal."""
    ordered = sorted(counter.items(), key=lambda item: (-item[1], item[0]))
    return tuple(Count(name, n, _share(n, total)) for name, n in ordered)


def _share(part: int, whole: int) -> float:
    return part / whole if whole else 0.0
