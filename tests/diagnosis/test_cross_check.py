"""Paths of one quantity agree within their uncertainty, or are said to disagree."""

import json
from math import hypot, sqrt
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.diagnosis.cross_check import CrossCheckMemory, CrossChecks
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    UNCERTAIN_LAST_USABLE_VALUE,
    Subject,
)
from tests.diagnosis.evidence_site import AT_LEAST, AT_MOST, PATHS, sample, seen, site

KEYS = ("P1.R", "P1.READ", "P1.LOOP", "P1.TRIPPED")


def desk(**check):
    return CrossChecks(site(P1={"cross_checks": ({**PATHS, **check},)}), "P1")


def run(checks, samples, *, seconds=20, memory=None, **more):
    """The answer after `seconds` steps of a second each."""
    memory = memory or CrossCheckMemory()
    for _ in range(seconds):
        memory, agreements, found = checks.step(memory, seen(samples, **more))
    return memory, agreements[0], found


def values(computed, read, loop, contact):
    pairs = zip(KEYS, (computed, read, loop, contact), strict=True)
    return {tag: value for tag, value in pairs if value is not None}


def test_paths_that_agree_are_said_to_agree_at_once():
    """Digital value, loop and contact of one fault agree from the first step on, by name."""
    _, agreement, found = run(desk(), values(12.0, 12.3, 11.8, True), seconds=1)
    assert (True, KEYS, "", []) == (
        agreement.agrees,
        agreement.compared,
        agreement.odd_one_out,
        found,
    )


@pytest.mark.parametrize(
    ("given", "odd", "kind"),
    [
        (values(12.0, 12.1, 500.0, True), "P1.LOOP", Subject.LOOP),
        (values(12.0, 12.1, 11.9, False), "P1.TRIPPED", Subject.CONTACT),
        (values(900.0, 12.1, 11.9, True), "P1.R", Subject.VALUE),
        (values(12.0, 12.1, 500.0, None), "P1.LOOP", Subject.LOOP),
    ],
)
def test_the_odd_one_of_three_or_more_is_named(given, odd, kind):
    """The path without which all others agree is the odd one out, with the figures of all."""
    _, agreement, found = run(desk(), given)
    assert (False, odd) == (agreement.agrees, agreement.odd_one_out)
    assert [(odd, kind, "odd one out")] == [(f.subject, f.kind, f.cause) for f in found]
    assert "kohm" in found[0].detail
    assert all(tag in found[0].detail for tag in given)


@pytest.mark.parametrize(
    "given",
    [
        values(12.0, None, 500.0, None),
        values(None, 12.0, None, False),
        # Two pairs that each agree: neither is odd.
        values(12.0, 12.1, 500.0, False),
        # The contact has not actuated at 50 kohm or at 9 Mohm: it favours neither of the two.
        values(50.0, None, 9000.0, False),
    ],
)
def test_no_culprit_is_named_where_none_can_be_told(given):
    """Of two paths, or of two camps, it is said of the machine that they disagree."""
    _, agreement, found = run(desk(), given)
    assert (False, "") == (agreement.agrees, agreement.odd_one_out)
    assert [("P1", Subject.MACHINE, "paths disagree")] == [
        (f.subject, f.kind, f.cause) for f in found
    ]


def test_a_disagreement_must_last():
    """Nothing is said for the time to settle, neither that they agree; then it is, exactly."""
    given = values(12.0, None, 500.0, None)
    memory, agreement, found = run(desk(settle="15 s"), given, seconds=15)
    assert (None, []) == (agreement.agrees, found)
    memory, agreement, found = run(desk(settle="15 s"), given, seconds=1, memory=memory)
    assert (False, 1) == (agreement.agrees, len(found))
    agreed = values(12.0, None, 12.0, None)
    memory, agreement, found = run(desk(settle="15 s"), agreed, seconds=1, memory=memory)
    assert (
        True,
        [],
        CrossCheckMemory({"fault resistance": type(memory.checks["fault resistance"])()}),
    ) == (
        agreement.agrees,
        found,
        memory,
    )


