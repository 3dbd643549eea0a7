"""The YAML of a site file: scalars of YAML 1.2, places of everything, nothing hidden."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.site.yaml_marks import YamlFault, load


# YAML 1.2.2, 10.2 (JSON schema) and 10.3 (core schema); what they do not name is text.
@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("true", True),
        ("false", False),
        ("yes", "yes"),
        ("no", "no"),
        ("on", "on"),
        ("off", "off"),
        ("y", "y"),
        ("12:30:00", "12:30:00"),
        ("2026-01-09", "2026-01-09"),
        ("1_000", "1_000"),
        ("010", "010"),
        ("0b11", "0b11"),
        ("0x1F", 31),
        ("0", 0),
        ("-17", -17),
        ("1e3", 1000.0),
        ("1.5", 1.5),
        (".5", 0.5),
        ("-2.5E-3", -0.0025),
        (".inf", ".inf"),
        ("null", None),
        ("~", None),
        ("", None),
        ("'true'", "true"),
        ('"5"', "5"),
        ("=", "="),
        ("!!str 5", "5"),
    ],
)
def test_scalars_of_yaml_1_2(written, read):
    """A plain scalar is what YAML 1.2 makes of it, and text where it does not say."""
    found = load(f"key: {written}")[0]["key"]
    assert (read, type(read)) == (found, type(found))


def test_merge_key_is_plain_text():
    """`<<` merges nothing: it is a key like any other, so that the model refuses it."""
    assert {"<<": {"a": 1}} == load("<<: {a: 1}")[0]


def test_lists_cannot_be_changed():
    """Sequences are tuples, however deep."""
    assert {"a": (1, (2, {"b": (3,)}))} == load("a: [1, [2, {b: [3]}]]")[0]


@pytest.mark.parametrize(
    ("text", "place", "told"),
    [
        ("a: 1\nb: 2\na: 3\n", (3, 1), "key 'a' is there already in this block"),
        ("x:\n  - {a: 1, a: 2}", (2, 12), "key 'a' is there already in this block"),
        ("a: &x [1]\nb: *x", (1, 4), "anchors and aliases (& and *) are not taken"),
        ("a: *x", (1, 4), "anchors and aliases (& and *) are not taken"),
        ("a: &x {b: *x}", (1, 4), "anchors and aliases (& and *) are not taken"),
        ("1: a", (1, 1), "a key must be text"),
        ("true: a", (1, 1), "a key must be text"),
        ("? [a]\n: b", (1, 3), "a key must be text"),
        ("a: !!int x", (1, 4), "tags (words that begin with !) are not taken"),
        ("a: !!python/object/apply:os.system [ls]", (1, 4), "tags (words that begin with !)"),
        ("a: !!float 5", (1, 4), "tags (words that begin with !) are not taken"),
        ("!!set {a, b}", (1, 1), "tags (words that begin with !) are not taken"),
        ("a: " + "9" * 5000, (1, 4), "the number is too long"),
        ('a: "\\ud800"', (1, 4), "half of a character"),
        ('"\\ud800": a', (1, 1), "half of a character"),
        ("a: 1\n\tb: 2", (2, 1), "a tab stands here; indent with spaces"),
        ("a: b: c", (1, 5), "a ':' too many; put text that has one in quotes"),
        ("a: 'b", (1, 6), "a quote is opened and never closed"),
        ("a: [1,", (1, 7), "a bracket is opened and never closed"),
        ("a: {b: 1", (1, 9), "a bracket is opened and never closed"),
        ("a: 1\n  b: 2", (2, 4), "a ':' too many"),
        ("- a: 1\n   b: 2\n  c: 3", (2, 5), "a ':' too many"),
        ("a:\n  b: 1\n c: 2", (3, 2), "the line does not fit the lines above"),
        ("a: 1\nb\nc: 2", (3, 1), "a key without ': ' behind it"),
        ("a: @b", (1, 4), "text that begins with @, ` or % needs quotes"),
        ("---\na: 1\n---\nb: 2", (3, 1), "only one document is taken"),
        ("a: 1\nb: \x07", (2, 4), "the character U+0007 has no place in a text file"),
        ("", (1, 1), "the file is empty"),
        ("# nothing\n", (1, 1), "the file is empty"),
        ("[" * 5000, (1, 1), "nested too deeply"),
    ],
    ids=lambda value: repr(value)[:40],
)
def test_what_is_refused_and_where(text, place, told):
    """What is no document for us is refused at its place, in words of a person."""
    with pytest.raises(YamlFault) as caught:
        load(text)
    assert place == caught.value.position
    assert told in caught.value.text


DOCUMENT = """\
# a comment
site: Ternholt
machines:
  - name: G1
    tags: [a,  bb]
  - {name: G2}
archive:
  size: 5
"""


@pytest.mark.parametrize(
    ("path", "value", "key"),
    [
        (("site",), (2, 7), (2, 1)),
        (("machines",), (3, 1), (3, 1)),  # begins below its key: found at the key
        (("machines", 0), (4, 5), (4, 5)),
        (("machines", 0, "name"), (4, 11), (4, 5)),
        (("machines", 0, "tags"), (5, 11), (5, 5)),
        (("machines", 0, "tags", 1), (5, 16), (5, 16)),
        (("machines", 1, "name"), (6, 12), (6, 6)),
        (("archive",), (7, 1), (7, 1)),
        (("archive", "size"), (8, 9), (8, 3)),
        (("archive", "missing", "deeper"), (7, 1), (7, 1)),
        ((), (2, 1), (2, 1)),
    ],
)
def test_places_count_from_1(path, value, key):
    """Every value and every key has its line and column; what is not there, its block's."""
    positions = load(DOCUMENT)[1]
    assert (value, key) == (positions.of(path), positions.of_key(path))


@given(st.text(max_size=80) | st.text("ab:- \n[]{}#&*!'\"\t,?|>%@0", max_size=60))
def test_any_text_is_a_document_or_refused(text):
    """No text makes anything but a document or a YamlFault at a place within it."""
    try:
        load(text)
    except YamlFault as fault:
        line, column = fault.position
        assert 1 <= line <= len(text.splitlines()) + 2
        assert 1 <= column <= len(text) + 2
        assert "Traceback" not in fault.text
