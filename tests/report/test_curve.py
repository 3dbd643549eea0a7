"""A thinned curve: bounded, true to the extremes, and open where nothing was measured."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.report.curve import BINS, Kind, thinned
from gateway.tags import (
    BAD_TIMEOUT,
    GOOD,
    UNCERTAIN_LAST_USABLE_VALUE,
    Limit,
    Sample,
    Status,
)

S = 10**9
HOUR = 3600 * S


def sample(value: float | None, status: Status = GOOD, u: float | None = None) -> Sample:
    return Sample("G1.R", value, status, 0, u)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([1, 7, 60, 400]),
            st.sampled_from([None, 1.0, 2.0, 5.0, 900.0]),
            st.sampled_from([GOOD, GOOD.with_limit(Limit.HIGH), UNCERTAIN_LAST_USABLE_VALUE]),
        ),
        max_size=400,
    )
)
def test_a_curve_is_bounded_and_keeps_its_extremes(
    rows: list[tuple[int, float | None, Status]],
) -> None:
    """Lowest and highest value of each kind stay; times rise in a run; the size has a bound."""
    at_ns, history = 0, []
    for seconds, value, status in rows:
        at_ns += seconds * S
        history.append((at_ns, sample(value, BAD_TIMEOUT if value is None else status)))
    curve = thinned(history, 0, at_ns + S)
    for kind, wanted in (
        (Kind.MEASURED, GOOD),
        (Kind.BOUND, GOOD.with_limit(Limit.HIGH)),
        (Kind.OLD, UNCERTAIN_LAST_USABLE_VALUE),
    ):
        given_values = {s.value for _, s in history if s.status == wanted}
        drawn = {s.value for run in curve.runs if run.kind is kind for s in run.spots}
        assert drawn <= given_values
        if given_values:
            values = [v for v in given_values if v is not None]
            assert (min(values), max(values)) == (min(drawn), max(drawn))
    for run in curve.runs:
        times = [s.time_ns for s in run.spots]
        assert times == sorted(times)
    assert sum(len(run.spots) for run in curve.runs) <= 4 * 3 * (BINS + 1)


def test_a_long_history_becomes_short() -> None:
    """A day of seconds has at most four points in each of the bins; one spike is still there."""
    history = ((k * S, sample(5e3 if k == 43_210 else 1.0 + k % 2)) for k in range(1, 86_400))
    curve = thinned(history, 0, 86_400 * S)
    (run,) = curve.runs
    assert len(run.spots) <= 4 * (BINS + 1)
    assert 5e3 == max(s.value for s in run.spots)


def test_a_gap_is_a_gap() -> None:
    """A bad sample opens the curve; a value that is not restated stands for 90 s, not longer."""
    history = [
        (0, sample(1.0)),
        (60 * S, sample(2.0)),
        (120 * S, sample(None, BAD_TIMEOUT)),
        (180 * S, sample(3.0)),
        (1000 * S, sample(4.0)),
    ]
    curve = thinned(history, 0, HOUR)
    assert ((120 * S, 180 * S), (270 * S, 1000 * S), (1090 * S, HOUR)) == curve.gaps()
    assert [1.0, 1.0, 2.0, 2.0] == [s.value for s in curve.runs[0].spots]


def test_the_clock_set_back_draws_nothing_twice() -> None:
    """Samples of a time that is drawn already are left out."""
    history = [(60 * S, sample(1.0)), (30 * S, sample(9.0)), (90 * S, sample(2.0))]
    curve = thinned(history, 0, 120 * S)
    assert {1.0, 2.0} == {s.value for run in curve.runs for s in run.spots}
