"""What a device says of its own values."""

import pytest

from gateway.signals.self_report import Word, self_report
from gateway.site.profile import DeviceProfile
from gateway.tags import (
    BAD_DEVICE_FAILURE,
    BAD_OUT_OF_SERVICE,
    GOOD,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
)

SECOND = 1_000_000_000


def report(point="r", heartbeat=True, **first_bit):
    points = [{"name": n, "function": 4, "address": i} for i, n in enumerate(("r", "s", "h", "t"))]
    quality = [
        {"point": "s", "bit": 1, "means": "device failure", **first_bit},
        {"point": "s", "bit": 2, "means": "no communication"},
        {"point": "s", "bit": 3, "means": "value held"},
        {"point": "s", "bit": 4, "means": "out of service"},
        {"point": "s", "bit": 5, "means": "function check"},
    ]
    more = {"heartbeat": {"point": "h", "stopped_after": "5 s"}} if heartbeat else {}
    return self_report(
        DeviceProfile.model_validate(
            {"profile": "monitor", "points": tuple(points), "quality": tuple(quality), **more}
        ),
        "mon",
        point,
    )


def words(status, beat_since_ns=0):
    return {"mon.s": Word(status, 0), "mon.h": Word(7, beat_since_ns)}


# OPC 30142 tables 13 to 15: device status and StatusCode.
@pytest.mark.parametrize(
    ("status", "expected"),
    [
        (0b00000, GOOD),
        (0b00001, GOOD),
        (0b00010, BAD_DEVICE_FAILURE),
        (0b00100, UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE),
        (0b01000, UNCERTAIN_LAST_USABLE_VALUE),
        (0b10000, BAD_OUT_OF_SERVICE),
        (0b100000, UNCERTAIN_LAST_USABLE_VALUE),  # a test under way: the value is held
        (0b01110, BAD_DEVICE_FAILURE),
        (0b11100, BAD_OUT_OF_SERVICE),
    ],
)
def test_bits_speak_by_the_table(status, expected):
    """Each bit of the status word means what the profile says; of several, the worst."""
    assert expected == report().quality(words(status), 0)


def test_bit_may_speak_by_being_0():
    """A bit may be 'ready' rather than 'failed'."""
    assert BAD_DEVICE_FAILURE == report(when=0).quality(words(0), 0)
    assert GOOD == report(when=0).quality(words(0b10), 0)


def test_bit_speaks_of_the_points_it_names():
    """A bit that names points says nothing of the others."""
    assert BAD_DEVICE_FAILURE == report("r", of=("r",)).quality(words(0b10), 0)
    assert GOOD == report("t", of=("r",)).quality(words(0b10), 0)


def test_unread_word_says_nothing():
    """Before the status word was read nothing is said against a value."""
    assert GOOD == report().quality({}, 100 * SECOND)


def test_stopped_heartbeat_makes_values_old():
    """A counter that stands for longer than its time says that nothing is measured any more."""
    assert GOOD == report().quality(words(0), 5 * SECOND)
    assert UNCERTAIN_LAST_USABLE_VALUE == report().quality(words(0), 5 * SECOND + 1)
    late = words(0, beat_since_ns=100 * SECOND)
    assert GOOD == report().quality(late, 105 * SECOND)
    assert UNCERTAIN_LAST_USABLE_VALUE == report().quality(late, 105 * SECOND + 1)
    assert BAD_DEVICE_FAILURE == report().quality(words(0b10), 6 * SECOND)
    assert GOOD == report(heartbeat=False).quality(words(0), 6 * SECOND)


def test_heartbeat_is_renewed_by_change_only():
    """The same count again is no beat."""
    word = Word(7, 0).renewed(7, 9).renewed(8, 10).renewed(8, 20)
    assert Word(8, 10) == word


def test_what_must_be_read_to_know():
    """The points that speak of a point are named, and no point speaks of itself."""
    assert {"mon.s", "mon.h"} == report("r").points
    assert {"mon.h"} == report("s").points
    assert {"mon.s"} == report("h").points
    assert {"mon.s"} == report("r", heartbeat=False).points
