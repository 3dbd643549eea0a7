"""Read planning, held against every other way to do it."""

from collections.abc import Iterator
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.field.line_time import rtu_cost, tcp_cost
from gateway.field.plan import Cost, Limits, Request, Span, plan

LIMITS = Limits()
SLOW = rtu_cost(9600, 0.005)


def holding(name: str, address: int, count: int = 1) -> Span:
    return Span(name, 3, address, count)


def total_s(requests: tuple[Request, ...], cost: Cost) -> float:
    return sum(cost.of(r.function, r.count) for r in requests)


def partitions(items: list[Span]) -> Iterator[list[list[Span]]]:
    """Every way to part a list into groups, in any order and mixture."""
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for parts in partitions(rest):
        yield [[first], *parts]
        for i in range(len(parts)):
            yield [*parts[:i], [first, *parts[i]], *parts[i + 1 :]]


def least_s(points: list[Span], limits: Limits, cost: Cost) -> float:
    """The cheapest partition, found by trying all of them."""
    best_s = inf
    for parts in partitions(points):
        sum_s = 0.0
        for part in parts:
            first, end = min(p.address for p in part), max(p.end for p in part)
            hit = any(
                u.function == part[0].function and u.address < end and first < u.end
                for u in limits.unreadable
            )
            if hit or end - first > limits.longest(part[0].function):
                sum_s = inf
            if len({p.function for p in part}) > 1:
                sum_s = inf
            sum_s += cost.of(part[0].function, end - first)
        best_s = min(best_s, sum_s)
    return best_s


spans = st.builds(
    Span,
    st.sampled_from("abcdef"),
    st.sampled_from((1, 3, 3, 4)),
    st.integers(0, 40),
    st.integers(1, 2),
)


@given(
    points=st.lists(spans, min_size=1, max_size=6),
    longest=st.integers(2, 30),
    unreadable=st.lists(
        st.builds(Span, st.just("u"), st.just(3), st.integers(0, 40), st.integers(1, 5)),
        max_size=2,
    ),
    cost=st.builds(Cost, st.floats(0.0, 0.1), st.floats(0.0, 0.01)),
)
def test_no_partition_is_cheaper(
    points: list[Span], longest: int, unreadable: list[Span], cost: Cost
) -> None:
    """The plan costs as little as the best of all partitions, or there is no plan at all."""
    limits = Limits(longest, longest, tuple(unreadable))
    expected = least_s(points, limits, cost)
    if expected == inf:
        with pytest.raises(ValueError, match="unreadable"):
            plan(points, limits, cost)
        return
    requests = plan(points, limits, cost)
    assert pytest.approx(expected, abs=1e-12) == total_s(requests, cost)
    assert sorted(points, key=repr) == sorted((s for r in requests for s in r.spans), key=repr)
    for r in requests:
        assert r.count <= longest
        assert all(
            s.function == r.function and r.address <= s.address and s.end <= r.address + r.count
            for s in r.spans
        )
        assert not any(
            u.function == r.function and u.address < r.address + r.count and r.address < u.end
            for u in unreadable
        )


def test_a_gap_is_read_over_while_that_is_cheaper() -> None:
    """At 9600 baud a request pays for 13 characters, 5 ms and two silences: 12 registers."""
    # By hand from the published times: (13 * 1.14583 + 5 + 2 * 4.0104) / (2 * 1.14583) = 12.18
    points = [holding("a", 0), holding("b", 13)]
    assert 1 == len(plan(points, LIMITS, SLOW))
    assert 2 == len(plan([holding("a", 0), holding("b", 14)], LIMITS, SLOW))


def test_greedy_would_be_dearer() -> None:
    """Where filling each request to its limit costs more registers, the plan does not do it."""
    points = [holding(n, a) for n, a in (("a", 0), ("b", 10), ("c", 11), ("d", 12))]
    requests = plan(points, Limits(registers_per_request=11), SLOW)
    assert [(0, 1), (10, 3)] == [(r.address, r.count) for r in requests]


def test_a_long_point_is_never_split() -> None:
    """Both registers of a 32-bit point come from one request, whatever the limit is."""
    points = [holding("a", 0), holding("b", 1, 2), holding("c", 3)]
    requests = plan(points, Limits(registers_per_request=2), SLOW)
    assert ["b"] in [[s.name for s in r.spans] for r in requests]


def test_bits_are_counted_as_bits() -> None:
    """Two thousand coils are one request; the register limit does not hold for them."""
    points = [Span("a", 1, 0, 1), Span("b", 1, 1999, 1)]
    assert [(0, 2000)] == [(r.address, r.count) for r in plan(points, LIMITS, tcp_cost(0.0))]
    assert 2 == len(plan([points[0], Span("c", 1, 2000, 1)], LIMITS, tcp_cost(0.0)))


def test_what_cannot_be_read_is_named() -> None:
    """A point that its own profile makes unreadable is refused by name."""
    with pytest.raises(ValueError, match=r"d\.flux takes 2 addresses"):
        plan([holding("d.flux", 4, 2)], Limits(registers_per_request=1), SLOW)
    with pytest.raises(ValueError, match=r"d\.flux .* unreadable"):
        plan([holding("d.flux", 4, 2)], Limits(unreadable=(holding("u", 5, 3),)), SLOW)


def test_nothing_to_read_is_no_request() -> None:
    """Without points there is nothing to ask."""
    assert () == plan([], LIMITS, SLOW)
