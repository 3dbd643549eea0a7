"""Links and devices that do not answer, told from the failed polls alone."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.diagnosis.link_health import LinkHealth, LinkMemory
from gateway.diagnosis.subjects import subjects
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_NO_COMMUNICATION,
    BAD_TIMEOUT,
    Subject,
)
from tests.diagnosis.health_site import Plant, site


class Watched:
    """A plant and the watch over its links."""

    def __init__(self, installed=None):
        self.site = installed or site()
        self.plant = Plant(self.site)
        self.health = LinkHealth(self.site, "U1")
        self.memory = LinkMemory()

    def step(self, times=1, seconds=1.0, **dead):
        for _ in range(times):
            self.plant.dead = dead
            seen = self.plant.step(seconds)
            self.memory, self.report = self.health.step(self.memory, seen)
        return self.report

    def causes(self, *args, **dead):
        return {(f.kind, f.subject, f.cause) for f in self.step(*args, **dead).found}


def test_everything_answers():
    """While all devices answer nothing is found, and nothing new is remembered."""
    watched = Watched()
    watched.step()
    before = watched.memory
    assert set() == watched.causes(50)
    assert before is watched.memory


def test_one_lost_answer_is_no_news():
    """An answer that is lost once is made up for by the next poll."""
    watched = Watched()
    watched.step(5)
    assert set() == watched.causes(1, mon=BAD_TIMEOUT)
    assert set() == watched.causes(20)


def test_one_silent_device_is_no_dead_link():
    """A device that fails while others on its link answer does not answer; the link is well."""
    watched = Watched()
    watched.step(5)
    assert {(Subject.MONITOR, "mon", "no answer")} == watched.causes(5, mon=BAD_TIMEOUT)
    assert "no answer" == watched.report.silent["mon"][0]
    assert "link row" in watched.report.found[0].detail


def test_all_silent_devices_are_a_dead_link():
    """When nothing on a link answers, the link is dead, and its devices say nothing else."""
    watched = Watched()
    watched.step(5)
    expected = {
        (Subject.LINK, "row", "dead link"),
        (Subject.MONITOR, "mon", "dead link"),
        (Subject.MONITOR, "aux", "dead link"),
    }
    assert expected == watched.causes(5, mon=BAD_TIMEOUT, aux=BAD_TIMEOUT)
    assert set() == watched.causes(1)


def test_lost_answer_beside_a_silent_device_is_no_dead_link():
    """One lost answer of the last live device does not make a dead link of a silent device."""
    watched = Watched()
    watched.step(5)
    watched.step(10, mon=BAD_TIMEOUT)
    expected = {(Subject.MONITOR, "mon", "no answer")}
    assert expected == watched.causes(1, mon=BAD_TIMEOUT, aux=BAD_TIMEOUT)
    assert expected == watched.causes(1, mon=BAD_TIMEOUT)


@pytest.mark.parametrize(
    ("status", "answered", "expected"),
    [
        (BAD_TIMEOUT, True, {(Subject.MONITOR, "io", "no answer")}),
        (BAD_NO_COMMUNICATION, False, {(Subject.LINK, "net", "dead link")}),
        (BAD_COMMUNICATION_ERROR, True, {(Subject.LINK, "net", "dead link")}),
        (BAD_COMMUNICATION_ERROR, False, {(Subject.MONITOR, "io", "refused")}),
    ],
)
def test_single_device_on_a_link(status, answered, expected):
    """Alone on its link, a silent device is the device's matter; a lost connection is the link's.

    A device that refuses from the start has the same status as a lost connection, and never had
    one.
    """
    watched = Watched()
    if answered:
        watched.step(5)
    found = watched.causes(5, io=status)
    assert expected == found - {(Subject.MONITOR, "io", "dead link")}


def test_no_news_is_not_good_news():
    """A dead device that is asked no more stays dead, however long."""
    watched = Watched()
    watched.step(5)
    watched.step(5, mon=BAD_TIMEOUT)
    watched.plant.unpolled = {"mon"}
    assert {(Subject.MONITOR, "mon", "no answer")} == watched.causes(100, seconds=30.0)


def test_first_failure_is_enough_when_polls_become_rare():
    """A device that failed once and is not asked again is found, as nothing speaks for it."""
    watched = Watched()
    watched.step(5)
    watched.step(1, mon=BAD_TIMEOUT)
    watched.plant.unpolled = {"mon"}
    assert {(Subject.MONITOR, "mon", "no answer")} == watched.causes(5)


def test_refused_point_of_a_device_that_answers():
    """A device that answers, but not one of the points, is said to refuse; it is not lost."""
    watched = Watched(site(spare=True))
    watched.step(2)
    for _ in range(10):
        # Two requests: the refusal never comes together with the answer.
        watched.plant.unpolled = {"aux.spare"}
        watched.step(1)
        watched.plant.unpolled = {"aux.t"}
        found = watched.step(1, aux=BAD_COMMUNICATION_ERROR).found
    assert [("aux", "refused")] == [(f.subject, f.cause) for f in found]
    assert "it answers, but does not give spare" == found[0].detail
    assert {"aux.spare"} == watched.report.refused
    assert {} == watched.report.silent
    watched.plant.unpolled = set()
    assert set() == watched.causes(1)


def test_flapping_link():
    """A link whose device is lost five times in ten minutes flaps, until it has held for long."""
    watched = Watched()
    watched.step(5)
    for _ in range(4):
        watched.step(5, io=BAD_TIMEOUT)
        watched.step(20)
    assert set() == watched.causes(20)
    watched.step(5, io=BAD_TIMEOUT)
    assert {(Subject.LINK, "net", "flapping link")} == watched.causes(1)
    assert "io was lost 5 times within 120 s" == watched.report.found[0].detail
    for _ in range(5):
        watched.step(5, io=BAD_TIMEOUT)
        watched.step(5)
    assert 5 == len(watched.memory.contacts["io"].drops)
    assert {(Subject.LINK, "net", "flapping link")} == watched.causes(1)
    assert set() == watched.causes(10, seconds=60.0)


@given(st.lists(st.sampled_from([None, BAD_TIMEOUT, BAD_COMMUNICATION_ERROR]), max_size=60))
def test_memory_is_bounded_and_plain(polls):
    """Whatever comes, memory stays small and reads back as it was written."""
    watched = Watched()
    for status in polls:
        watched.step(1, **({} if status is None else {"io": status, "mon.ip": status}))
    adapter = TypeAdapter(LinkMemory)
    assert watched.memory == adapter.validate_json(adapter.dump_json(watched.memory))
    assert all(len(c.drops) <= 5 for c in watched.memory.contacts.values())


def test_what_a_tag_rests_on():
    """A tag rests on itself, its device and its link; a computed one on those of its inputs."""
    within = subjects(site(), "U1")
    assert {"U1.LOOP", "io", "net"} == within.subjects_of("U1.LOOP")
    inputs = {"U1.IP", "U1.IN", "U1.UP", "U1.UN"}
    assert {"U1.R", "mon", "row"} | inputs == within.subjects_of("U1.R")
