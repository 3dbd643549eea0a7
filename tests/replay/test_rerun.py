"""A replay: the same bytes with the same site, and what would have differed with another."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.alarms.journal import JournalEntry, entries_of
from gateway.replay.capture import (
    FORMAT,
    VERSION,
    Beginning,
    Capture,
    CaptureError,
    Header,
    Part,
    opened,
    step_of,
    writing,
)
from gateway.replay.rerun import Outcome, rerun
from gateway.site.installed import Site
from gateway.site.read import read
from gateway.tags import Command, GatewayCondition, Order
from tests.replay.plant import (
    BLIND,
    LOW,
    OTHER,
    TRIP,
    VERY_LOW,
    Second,
    fault_day,
    lived,
    site_text,
    write_site,
)

SECONDS = st.builds(
    Second,
    st.sampled_from(["G1", "G2"]),
    st.sampled_from([None, 4e3, 15e3, 30e3, 1e6]),
    st.sampled_from([0.1, 0.9]),
    st.booleans(),
    st.sampled_from([0.0, 0.5, 2.0, 7.0, 70.0]),
    st.lists(
        st.builds(
            Command,
            st.sampled_from(list(Order)),
            st.sampled_from([LOW, VERY_LOW, TRIP, OTHER]),
            st.just("Ida Holm"),
            st.just("to try"),
            st.just(60.0),
        ),
        max_size=1,
    ).map(tuple),
    st.sampled_from([GatewayCondition(), GatewayCondition(late_share=0.5, clock_step_s=-2.0)]),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("rerun")


@pytest.fixture(scope="module")
def site(folder: Path) -> Site:
    return read(write_site(folder))[0]


def record(path: Path, site: Site, day: list[Second], begin: int = 0, run_up: int = 0) -> Path:
    """A capture of a day from its `begin`-th step on, the first `run_up` of them before it."""
    done = lived(site, day)
    parts: dict[str, dict[str, bytes]] = {}
    sequences = {m.name: 0 for m in site.file.machines}
    for frame, saved in done[:begin]:
        parts[frame.machine] = saved
        sequences[frame.machine] = frame.sequence
    alarms = {m: tuple(a.name for a in site.file.alarms if a.machine == m) for m in sequences}
    number = 1 + sum(len(frame.transitions) for frame, _ in done[: begin + run_up])
    begun = tuple(
        Beginning(
            machine,
            sequence,
            tuple(Part(n, p.decode()) for n, p in parts.get(machine, {}).items()),
            alarms[machine],
        )
        for machine, sequence in sequences.items()
    )
    with writing(path) as writer:
        writer.header(Header(FORMAT, VERSION, site.name, site.digest, "0", 0, 1, number, begun))
        for place, (frame, _) in enumerate(done[begin:]):
            writer.step(step_of(frame, run_up=place < run_up))
            entries = entries_of(frame, number) if place >= run_up else ()
            number += len(entries)
            for entry in entries:
                writer.entry(entry)
    return path


def replayed(path: Path, site: Site) -> tuple[Outcome, list[JournalEntry]]:
    entries: list[JournalEntry] = []
    with opened(path) as capture:
        return rerun(capture, site, entries.append, lambda steps, utc_ns: None), entries


@given(st.lists(SECONDS, max_size=30), st.data())
@settings(max_examples=60)
def test_the_same_site_gives_the_same_bytes(
    folder: Path, site: Site, day: list[Second], data: st.DataObject
) -> None:
    """Any day, captured from any step on with any run-up, replays to the same journal."""
    begin = data.draw(st.integers(0, len(day)))
    run_up = data.draw(st.integers(0, len(day) - begin))
    path = record(folder / "any.capture", site, day, begin, run_up)
    outcome, entries = replayed(path, site)
    assert "" == outcome.difference
    assert (True, ()) == (outcome.identical, outcome.lost)
    with opened(path) as capture:
        kept = [line for line in capture.lines() if isinstance(line, JournalEntry)]
    assert [e.encode() for e in kept] == [e.encode() for e in entries]
    assert {"same"} == {row.verdict for row in outcome.alarms}
    assert len(day) - begin - run_up == outcome.steps


def verdicts(outcome: Outcome) -> dict[str, str]:
    return {row.alarm: row.verdict for row in outcome.alarms}


def test_a_lower_limit_makes_the_alarm_vanish(folder: Path, site: Site) -> None:
    """A fault of 10 kohm under a limit of 8 kohm instead of 20 kohm raises nothing."""
    path = record(folder / "fault.capture", site, fault_day())
    other, _ = read(write_site(folder / "lower", text=site_text("8 kohm")))
    outcome, entries = replayed(path, other)
    assert ("vanishes", "same", "same") == tuple(
        verdicts(outcome)[a] for a in (LOW, VERY_LOW, OTHER)
    )
    row = next(r for r in outcome.alarms if r.alarm == LOW)
    assert row.recorded is not None
    assert row.replayed is not None
    assert (1, 0) == (row.recorded.activations, row.replayed.activations)
    # 30 s of fault: on after an on-delay of 5 s, until the off-delay of 10 s after it has passed.
    assert 35.0 == pytest.approx(row.recorded.active_ns / 1e9, abs=1.1)
    assert 0 == row.replayed.active_ns
    assert [] == entries
    assert "replayed: nothing" in outcome.difference
    assert f"recorded: {LOW} occur" in outcome.difference


def test_a_higher_limit_makes_it_come_and_alarms_may_be_added_or_removed(
    folder: Path, site: Site
) -> None:
    """What the changed site has more or less is named; what comes now is said to come."""
    day = [
        Second(g, 30e3 if g == "G1" else 1e6, wait_s=0.5) for _ in range(20) for g in ("G1", "G2")
    ]
    path = record(folder / "mild.capture", site, day)
    text = site_text("40 kohm").replace("name: G1.TRIP,", "name: G1.TRIPPING,")
    other, _ = read(write_site(folder / "higher", text=text))
    outcome, entries = replayed(path, other)
    told = verdicts(outcome)
    assert ("comes", "added", "removed") == (told[LOW], told["G1.TRIPPING"], told[TRIP])
    assert [(LOW, 1)] == [(e.transition.alarm, e.number) for e in entries]
    assert outcome.difference.startswith("recorded: nothing; ")


def test_a_longer_delay_makes_it_later(folder: Path, site: Site) -> None:
    """An on-delay of 9 s instead of 5 s shifts the alarm by 4 s."""
    path = record(folder / "late.capture", site, fault_day())
    text = site_text().replace("below: 20 kohm, on_delay: 5 s", "below: 20 kohm, on_delay: 9 s")
    other, _ = read(write_site(folder / "later", text=text))
    assert "4 s later" == verdicts(replayed(path, other)[0])[LOW]


def test_what_went_in_counts_not_what_came_out(folder: Path, site: Site) -> None:
    """An order that was given is given again; the alarm is acknowledged in the replay, too."""
    day = fault_day()
    day[100] = replace(day[100], commands=(Command(Order.ACKNOWLEDGE, LOW, "Ida Holm"),))
    outcome, entries = replayed(record(folder / "ack.capture", site, day), site)
    assert outcome.identical
    assert ["occur", "acknowledge", "clear"] == [
        e.transition.cue for e in entries if e.transition.alarm == LOW
    ]


def test_a_machine_that_the_site_lacks_is_passed_over(folder: Path, site: Site) -> None:
    """Its steps are skipped and it is named; a site with none of the machines is refused."""
    path = record(folder / "two.capture", site, fault_day())
    text = site_text().replace("G2", "G3")
    other, _ = read(write_site(folder / "lacks", text=text))
    outcome, _ = replayed(path, other)
    assert (("G2",), "removed", "same") == (
        outcome.missing,
        verdicts(outcome)[OTHER],
        verdicts(outcome)[BLIND],
    )
    text = text.replace("G1", "G4")
    none, _ = read(write_site(folder / "none", text=text))
    with pytest.raises(CaptureError, match="G1, G2, of which the site Heron Lock has none"):
        replayed(path, none)


def test_a_missing_step_is_refused(folder: Path, site: Site) -> None:
    """A capture whose steps do not follow each other cannot be the whole day."""
    done = lived(site, fault_day(3, 0, 0))
    path = folder / "gap.capture"
    begun = tuple(Beginning(m, 0, (), ()) for m in ("G1", "G2"))
    with writing(path) as writer:
        writer.header(Header(FORMAT, VERSION, site.name, site.digest, "0", 0, 1, 1, begun))
        for frame, _ in (done[0], done[1], done[4]):
            writer.step(step_of(frame, run_up=False))
    with pytest.raises(CaptureError, match="G1: step 3 follows step 1: steps are missing"):
        replayed(path, site)


def test_progress_is_told_after_each_step(folder: Path, site: Site) -> None:
    """Whoever waits hears of every step of the window and how much of the file is read."""
    path = record(folder / "steps.capture", site, fault_day(5, 0, 0))
    told: list[int] = []

    def share(capture: Capture) -> float:
        rerun(capture, site, lambda entry: None, lambda steps, utc_ns: told.append(steps))
        return capture.share

    with opened(path) as capture:
        assert 1.0 == share(capture)
    assert list(range(1, 11)) == told
