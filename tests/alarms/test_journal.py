"""The journal's entries, their canonical form and their hash chain."""

import json
from dataclasses import replace
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarms.journal import (
    Anchor,
    JournalEntry,
    chained,
    digest_of,
    entries_of,
    verify,
)
from gateway.tags import AlarmState, Conclusion, Evidence, Frame, Instant, Transition

NOON_NS = 1_767_960_000_000_000_000
STATES = st.sampled_from(list(AlarmState))
TRANSITIONS = st.builds(
    Transition,
    alarm=st.text(min_size=1, max_size=8),
    cue=st.sampled_from(["occur", "clear", "shelve"]),
    before=STATES,
    after=STATES,
    who=st.text(max_size=8),
    why=st.text(max_size=8),
    refusal=st.text(max_size=8),
    until_ns=st.integers(0, 2**62),
)
ENTRIES = st.builds(
    JournalEntry,
    number=st.integers(1, 2**62),
    utc_ns=st.integers(0, 2**62),
    machine=st.text(max_size=8),
    sequence=st.integers(0, 2**62),
    frame_digest=st.text("0123456789abcdef", max_size=8),
    transition=TRANSITIONS,
    conclusion=st.sampled_from(["", *Conclusion]).map(str),
)


def came(alarm: str, k: int = 0) -> Transition:
    return Transition(alarm, "occur", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, why=str(k))


def frame(*transitions: Transition) -> Frame:
    evidence = (Evidence("G1.LOW", Conclusion.SINGLE_PATH, (), (), (), ()),)
    at = Instant(NOON_NS, 5)
    return Frame("G1", 17, at, (), (), (), (), transitions, evidence=evidence)


def journal(count: int) -> tuple[list[JournalEntry], list[bytes]]:
    entries = list(entries_of(frame(*(came("G1.LOW", k) for k in range(count))), 1))
    hashes, head = [], Anchor().hash
    for entry in entries:
        head = chained(head, entry)
        hashes.append(head)
    return entries, hashes


def test_a_frame_gives_its_transitions_in_their_order() -> None:
    """Each transition is an entry with its number, its Frame's digest and its conclusion."""
    caused = frame(came("G1.LOW"), came("G1.HOT"))
    first, second = entries_of(caused, 41)
    assert (41, 42) == (first.number, second.number)
    assert (NOON_NS, "G1", 17) == (first.utc_ns, first.machine, first.sequence)
    # The digest of the very bytes that disk and wall get, by the standard library.
    assert sha256(caused.encode()).hexdigest() == first.frame_digest == digest_of(caused)
    assert ("single path", "") == (first.conclusion, second.conclusion)
    assert () == entries_of(frame(), 41)


def test_the_canonical_bytes_do_not_change() -> None:
    """The form is fixed: a journal that was written is verified by any later version."""
    entry = JournalEntry(7, 5, "G1", 3, "ab", came("G1.LÖW"), "single path")
    written = (
        '[7,5,"G1",3,"ab",["G1.LÖW","occur","normal","unacknowledged","","0","",0],"single path"]'
    ).encode()
    assert written == entry.encode()
    # FIPS 180-4 by the standard library, over the form written out above.
    assert sha256(bytes(32) + written).digest() == chained(Anchor().hash, entry)


@given(ENTRIES)
def test_an_entry_reads_back_exactly(entry: JournalEntry) -> None:
    """Canonical bytes give the entry, and the entry gives the bytes."""
    assert entry == JournalEntry.decode(entry.encode())


