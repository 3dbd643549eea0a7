"""What the chain remembers: restarts, reboots, clocks that are set, and damaged states."""

import json

import pytest

from gateway.chain import Chain
from gateway.tags import GOOD, AlarmState, Command, Order
from tests.rotor.plant import NOON_NS, SECOND, SITE, Rig, record, sample, state

LOW, VERY_LOW, BLIND = "G1.LOW", "G1.VERY_LOW", "G1.BLIND"
NORMAL, UNACKNOWLEDGED = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED


def test_a_latch_and_a_running_delay_survive_a_restart() -> None:
    """Over save and load a latched alarm stays latched and a delay runs on where it was."""
    rig = Rig()
    rig.fault(4e3, seconds=6)
    rig.fault(30e3, seconds=11)
    rig.fault(15e3, seconds=3)
    rig.restart()
    frame = rig.fault(15e3, seconds=2)
    assert AlarmState.LATCHED_UNACKNOWLEDGED == state(frame, VERY_LOW)
    assert AlarmState.RETURNED_UNACKNOWLEDGED == state(frame, LOW)
    frame = rig.fault(15e3)
    assert UNACKNOWLEDGED == state(frame, LOW)
    rig.restart()
    frame = rig.step([], *(Command(order, VERY_LOW, "Ida Holm") for order in Order))
    assert NORMAL == state(frame, VERY_LOW)


# The monotonic clock begins again at a reboot: when the gateway is up it may read less than before,
# or more, if the computer was shorter on before than it took to boot now.
@pytest.mark.parametrize("monotonic_s", [3.0, 5_000.0])
@pytest.mark.parametrize("off_s", [0.0, 4.0, 8.0, 600.0, -600.0])
@pytest.mark.parametrize(
    "run",
    # An on-delay that runs, an off-delay that runs, an alarm that stands.
    [((10e3, 4),), ((10e3, 10), (30e3, 5)), ((10e3, 10),)],
)
def test_a_reboot_by_itself_raises_and_clears_nothing(
    off_s: float, monotonic_s: float, run: tuple[tuple[float, int], ...]
) -> None:
    """A step after a reboot in which nothing was read yet moves no delay, however long it took."""
    rig = Rig()
    for rf_ohm, seconds in run:
        before = rig.fault(rf_ohm, seconds)
    rig.reboot(off_s, monotonic_s)
    frame = rig.step([])
    # A malfunction without a delay says at once that there are no values.
    assert {"G1.NO_PLACE"} >= {t.alarm for t in frame.transitions}
    for alarm in (LOW, VERY_LOW, BLIND):
        assert state(before, alarm) == state(frame, alarm)
    assert before.sequence + 1 == frame.sequence


@pytest.mark.parametrize("off_s", [5, 50, 3600])
def test_two_looks_with_an_outage_between_are_no_delay(off_s: int) -> None:
    """One look before and one after an outage neither raise nor clear what needs some seconds."""
    rig = Rig()
    rig.fault(10e3)
    rig.wait(off_s)
    rig.restart()
    assert NORMAL == state(rig.fault(10e3), LOW)
    assert UNACKNOWLEDGED == state(rig.fault(10e3, seconds=4), LOW)
    rig.fault(30e3)
    rig.wait(off_s)
    rig.restart()
    assert UNACKNOWLEDGED == state(rig.fault(30e3), LOW)


def test_an_overloaded_gateway_still_raises() -> None:
    """Steps that are far apart count as a scan each, so that an alarm comes late but comes."""
    rig = Rig()
    for _ in range(5):
        rig.wait(9)
        assert NORMAL == state(rig.fault(10e3), LOW)
    rig.wait(9)
    assert UNACKNOWLEDGED == state(rig.fault(10e3), LOW)


def test_after_a_long_reboot_old_values_are_old() -> None:
    """Ten minutes off make every value unusable, and no limit alarm is judged by it."""
    rig = Rig()
    rig.fault(10e3, seconds=10)
    rig.reboot(600)
    frame = rig.step([])
    assert {True} == {s.status.is_bad for s in frame.samples}
    assert (UNACKNOWLEDGED, False) == (state(frame, LOW), record(frame, LOW).judged)


def test_after_a_short_reboot_values_are_as_old_as_it_was_long() -> None:
    """A few seconds off leave a value usable; it is no older than the time that has passed."""
    rig = Rig()
    before = sample(rig.fault(10e3, seconds=10), "G1.R")
    rig.reboot(3)
    after = sample(rig.step([]), "G1.R")
    assert (before.value, before.status) == (after.value, after.status)


def test_a_clock_that_reads_earlier_after_a_reboot_keeps_nothing_young() -> None:
    """With a UTC clock that lost ten minutes, old values still grow old."""
    rig = Rig()
    rig.fault(10e3, seconds=10)
    rig.reboot(-600)
    rig.step([])
    rig.wait(61)
    assert sample(rig.step([]), "G1.R").status.is_bad


