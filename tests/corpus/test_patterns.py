"""Long episodes through the whole chain: the pattern of each is named, and no other.

Days are leapt through in steps of 20 minutes with a point an hour, as a plant thins its trend.
What comes and goes within minutes is stepped every 40 s, with a point every ten minutes.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import yaml

from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import Trend
from tests.corpus.bench import START_NS, Bench, each_played
from tests.corpus.episodes import CONFIG, PLANT
from tests.corpus.slow_episodes import DAY_S, NONE, Slow, slow_episodes

DEMO_INTERVAL = "interval: 5 s"
SHORT_STEP_S = 60.0  # up to it the short interval is used
# The median of an interval's values is told at the time of the last of them.
HALF_AN_INTERVAL_DAYS = 0.5 / 24


@dataclass(frozen=True)
class Told:
    """What was made of a long episode."""

    slow: Slow
    trend: Trend  # in the end
    ever: Counter[str]  # how many looks named each pattern

    @property
    def patterns(self) -> set[str]:
        return {found.pattern for found in self.trend.patterns}

    @property
    def others(self) -> set[str]:
        return self.patterns - {self.slow.pattern}

    @property
    def forecasts(self) -> list[tuple[bool, str]]:
        """Of each state that falls: whether the time to the limit holds the planted one."""
        found = []
        for state in self.trend.states:
            reaches_s = self.slow.reaches_limit_s
            if reaches_s is None or state.points < 24:
                continue
            truth = (reaches_s - (state.to_ns - START_NS) / 1e9) / DAY_S
            told = next((f for f in state.forecasts if f.alarm.endswith("STAGE_1")), None)
            text = f"{self.slow.episode.name}, {state.state}: {truth:.2f} d, told {told}"
            holds = (
                told is not None
                and told.earliest_days is not None
                and told.earliest_days - HALF_AN_INTERVAL_DAYS <= truth
                and (told.latest_days is None or truth <= told.latest_days)
            )
            found.append((holds, text))
        return found


def sites(directory: Path) -> tuple[Site, Site]:
    """The demo with an hour and with ten minutes between two points of its trends."""
    (directory / "profiles").symlink_to(CONFIG / "profiles")
    text = (CONFIG / "demo.yaml").read_text()
    assert text.count(DEMO_INTERVAL) == 2
    found = []
    for name, interval in (("hour", "1 h"), ("minutes", "10 min")):
        path = directory / f"{name}.yaml"
        path.write_text(text.replace(DEMO_INTERVAL, f"interval: {interval}"))
        found.append(read(path)[0])
    return found[0], found[1]


def plant_of(machine: str, directory: Path) -> Path:
    """The plant with this machine alone: the others cost time and tell nothing here."""
    plant: dict[str, Any] = yaml.safe_load(PLANT.read_text())
    plant["machines"] = {machine: plant["machines"][machine]}
    for section in ("devices", "loops", "contacts"):
        plant[section] = {
            name: it for name, it in plant[section].items() if it.get("machine", machine) == machine
        }
    path = directory / f"{machine}.yaml"
    path.write_text(yaml.safe_dump(plant))
    return path


def tell(site: Site, slow: Slow, plant: Path, directory: Path) -> Told:
    """Play the episode through a new chain."""
    episode = slow.episode
    text = episode.text().replace(str(PLANT), str(plant))
    bench = Bench(site, episode.machine, text, directory)
    trend, ever = None, Counter[str]()
    for _, frame in bench.run(episode.lasts_s, episode.step_s):
        if frame.trend is not None and frame.trend is not trend:
            trend = frame.trend
            ever.update(found.pattern for found in trend.patterns)
    assert trend is not None, episode.name
    return Told(slow, trend, ever)


def table(told: Iterable[Told]) -> str:
    """The figures by pattern."""
    told = tuple(told)
    rows = [("true pattern", "episodes", "named", "others named", "ever named another")]
    for pattern in dict.fromkeys(t.slow.pattern for t in told):
        mine = [t for t in told if t.slow.pattern == pattern]
        named = "-" if pattern == NONE else str(sum(pattern in t.patterns for t in mine))
        others = sum(bool(t.others) for t in mine)
        ever = sum(bool(set(t.ever) - {pattern}) for t in mine)
        rows.append((pattern, str(len(mine)), named, str(others), str(ever)))
    forecasts = [f for t in told for f in t.forecasts]
    held = sum(f[0] for f in forecasts)
    rows.append(("forecasts that hold the planted time", str(len(forecasts)), str(held), "", ""))
    widths = [max(len(row[k]) for row in rows) for k in range(5)]
    return "\n".join(
        "  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip() for r in rows
    )


def _tell(hour: Site, minutes: Site, plants: dict[str, Path], directory: Path, slow: Slow) -> Told:
    site = minutes if slow.episode.step_s <= SHORT_STEP_S else hour
    return tell(site, slow, plants[slow.episode.machine], directory)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Told, ...]:
    directory = tmp_path_factory.mktemp("patterns")
    hour, minutes = sites(directory)
    plants = {machine: plant_of(machine, directory) for machine in ("U1", "U3")}
    found = each_played(partial(_tell, hour, minutes, plants, directory), slow_episodes())
    print("\n" + table(found))
    return found


def test_there_are_enough_episodes_of_each_pattern(told: tuple[Told, ...]) -> None:
    """At least 40 long episodes, of each pattern four or more."""
    counts = Counter(t.slow.pattern for t in told)
    assert len(told) >= 40
    assert 8 == len(counts)
    assert min(counts.values()) >= 4


def test_patterns_are_named(told: tuple[Told, ...]) -> None:
    """At least 90 % of the patterns are named at the end of their episode."""
    planted = [t for t in told if t.slow.pattern != NONE]
    missed = [t.slow.episode.name for t in planted if t.slow.pattern not in t.patterns]
    assert len(missed) <= 0.1 * len(planted), missed


def test_no_other_pattern_is_claimed(told: tuple[Told, ...]) -> None:
    """Beside a pattern, in at most 5 % of the episodes another one is claimed at the end."""
    planted = [t for t in told if t.slow.pattern != NONE]
    wrong = [f"{t.slow.episode.name}: {t.trend.patterns}" for t in planted if t.others]
    assert len(wrong) <= 0.05 * len(planted), "\n".join(wrong)


def test_what_has_no_pattern_gets_none(told: tuple[Told, ...]) -> None:
    """Without a pattern none is claimed at the end, and in one episode at most for a look or so.

    The family of tests stands at 1 % a look; on fresh seeds one of 26 episodes had a false look.
    """
    sound = [t for t in told if t.slow.pattern == NONE]
    assert [] == [t.slow.episode.name for t in sound if t.trend.patterns]
    wrong = [f"{t.slow.episode.name}: {t.ever}" for t in sound if t.ever]
    assert len(wrong) <= 1, "\n".join(wrong)


def test_trend_of_a_steady_decline(told: tuple[Told, ...]) -> None:
    """Each state of a steady decline is falling; few of the sound ones rise or fall."""
    falling = [t for t in told if t.slow.falls]
    states = [(t.slow.episode.name, s) for t in falling for s in t.trend.states if s.points >= 24]
    assert [] == [f"{name} {s.state}" for name, s in states if s.verdict != "falling"]
    # Each verdict stands at 5 %: three of some twenty are within chance, more are not.
    sound = [s for t in told if t.slow.pattern == NONE for s in t.trend.states]
    wrong = [s for s in sound if s.verdict not in ("no trend", "too few points")]
    assert len(wrong) <= 0.15 * len(sound), wrong


def test_forecasts_hold_the_planted_time(told: tuple[Told, ...]) -> None:
    """The 95 % interval of the time to the alarm's limit holds the planted time in 90 %."""
    forecasts = [f for t in told for f in t.forecasts]
    assert len(forecasts) >= 10
    missed = [text for holds, text in forecasts if not holds]
    assert len(missed) <= 0.1 * len(forecasts), "\n".join(missed)