@given(ENTRIES, ENTRIES)
def test_equal_bytes_are_equal_entries(one: JournalEntry, other: JournalEntry) -> None:
    """No two entries share their canonical bytes."""
    assert (one == other) == (one.encode() == other.encode())


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"null",
        b"[1]",
        b"\xff",
        b"[" * 100_000,
        b" " + journal(1)[0][0].encode(),
        journal(1)[0][0].encode().replace(b"[1,", b"[1.0,"),
        journal(1)[0][0].encode().replace(b'"normal"', b'"fine"'),
        json.dumps(json.loads(journal(1)[0][0].encode())).encode(),
    ],
    ids=lambda b: repr(b[:20]),
)
def test_other_bytes_are_no_entry(data: bytes) -> None:
    """What is not canonical is refused, so an entry has one form only."""
    with pytest.raises(ValueError, match="not a journal entry"):
        JournalEntry.decode(data)


def test_a_whole_journal_verifies() -> None:
    """An untouched journal holds to its head, from its beginning and from any entry on."""
    entries, hashes = journal(6)
    whole = verify(entries, hashes)
    assert (6, Anchor(6, hashes[-1]), None) == (whole.entries, whole.head, whole.broken)
    rest = verify(iter(entries[4:]), iter(hashes[4:]), Anchor(4, hashes[3]))
    assert (2, whole.head, None) == (rest.entries, rest.head, rest.broken)
    assert (0, Anchor()) == (verify([], []).entries, verify([], []).head)


@given(
    at=st.integers(0, 5),
    change=st.sampled_from(
        ["utc_ns", "machine", "sequence", "frame_digest", "conclusion", "why", "hash"]
    ),
)
def test_a_changed_entry_is_told(at: int, change: str) -> None:
    """Any changed field or hash is told at its number, and all before it holds."""
    entries, hashes = journal(6)
    if change == "hash":
        hashes[at] = bytes([hashes[at][0] ^ 1]) + hashes[at][1:]
    elif change == "why":
        entries[at] = replace(entries[at], transition=replace(entries[at].transition, why="x"))
    else:
        value = getattr(entries[at], change)
        entries[at] = replace(entries[at], **{change: value + ("x" if value == "" else value)})
    found = verify(entries, hashes)
    assert found.broken is not None
    assert (at, at + 1) == (found.entries, found.broken.number)


@given(at=st.integers(0, 5), what=st.sampled_from(["deleted", "inserted", "swapped"]))
def test_a_moved_entry_is_told(at: int, what: str) -> None:
    """An entry that was taken out, put in or moved is told where the order breaks."""
    entries, hashes = journal(7)
    if what == "deleted":
        del entries[at], hashes[at]
    elif what == "inserted":
        entries.insert(at, entries[at])
        hashes.insert(at, hashes[at])
        at += 1
    else:
        entries[at], entries[at + 1] = entries[at + 1], entries[at]
        hashes[at], hashes[at + 1] = hashes[at + 1], hashes[at]
    found = verify(entries, hashes)
    assert found.broken is not None
    assert (at + 1, True) == (found.broken.number, "is expected here" in found.broken.why)


@pytest.mark.parametrize("lost", ["entry", "hash"])
def test_an_entry_without_its_hash_is_told(lost: str) -> None:
    """Entries and hashes come in pairs; where one is missing, that is told."""
    entries, hashes = journal(3)
    (entries if lost == "entry" else hashes).pop()
    found = verify(entries, hashes)
    assert found.broken is not None
    assert (3, f"its {lost}") == (found.broken.number, found.broken.why[-len(f"its {lost}") :])


def test_a_rewritten_journal_has_another_head() -> None:
    """Whoever makes all hashes anew gets another head than the one that was kept elsewhere."""
    entries, hashes = journal(6)
    forged = [replace(e, machine="G2") for e in entries]
    head, anew = Anchor().hash, []
    for entry in forged:
        head = chained(head, entry)
        anew.append(head)
    found = verify(forged, anew)
    assert found.broken is None
    assert found.head != verify(entries, hashes).head


def test_what_is_no_hash_is_refused() -> None:
    """A hash of another length would let bytes move between hash and entry."""
    with pytest.raises(ValueError, match="a hash has 32 bytes"):
        chained(b"short", journal(1)[0][0])