def test_what_was_said_keeps_the_figures_of_the_moment_it_was_said():
    """While a disagreement lasts its text stands still, so that it is one piece of news."""
    checks = desk()
    memory, _, before = run(checks, values(12.0, 12.0, 500.0, True))
    later, _, after = run(checks, values(11.0, 11.0, 700.0, True), memory=memory, seconds=5)
    assert before == after
    assert later is memory


def test_another_culprit_is_named_only_after_it_has_settled():
    """Where the odd one changes, the new one must be it for the time to settle."""
    checks = desk(settle="15 s")
    memory, _, _ = run(checks, values(12.0, 12.0, 500.0, True))
    changed = values(500.0, 12.0, 12.0, True)
    memory, agreement, _ = run(checks, changed, memory=memory, seconds=15)
    assert (False, "P1.LOOP") == (agreement.agrees, agreement.odd_one_out)
    memory, agreement, _ = run(checks, changed, memory=memory, seconds=1)
    assert (False, "P1.R") == (agreement.agrees, agreement.odd_one_out)


@pytest.mark.parametrize("how", ["bad", "held", "blind"])
def test_unknown_freezes_and_clears_nothing(how):
    """A bad, held or blind path takes no part; what was said stays, and the time stands still."""
    checks = desk(settle="15 s")
    apart = values(12.0, None, 500.0, None)
    memory, _, _ = run(checks, apart, seconds=10)
    lost = {
        "bad": sample("P1.LOOP", 0.0, status=BAD_COMMUNICATION_ERROR),
        "held": sample("P1.LOOP", 500.0, status=UNCERTAIN_LAST_USABLE_VALUE),
        "blind": 500.0,
    }[how]
    unknown = {**apart, "P1.LOOP": lost}
    blind = ("P1.LOOP",) if how == "blind" else ()
    frozen, agreement, found = run(checks, unknown, memory=memory, seconds=100, blind=blind)
    assert (None, ("P1.R",), []) == (agreement.agrees, agreement.compared, found)
    assert frozen is memory
    memory, _, said = run(checks, apart, memory=memory)
    frozen, agreement, found = run(checks, unknown, memory=memory, seconds=100, blind=blind)
    assert (said, None) == (found, agreement.agrees)
    assert frozen is memory


@pytest.mark.parametrize(
    ("computed", "read", "agrees"),
    [
        ((9000.0, AT_LEAST), (9999.0, AT_LEAST), True),
        ((9000.0, AT_LEAST), (5000.0, AT_LEAST), True),
        ((300.0, AT_LEAST), (4000.0, None), True),
        ((9000.0, AT_LEAST), (4000.0, None), False),
        ((0.4, AT_MOST), (0.1, None), True),
        ((0.4, AT_MOST), (5.0, None), False),
        ((0.4, AT_MOST), (9999.0, AT_LEAST), False),
    ],
)
def test_at_least_and_at_most_are_half_lines(computed, read, agrees):
    """Limit bits say less than a number, and are compared as what they say."""
    given = {
        tag: sample(tag, value, status=status if status is not None else AT_LEAST.code)
        for tag, (value, status) in (("P1.R", computed), ("P1.READ", read))
    }
    _, agreement, _ = run(desk(), given)
    assert agrees is agreement.agrees


def test_a_loop_at_the_end_of_its_span_says_no_more_than_that():
    """A dead fault below the span of the loop is no disagreement, nor is a perfect winding."""
    for read, loop, contact in ((0.2, 1.0, True), (20000.0, 10000.0, False)):
        _, agreement, _ = run(desk(), values(None, read, loop, contact))
        assert agreement.agrees is True
    _, agreement, _ = run(desk(), values(None, 0.2, 1.5, True))
    assert agreement.agrees is False


