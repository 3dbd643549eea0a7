"""Expressions over operating states."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.site.expression import OPERATING_STATES, expression

TRUTHS = (True, False, None)


@pytest.mark.parametrize(
    ("text", "a", "b"), [("excited and running", True, False), ("excited or running", False, True)]
)
def test_kleene_tables(text, a, b):
    """'and' is false where one is, 'or' true where one is; else unknown where one is unknown."""
    # Strong three-valued logic of Kleene, Introduction to Metamathematics (1952), section 64.
    for one, other in product(TRUTHS, repeat=2):
        expected = b if b in (one, other) else None if None in (one, other) else a
        found = expression(text).value({"excited": one, "running": other})
        assert (expected, type(expected)) == (found, type(found))


@pytest.mark.parametrize(
    ("text", "states", "value"),
    [
        ("not excited", {"excited": False}, True),
        ("not excited", {"excited": None}, None),
        ("not excited", {}, None),
        ("cold", {"hot": False}, True),
        ("standstill", {"running": True}, False),
        ("not running and cold", {"running": False, "hot": False}, True),
        # 'and' binds closer than 'or', 'not' closer than both.
        ("excited or running and hot", {"excited": True, "running": False, "hot": False}, True),
        ("(excited or running) and hot", {"excited": True, "running": False, "hot": False}, False),
        ("not excited or running", {"excited": False, "running": False}, True),
        ("not (excited or running)", {"excited": False, "running": True}, False),
        (" not  not\tloaded ", {"loaded": True}, True),
    ],
)
def test_meaning(text, states, value):
    """An expression means what it says in English, with the usual precedence."""
    assert value is expression(text).value(states)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "at character 1: an operating state is expected, but the text ends"),
        ("not", "at character 4: an operating state is expected, but the text ends"),
        ("excited and", "at character 12: an operating state is expected, but the text ends"),
        ("excited & hot", "at character 9: 'and' or 'or' is expected, not '&'"),
        ("excited hot", "at character 9: 'and' or 'or' is expected, not 'hot'"),
        ("(excited or hot", "at character 16: ')' is expected, but the text ends"),
        ("excited)", "at character 8: 'and' or 'or' is expected, not ')'"),
        ("or hot", "at character 1: an operating state is expected, not 'or'"),
        ("not exited", "at character 5: there is no operating state 'exited'; did you mean"),
        ("(" * 80 + "hot" + ")" * 80, "an expression has at most 160 characters, not 163"),
    ],
)
def test_a_wrong_text_is_told_with_its_place(text, told):
    """What is wrong is told with the character at which it begins."""
    with pytest.raises(ValueError, match=r".") as error:
        expression(text)
    assert told in str(error.value)


@given(st.text("()andortexci hot", max_size=200))
def test_any_text_is_an_expression_or_a_plain_error(text):
    """No text does anything but parse or be told."""
    try:
        found = expression(text)
    except ValueError as error:
        assert "character" in str(error)
    else:
        assert set(found.states) <= set(OPERATING_STATES)


TREES = st.recursive(
    st.sampled_from(OPERATING_STATES),
    lambda inner: (
        st.tuples(inner).map(lambda t: f"not ({t[0]})")
        | st.tuples(inner, st.sampled_from(["and", "or"]), inner).map(
            lambda t: f"({t[0]}) {t[1]} ({t[2]})"
        )
    ),
    max_leaves=6,
)


@given(TREES.filter(lambda t: len(t) <= 160), st.tuples(*[st.booleans()] * 4))
def test_of_known_states_it_is_ordinary_logic(text, states):
    """Where all is known, an expression has the value that Python gives the same text."""
    known = dict(zip(OPERATING_STATES, states, strict=True))
    assert eval(text, {}, known) == expression(text).value(known)  # noqa: S307


@given(
    TREES.filter(lambda t: len(t) <= 160),
    st.tuples(*[st.booleans()] * 4),
    st.sets(st.sampled_from(OPERATING_STATES)),
)
def test_what_is_not_known_never_turns_a_value(text, states, hidden):
    """Taking knowledge away makes a value unknown or leaves it, and never turns it."""
    known = dict(zip(OPERATING_STATES, states, strict=True))
    seen = {s: None if s in hidden else v for s, v in known.items()}
    assert expression(text).value(seen) in (None, expression(text).value(known))
