"""Frames as a chain makes them, small."""

from collections.abc import Callable, Sequence

import pytest

from gateway.tags import (
    GOOD,
    AlarmRecord,
    AlarmState,
    Frame,
    Instant,
    Reading,
    Sample,
    Transition,
)

STEP_NS = 1_000_000_000
BEGIN_NS = 1_790_000_000_000_000_000

FrameMaker = Callable[..., Frame]


def make_frame(
    sequence: int,
    *,
    machine: str = "G1",
    utc_ns: int | None = None,
    samples: Sequence[Sample] | None = None,
    transitions: Sequence[Transition] = (),
) -> Frame:
    """Frame `sequence` of a machine that steps once a second."""
    time_ns = BEGIN_NS + sequence * STEP_NS if utc_ns is None else utc_ns
    at = Instant(time_ns, sequence * STEP_NS)
    if samples is None:
        samples = (
            Sample(f"{machine}.resistance", 1000.0 + sequence * 0.37, GOOD, time_ns, 0.7),
            Sample(f"{machine}.brush", True, GOOD, time_ns),
        )
    return Frame(
        machine,
        sequence,
        at,
        (Reading("monitor.resistance", (sequence & 0xFFFF,), GOOD, at),),
        (),
        tuple(samples),
        (AlarmRecord(f"{machine}.earth-fault", AlarmState.NORMAL, True, 0),),
        tuple(transitions),
    )


@pytest.fixture
def frame() -> FrameMaker:
    return make_frame
