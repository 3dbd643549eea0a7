"""Contacts: what an open or closed circuit says, and the suppression of bounce.

A normally closed circuit opens to speak, so that a broken wire speaks too (closed-circuit
principle; common practice, no single source).
"""

from dataclasses import dataclass

from gateway.site.model import Contact


@dataclass(frozen=True, slots=True)
class ContactState:
    """The believed state and how long the circuit has contradicted it."""

    actuated: bool | None = None
    held_ns: int | None = None


def judge(state: ContactState, closed: bool, elapsed_ns: int, settings: Contact) -> ContactState:
    """The state after one more look at the circuit, `elapsed_ns` after the last one.

    A new state is believed once it was seen without a break for the debounce time; the first one
    ever seen is believed at once.
    """
    seen = closed == (settings.wired == "normally open")
    if state.actuated is None or seen == state.actuated:
        return ContactState(seen)
    held_ns = 0 if state.held_ns is None else state.held_ns + elapsed_ns
    if held_ns >= settings.debounce * 1e9:
        return ContactState(seen)
    return ContactState(state.actuated, held_ns)
