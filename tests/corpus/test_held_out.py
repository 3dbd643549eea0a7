"""Stories that the gateway was not fitted to: how far the figures of the corpus carry over."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import Conclusion, Frame
from tests.corpus.bench import Bench
from tests.corpus.episodes import CONFIG
from tests.corpus.held_out import Malfunction, Trial, held_out
from tests.corpus.judge import SETTLED_S, findings

GRACE_S = 20.0  # after the end of a fault: delay and deadband of the alarm, filters
REACHED_S = 3.0  # before it no alarm can come


@dataclass(frozen=True)
class Told:
    """One story as it was told."""

    trial: Trial
    unseen: tuple[tuple[float, float], ...]  # faults that no earth-fault alarm stood for
    conclusions: tuple[Conclusion, ...]  # of the newest evidence in each fault that was seen
    feigned: tuple[float, ...]  # when what is no fault was told as corroborated
    lost: bool  # the condition of a fault's alarm went while the fault was there
    named: tuple[bool, ...]  # each malfunction
    left: frozenset[tuple[str, str]]  # what is told as wrong at the end
    found: frozenset[tuple[str, str]]


def tell(site: Site, trial: Trial, directory: Path) -> Told:
    """Play the story through a new chain."""
    episode = trial.episode
    bench = Bench(site, episode.machine, episode.text(), directory)
    alarms = {a.name for a in site.earth_fault_alarms(episode.machine)}
    seen: dict[tuple[float, float], Conclusion | None] = {}
    feigned: list[float] = []
    found: set[tuple[str, str]] = set()
    left: set[tuple[str, str]] = set()
    lost = False
    for time_s, frame in bench.run(episode.lasts_s, episode.step_s):
        if time_s < SETTLED_S:
            continue
        standing = _standing(frame, alarms)
        now = next((f for f in trial.faults if f[0] + REACHED_S <= time_s <= f[1]), None)
        if now is not None:
            told = [e.conclusion for e in frame.evidence if e.alarm in standing]
            if told:
                seen[now] = told[0]
            lost |= now in seen and not standing
        elif not any(f[0] <= time_s <= f[1] + GRACE_S for f in trial.faults):
            feigned += [
                time_s
                for e in frame.evidence
                if e.conclusion is Conclusion.CORROBORATED and e.alarm in standing
            ]
        left = findings(frame)
        found |= left
    return Told(
        trial,
        tuple(f for f in trial.faults if f not in seen),
        tuple(c for c in seen.values() if c is not None),
        tuple(feigned),
        lost,
        tuple(_is_named(m, found) for m in trial.malfunctions),
        frozenset(left),
        frozenset(found),
    )


def _standing(frame: Frame, alarms: set[str]) -> set[str]:
    return {a.alarm for a in frame.alarms if a.alarm in alarms and a.present}


def _is_named(malfunction: Malfunction, found: Iterable[tuple[str, str]]) -> bool:
    return any(
        cause in malfunction.causes and malfunction.subject in ("", subject)
        for subject, cause in found
    )


def table(told: Iterable[Told]) -> str:
    """The figures."""
    told = tuple(told)
    faults = sum(len(t.trial.faults) for t in told)
    malfunctions = sum(len(t.named) for t in told)
    ends = [t for t in told if t.trial.well_at_the_end]
    rows = [
        (f"stories {len(told)}", ""),
        (f"real faults missed (of {faults})", sum(len(t.unseen) for t in told)),
        ("real faults whose alarm went while they stood", sum(t.lost for t in told)),
        (f"malfunctions named rightly (of {malfunctions})", sum(sum(t.named) for t in told)),
        (
            "stories in which what is no fault was told as corroborated",
            sum(bool(t.feigned) for t in told),
        ),
        (f"ends at which something is left (of {len(ends)} well)", sum(bool(t.left) for t in ends)),
    ]
    for conclusion, count in Counter(c for t in told for c in t.conclusions).most_common():
        rows.append((f"real faults told as: {conclusion}", count))
    width = max(len(row[0]) for row in rows)
    return "\n".join(f"{what.ljust(width)}  {count}".rstrip() for what, count in rows)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Told, ...]:
    directory = tmp_path_factory.mktemp("held-out")
    site, _ = read(CONFIG / "demo.yaml")
    all_told = tuple(tell(site, trial, directory) for trial in held_out())
    print("\n" + table(all_told))
    return all_told


def test_there_are_enough_stories(told: tuple[Told, ...]) -> None:
    """At least 60 stories, with faults and malfunctions enough for the figures to say something."""
    assert len(told) >= 60
    assert sum(len(t.trial.faults) for t in told) >= 40
    assert sum(len(t.named) for t in told) >= 50


def test_no_fault_is_missed(told: tuple[Told, ...]) -> None:
    """Every fault raises an earth-fault alarm, whatever went before or fails beside it."""
    assert [] == [f"{t.trial.episode.name}: {t.unseen}" for t in told if t.unseen]


def test_no_alarm_goes_while_its_fault_stands(told: tuple[Told, ...]) -> None:
    """A monitor that dies, tests itself or lifts its brush does not take the alarm away."""
    assert [] == [t.trial.episode.name for t in told if t.lost]


def test_malfunctions_are_named(told: tuple[Told, ...]) -> None:
    """At least 95 % of the malfunctions are named, each of two that stand at once too."""
    unnamed = [
        f"{t.trial.episode.name}: {sorted(malfunction.causes)}, found {sorted(t.found)}"
        for t in told
        for malfunction, named in zip(t.trial.malfunctions, t.named, strict=True)
        if not named
    ]
    assert len(unnamed) <= 0.05 * sum(len(t.named) for t in told), "\n".join(unnamed)


def test_nothing_is_told_as_corroborated_but_faults(told: tuple[Told, ...]) -> None:
    """No malfunction, and no fault that has healed, is presented as a corroborated fault."""
    assert [] == [f"{t.trial.episode.name}: {t.feigned}" for t in told if t.feigned]


def test_what_has_cleared_is_not_told_any_more(told: tuple[Told, ...]) -> None:
    """Where all is well again nothing is told as wrong in the end."""
    ends = [t for t in told if t.trial.well_at_the_end]
    assert [] == [f"{t.trial.episode.name}: {sorted(t.left)}" for t in ends if t.left]
