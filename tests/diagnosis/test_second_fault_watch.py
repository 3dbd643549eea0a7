"""A second fault beside the first is told, a worse first fault is told from it."""

import json
from dataclasses import replace
from random import Random
from time import perf_counter

import pytest
from pydantic import TypeAdapter

from gateway.diagnosis.second_fault_watch import SecondFaultMemory, SecondFaultWatch
from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import HalfCycles, Source, solve
from gateway.tags import GOOD, UNCERTAIN_LAST_USABLE_VALUE
from tests.diagnosis.evidence_site import AT_LEAST, NOON_NS, SECOND, sample, seen, site

E_V, R0_OHM, UF_V = 50.0, 20e3, 300.0


def reading(faults, random, u_a=0.05e-6):
    """Resistance [kohm] and place [%] with u as the half-cycles of these faults give them.

    The currents of several faults come from Kirchhoff's laws here and not from the gateway:
    i = (e - v)/R0 with v the potential of the tap, sum of (v + alpha*Uf)/R over the faults = i.
    """
    g = sum(1 / r for r, _ in faults)
    m = sum(place / r for r, place in faults)
    currents = [((e + UF_V * m / g) / (R0_OHM + 1 / g)) for e in (E_V, -E_V)]
    noisy = [Measured(i + random.gauss(0, u_a), u_a) for i in currents]
    solution = solve(
        HalfCycles(*noisy, Measured(UF_V, 0.05), Measured(UF_V, 0.05)),
        Source(Measured(E_V, 0.0), Measured(R0_OHM, 0.0), 0.0),
    )
    r, place = solution.fault_resistance_ohm, solution.fault_location_pu
    return (
        sample("P1.R", r.value / 1e3, u=r.u / 1e3),
        sample("P1.PLACE", place.value * 100, u=place.u * 100),
    )


class Rig:
    """Readings of one machine, ten seconds apart."""

    def __init__(self):
        self.watch, self.memory = SecondFaultWatch(site(), "P1"), SecondFaultMemory()
        self.random, self.at_s = Random(3), 0.0

    def read(self, *faults, times=1, status=None):
        joined = None
        for _ in range(times):
            self.at_s += 10
            r, place = reading(faults, self.random)
            time_ns = NOON_NS + round(self.at_s * SECOND)
            given = {
                s.tag: sample(
                    s.tag, s.value, u=s.uncertainty, status=status or GOOD, time_ns=time_ns
                )
                for s in (r, place)
            }
            self.memory, joined = self.watch.step(self.memory, seen(given, at_s=self.at_s))
        return joined


FIRST, SECOND_FAULT = (15e3, 0.2), (4e3, 0.85)


def test_a_second_fault_is_told_with_resistance_and_place():
    """4 kohm at 85 % that joins 15 kohm at 20 % is found as such, within k = 3 of its figures."""
    rig = Rig()
    assert rig.read(FIRST, times=40) is None
    told = rig.read(FIRST, SECOND_FAULT, times=5)
    assert (True, False) == (told.one_more, told.worsened)
    assert 4e3 == pytest.approx(told.resistance_ohm, abs=3 * told.u_resistance_ohm)
    assert 0.85 == pytest.approx(told.location_pu, abs=3 * told.u_location_pu)
    assert told.u_resistance_ohm < 100
    for part in ("one more fault", "kohm", "85"):
        assert part in told.text


def test_a_worse_first_fault_is_told_from_a_second_one():
    """15 kohm that becomes 5 kohm at the same place has worsened; nothing is said of another."""
    rig = Rig()
    rig.read(FIRST, times=40)
    told = rig.read((5e3, 0.2), times=5)
    assert (False, True, None) == (told.one_more, told.worsened, told.resistance_ohm)
    assert "worsened" in told.text


def test_a_fault_that_does_not_change_is_left_alone():
    """Three hundred readings of one fault give no news."""
    rig = Rig()
    for _ in range(300):
        assert rig.read(FIRST) is None


def test_a_sound_winding_is_no_first_fault():
    """What leaks through the insulation is not learnt: the first real fault is not called a
    second one."""
    rig = Rig()
    rig.read((400e3, 0.5), times=100)
    assert SecondFaultMemory() == rig.memory
    assert rig.read((15e3, 0.2), times=5) is None


def test_a_fault_that_has_gone_is_forgotten():
    """After 'at least' there is nothing to compare with: memory and what was said are empty."""
    rig = Rig()
    rig.read(FIRST, times=40)
    assert rig.read(FIRST, SECOND_FAULT, times=5) is not None
    healthy = sample("P1.R", 9000.0, status=AT_LEAST, time_ns=NOON_NS + round(1e6) * SECOND)
    memory, joined = rig.watch.step(rig.memory, seen({"P1.R": healthy}))
    assert (SecondFaultMemory(), None) == (memory, joined)


def test_only_new_measurements_count():
    """The same measurement again, one a second later, a held and a blind one change nothing."""
    rig = Rig()
    rig.read(FIRST, times=3)
    kept = rig.memory
    rig.at_s -= 10
    rig.read(FIRST)
    assert rig.memory is kept
    rig.at_s -= 9
    rig.read(FIRST)
    assert rig.memory is kept
    rig.read(FIRST, times=5, status=UNCERTAIN_LAST_USABLE_VALUE)
    assert rig.memory is kept
    later = {
        s.tag: replace(s, time_ns=NOON_NS + 999 * SECOND) for s in reading([FIRST], rig.random)
    }
    blind, _ = rig.watch.step(kept, seen(later, blind=("P1.R",)))
    assert blind is kept
    taken, _ = rig.watch.step(kept, seen(later))
    assert taken is not kept


def test_what_was_said_stays_while_nothing_is_measured():
    """Blindness takes nothing back."""
    rig = Rig()
    rig.read(FIRST, times=40)
    told = rig.read(FIRST, SECOND_FAULT, times=5)
    memory, joined = rig.watch.step(rig.memory, seen({}))
    assert (told, True) == (joined, memory is rig.memory)


def test_the_memory_is_bounded_and_reads_back_as_it_was_written():
    """Hundreds of readings leave no more than 32 of them, and JSON keeps every bit."""
    rig = Rig()
    rig.read(FIRST, times=200)
    rig.read(FIRST, SECOND_FAULT, times=100)
    assert 32 == len(rig.memory.watch.recent)
    adapter = TypeAdapter(SecondFaultMemory)
    text = json.dumps(adapter.dump_python(rig.memory, mode="json"), allow_nan=False)
    assert rig.memory == adapter.validate_python(json.loads(text))
    assert len(text) < 10_000


@pytest.mark.parametrize("machine", ["D1", "B1"])
def test_other_machines_have_no_say(machine):
    """Without pulse injection, and without any sample, nothing is said."""
    memory = SecondFaultMemory()
    assert (memory, None) == SecondFaultWatch(site(), machine).step(memory, seen({}))


def test_a_step_without_news_is_cheap():
    """A step in which nothing new was measured takes far less than 50 us (measured: 1 us)."""
    rig = Rig()
    rig.read(FIRST, times=40)
    again = seen({"P1.R": sample("P1.R", 15.0, u=0.1, time_ns=rig.memory.measured_ns)})
    best_s = 1.0
    for _ in range(5):
        began = perf_counter()
        for _ in range(200):
            rig.watch.step(rig.memory, again)
        best_s = min(best_s, (perf_counter() - began) / 200)
    assert best_s < 50e-6
