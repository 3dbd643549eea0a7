"""The clock watch, on made-up instants."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.service.clock import ClockWatch, now
from gateway.tags import Instant

S = 1_000_000_000
T0 = 1_790_000_000 * S


def test_now_is_both_clocks() -> None:
    """Two moments in a row differ by the same on both clocks, and are not of another epoch."""
    first, second = now(), now()
    assert first.utc_ns > 1_700_000_000 * S
    assert 0.0 == _steps(first, second)[1]


def _steps(*instants: Instant) -> list[float]:
    watch = ClockWatch()
    return [watch.check(instant) for instant in instants]


def test_steps_are_reported_once() -> None:
    """A clock that is set shows as one step with its sign; the time between checks does not."""
    instants = (
        Instant(T0, 0),
        Instant(T0 + 5 * S, 5 * S),
        Instant(T0 + 3606 * S, 6 * S),
        Instant(T0 + 3607 * S, 7 * S),
        Instant(T0 + 3606 * S + S // 2, 8 * S),
    )
    assert [0.0, 0.0, 3600.0, 0.0, -1.5] == _steps(*instants)


def test_slewing_is_no_step() -> None:
    """A clock slewed by 500 ppm, the most that adjtime(3) does, is never called a step."""
    instants = [Instant(T0 + i * S + i * 500_000, i * S) for i in range(5000)]
    assert {0.0} == set(_steps(*instants))


@given(st.integers(0, 10**12), st.integers(-(10**15), 10**15))
def test_step_is_the_difference(elapsed_ns: int, set_by_ns: int) -> None:
    """Whatever time has gone by, the step is what the clock was set by, from 0.1 s up."""
    before = Instant(T0, 0)
    after = Instant(T0 + elapsed_ns + set_by_ns, elapsed_ns)
    expected = set_by_ns / 1e9 if abs(set_by_ns) >= S // 10 else 0.0
    assert [0.0, expected] == _steps(before, after)
