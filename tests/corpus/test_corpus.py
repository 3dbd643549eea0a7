"""The labelled corpus through the whole chain: faults told, malfunctions named, nothing feigned."""

from functools import partial
from pathlib import Path

import pytest

from gateway.site.read import read
from tests.corpus.bench import each_played
from tests.corpus.episodes import CONFIG, corpus
from tests.corpus.judge import Verdict, judge, table


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory: pytest.TempPathFactory) -> tuple[Verdict, ...]:
    directory: Path = tmp_path_factory.mktemp("corpus")
    site, _ = read(CONFIG / "demo.yaml")
    told = each_played(partial(judge, site, directory), corpus())
    print("\n" + table(told))
    return told


def test_there_are_enough_episodes_of_each(verdicts: tuple[Verdict, ...]) -> None:
    """At least 200 episodes, and enough of each kind for the figures to say something."""
    assert len(verdicts) >= 200
    assert sum(v.episode.fault for v in verdicts) >= 80
    assert sum(bool(v.episode.causes) for v in verdicts) >= 100


def test_no_real_fault_is_missed(verdicts: tuple[Verdict, ...]) -> None:
    """Every fault beyond the setting raises an earth-fault alarm, also beside a broken path."""
    assert [] == [v.episode.name for v in verdicts if v.missed]


def test_malfunctions_are_named(verdicts: tuple[Verdict, ...]) -> None:
    """At least 95 % of the malfunctions are named with the right cause."""
    malfunctions = [v for v in verdicts if v.episode.causes]
    unnamed = [f"{v.episode.name}: {sorted(v.found)}" for v in malfunctions if not v.named]
    assert len(unnamed) <= 0.05 * len(malfunctions), "\n".join(unnamed)


def test_no_malfunction_is_told_as_a_corroborated_fault(verdicts: tuple[Verdict, ...]) -> None:
    """What is no fault is never presented as one that two paths agree on."""
    assert [] == [v.episode.name for v in verdicts if v.feigned]


def test_sound_running_raises_nothing(verdicts: tuple[Verdict, ...]) -> None:
    """Without fault and malfunction there is no fault alarm and no failure."""
    sound = [v for v in verdicts if not v.episode.fault and not v.episode.causes]
    assert [] == [v.episode.name for v in sound if v.alarmed]