@pytest.mark.parametrize(
    ("value", "actuated", "agrees"),
    [(21.9, True, True), (24.3, True, False), (18.1, False, True), (16.3, False, False)],
)
def test_nothing_is_concluded_within_the_accuracy_of_a_contact(value, actuated, agrees):
    """A contact set at 20 kohm within 10 %: actuated is below 22 kohm, else above 18 kohm.

    The allowance of 10 % comes on top: 22 kohm / 0.9 = 24.4 kohm, 18 kohm * 0.9 = 16.2 kohm, so
    it is left out here.
    """
    _, agreement, _ = run(desk(allowance="0 %"), values(None, value, None, actuated))
    assert agrees is agreement.agrees


def test_values_within_their_largest_permissible_errors_never_disagree():
    """Two devices at the far ends of their accuracies still agree, without any allowance.

    Outside check: a largest permissible error a is u = a/sqrt(3) (GUM 4.3.7), so k = 2 of each
    path reaches a * 2/sqrt(3) > a; in quadrature it would reach only 0.82 of two equal errors.
    """
    accuracy, true = 1.0, 50.0
    u = accuracy / sqrt(3)
    assert 2 * hypot(u, u) < 2 * accuracy
    given = {
        "P1.R": sample("P1.R", true - accuracy, u=u),
        "P1.READ": sample("P1.READ", true + accuracy, u=u),
    }
    _, agreement, _ = run(desk(allowance="0 %"), given)
    assert agreement.agrees is True
    wider = {**given, "P1.READ": sample("P1.READ", true + 1.4 * accuracy, u=u)}
    _, agreement, _ = run(desk(allowance="0 %"), wider)
    assert agreement.agrees is False


ANY = st.one_of(
    st.none(),
    st.tuples(
        st.floats(0.01, 1e4),
        st.floats(0, 100),
        st.sampled_from([AT_LEAST.code, AT_LEAST, AT_MOST, BAD_COMMUNICATION_ERROR]),
    ),
)


@given(st.lists(st.tuples(ANY, ANY, ANY, st.sampled_from([None, True, False])), max_size=30))
def test_any_samples_give_answers_that_fit_together(rows):
    """Whatever comes: an odd one is one of three or more compared ones, a memory reads back as it
    was written, and what is found is what is said to disagree."""
    checks, memory = desk(settle="2 s"), CrossCheckMemory()
    adapter = TypeAdapter(CrossCheckMemory)
    for row in rows:
        given = {
            tag: sample(tag, value[0], u=value[1], status=value[2])
            if isinstance(value, tuple)
            else value
            for tag, value in zip(KEYS, row, strict=True)
            if value is not None
        }
        memory, (agreement,), found = checks.step(memory, seen(given))
        plain = json.loads(json.dumps(adapter.dump_python(memory, mode="json"), allow_nan=False))
        assert memory == adapter.validate_python(plain)
        if agreement.agrees is True:
            assert [] == found
        if agreement.agrees is False:
            assert 1 == len(found)
            assert len(agreement.compared) >= 2
        if agreement.agrees is None and len(agreement.compared) < 2:
            assert (agreement.odd_one_out != "") <= (found != [])


def test_true_values_over_paths_as_they_are_specified_never_disagree():
    """A thousand windings read within their accuracies by all paths: none is said to disagree."""
    random, checks = Random(7), desk(settle="0 s")
    for _ in range(1000):
        true = 10 ** random.uniform(0.1, 3.9)
        given = {"P1.TRIPPED": true < 20.0 * random.uniform(0.9, 1.1)}
        for tag, share in (("P1.R", 0.01), ("P1.READ", 0.05), ("P1.LOOP", 0.03)):
            error = random.uniform(-share, share)
            given[tag] = sample(tag, true * (1 + error), u=true * (1 + error) * share / sqrt(3))
        _, (agreement,), found = checks.step(CrossCheckMemory(), seen(given))
        assert (True, []) == (agreement.agrees, found)


def test_a_machine_without_cross_checks_has_nothing_to_say():
    """No checks, no agreements, and the same memory."""
    checks, memory = CrossChecks(site(), "B1"), CrossCheckMemory()
    after, agreements, found = checks.step(memory, seen({}))
    assert ((), []) == (agreements, found)
    assert after is memory
