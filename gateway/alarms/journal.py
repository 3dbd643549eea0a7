"""The alarm journal: entries in one canonical form, each chained to the one before by its hash.

Whoever changes, drops, adds or moves an entry must make every later hash anew, so that a head
number and hash kept elsewhere prove all that came before. Pure: who stores entries and hashes
calls this room. Refuses to repair anything: it tells the first entry that does not fit.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256
from itertools import zip_longest
from typing import Any, Final, Self

from gateway.alarms.states import Cue
from gateway.tags import AlarmState, Frame, Transition, wire

HASH_BYTES: Final = 32  # SHA-256


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One alarm transition, or one refused order, with the Frame that brought it."""

    number: int  # over all machines: 1, 2, 3, ... without a gap
    utc_ns: int  # of the step
    machine: str
    sequence: int  # of the Frame
    frame_digest: str  # SHA-256 of `Frame.encode()`, hexadecimal
    transition: Transition
    conclusion: str = ""  # of the alarm's evidence in that Frame; "" if it carries none

    @property
    def is_activation(self) -> bool:
        """Whether it calls the operator: the condition comes, or the alarm sounds again."""
        done = self.transition
        called = done.cue in (Cue.OCCUR, Cue.REALARM) and not done.refusal
        return called and done.after is AlarmState.UNACKNOWLEDGED

    def encode(self) -> bytes:
        """The canonical bytes: what is hashed, and what is best stored."""
        return wire.encoded(self)

    @classmethod
    def decode(cls, data: bytes) -> Self:
        """The inverse of `encode`. Raises ValueError for any bytes that `encode` does not give."""
        try:
            entry = wire.made(cls, json.loads(data))
            canonical = entry.encode()
        except (TypeError, ValueError, OverflowError, RecursionError) as error:
            raise ValueError(f"not a journal entry: {error}") from error
        if canonical != data:
            raise ValueError("not a journal entry: it does not read back as it was written")
        return entry


@dataclass(frozen=True, slots=True)
class Anchor:
    """A number and its hash: what the entries at hand go on from, or where they end.

    The default is the beginning of every journal: before its first entry there was none.
    """

    number: int = 0
    hash: bytes = bytes(HASH_BYTES)


@dataclass(frozen=True, slots=True)
class Broken:
    """The first entry that does not fit, by the number that it should have."""

    number: int
    why: str


@dataclass(frozen=True, slots=True)
class Verified:
    """How far a journal holds: so many entries, up to a head; `broken` is None where all do."""

    entries: int
    head: Anchor
    broken: Broken | None


def digest_of(frame: Frame) -> str:
    """SHA-256 of a Frame's wire form, hexadecimal."""
    return sha256(frame.encode()).hexdigest()


def entries_of(frame: Frame, first_number: int) -> tuple[JournalEntry, ...]:
    """The entries that a Frame brings, in the order of its transitions."""
    if not frame.transitions:
        return ()
    digest = digest_of(frame)
    conclusions = {e.alarm: str(e.conclusion) for e in frame.evidence}
    return tuple(
        JournalEntry(
            first_number + i,
            frame.at.utc_ns,
            frame.machine,
            frame.sequence,
            digest,
            transition,
            conclusions.get(transition.alarm, ""),
        )
        for i, transition in enumerate(frame.transitions)
    )


def chained(previous_hash: bytes, entry: JournalEntry) -> bytes:
    """The hash of an entry: SHA-256 of the hash before it and its canonical bytes.

    Raises ValueError where `previous_hash` is no SHA-256: the border between the two must be fixed.
    """
    if len(previous_hash) != HASH_BYTES:
        raise ValueError(f"a hash has {HASH_BYTES} bytes, not {len(previous_hash)}")
    return sha256(previous_hash + entry.encode()).digest()


def verify(
    entries: Iterable[JournalEntry], hashes: Iterable[bytes], anchor: Anchor = Anchor()
) -> Verified:
    """How far entries and their stored hashes go on from the anchor, in the order given.

    Takes them one by one, so a journal of any length can be passed as an iterator. A tail that was
    cut off is told only by a head that was kept elsewhere: compare it with `Verified.head`.
    """
    head, count = anchor, 0
    missing: Any = object()
    for entry, stored in zip_longest(entries, hashes, fillvalue=missing):
        number = head.number + 1
        if entry is missing:
            return Verified(count, head, Broken(number, "there is a hash without its entry"))
        if stored is missing:
            return Verified(count, head, Broken(number, "there is an entry without its hash"))
        if entry.number != number:
            why = f"number {number} is expected here and {entry.number} was found"
            return Verified(count, head, Broken(number, why))
        expected = chained(head.hash, entry)
        if stored != expected:
            why = "its hash is not that of the entry and of the hash before it"
            return Verified(count, head, Broken(number, why))
        head, count = Anchor(number, expected), count + 1
    return Verified(count, head, None)