def test_the_time_of_day_ages_no_value() -> None:
    """A UTC clock that is set forward an hour makes no value old."""
    rig = Rig()
    rig.fault(10e3)
    rig.utc_ns += 3600 * SECOND
    rig.wait(1)
    assert GOOD == sample(rig.step([]), "G1.R").status


def test_the_time_of_day_moves_no_delay() -> None:
    """A UTC clock that is set back or forward an hour neither hurries nor holds an alarm."""
    rig = Rig()
    rig.fault(10e3, seconds=3)
    rig.utc_ns += 3600 * SECOND
    assert NORMAL == state(rig.fault(10e3, seconds=1), LOW)
    rig.utc_ns -= 7200 * SECOND
    assert NORMAL == state(rig.fault(10e3, seconds=1), LOW)
    assert UNACKNOWLEDGED == state(rig.fault(10e3, seconds=1), LOW)


def saved() -> dict[str, bytes]:
    rig = Rig()
    rig.fault(4e3, seconds=7)
    return rig.chain.save()


SIGNALS, ALARMS = saved()["signals"], saved()["alarms"]


@pytest.mark.parametrize(
    ("part", "broken"),
    [
        ("alarms", b""),
        ("alarms", b"null"),
        ("alarms", b"[]"),
        ("alarms", b"\xff\xfe"),
        ("alarms", b"[" * 100_000),
        ("alarms", ALARMS[:-1]),
        ("alarms", ALARMS * 2),
        ("alarms", ALARMS.replace(b'"present":true', b'"pressent":true')),
        ("alarms", ALARMS.replace(b'"present":true', b'"present":"perhaps"')),
        ("signals", SIGNALS.replace(b'"signals"', b'"signalz"')),
        ("signals", SIGNALS.replace(b'"status":0', b'"status":"0"')),
        ("signals", SIGNALS.replace(b'"changed_ns":1', b'"changed_ns":NaN,"x":1')),
    ],
    ids=lambda b: repr(b[-20:]),
)
def test_a_damaged_part_is_lost_alone(part: str, broken: bytes) -> None:
    """A part that does not read back is told and begins anew; the others go on."""
    whole = saved()
    assert whole[part] != broken
    chain = Chain.resumed(SITE, "G1", whole | {part: broken}, 7)
    (told,) = chain.lost
    assert told.startswith(f"G1: the saved part {part!r} of the last run is lost")
    new = Chain(SITE, "G1").save()
    assert whole | {part: new[part]} == chain.save()


def test_an_alarm_that_the_site_no_longer_has_is_not_forgotten_in_silence() -> None:
    """What was on and was renamed or taken out of the site file is told; what was normal is not."""
    renamed = ALARMS.replace(b'"G1.LOW"', b'"G1.OLD"').replace(b'"G1.TRIP"', b'"G1.NORMAL"')
    chain = Chain.resumed(SITE, "G1", saved() | {"alarms": renamed}, 7)
    assert (
        "G1: the alarm 'G1.OLD', which was unacknowledged, is forgotten: this site does not have "
        "it",
    ) == chain.lost


def test_without_its_clock_no_value_is_believed() -> None:
    """With the chain's clock the values whose age it counts are lost, too; no latch is."""
    whole = saved()
    chain = Chain.resumed(SITE, "G1", whole | {"clock": b"?"}, 7)
    assert ["clock", "signals", "diagnosis", "trend"] == [text.split("'")[1] for text in chain.lost]
    assert Chain(SITE, "G1").save() | {"alarms": whole["alarms"]} == chain.save()


def test_a_part_of_a_newer_version_is_told() -> None:
    """What a newer version saved and this one does not know is not passed over in silence."""
    chain = Chain.resumed(SITE, "G1", saved() | {"tides": b"{}"}, 7)
    (told,) = chain.lost
    assert "'tides' of the last run is lost and begins anew: this version does not know" in told


def test_a_memory_of_an_older_version_keeps_its_latch() -> None:
    """A key that an older version did not write has its default; what it wrote is kept."""
    older = {
        name: {k: v for k, v in memory.items() if k != "pending_ns"}
        for name, memory in json.loads(ALARMS).items()
    }
    chain = Chain.resumed(SITE, "G1", saved() | {"alarms": json.dumps(older).encode()}, 7)
    assert () == chain.lost
    assert saved() == chain.save()


def test_saved_parts_are_canonical() -> None:
    """A state loads to the same bytes, and is plain JSON; the numbers go on."""
    parts = saved()
    chain = Chain.resumed(SITE, "G1", parts, 7)
    assert () == chain.lost
    assert parts == chain.save()
    assert NOON_NS + 7 * SECOND == json.loads(parts["clock"])["last"]["utc_ns"]
    rig = Rig(chain, NOON_NS + 7 * SECOND, 1_007 * SECOND)
    assert 8 == rig.fault(4e3).sequence
