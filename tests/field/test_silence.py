"""The sender that waits for silence, on a bare pseudo-terminal."""

import os
import tty
from collections.abc import Iterator
from select import select

import pytest

from gateway.field.silence import Sender

SILENCE_S = 0.02


@pytest.fixture
def line() -> Iterator[tuple[int, int]]:
    here, there = os.openpty()
    tty.setraw(here)
    tty.setraw(there)
    yield here, there
    os.close(here)
    os.close(there)


def sent(here: int, within_s: float) -> bytes:
    return os.read(here, 99) if select([here], [], [], within_s)[0] else b""


def test_unread_bytes_break_the_silence(line: tuple[int, int]) -> None:
    """Nothing is sent while bytes wait in the port, even if nobody has told of them."""
    here, there = line
    sender = Sender("row", there, SILENCE_S, 5.0)
    os.write(here, b"noise")
    sender.send(b"request")
    assert (b"", False) == (sent(here, 10 * SILENCE_S), sender.sent)
    assert b"noise" == os.read(there, 99)
    sender.heard()
    assert (b"request", True) == (sent(here, 5.0), sender.sent)
    sender.close()


def test_a_line_that_is_never_silent(line: tuple[int, int]) -> None:
    """A request that finds no silence in its time is dropped, not sent late."""
    here, there = line
    sender = Sender("row", there, SILENCE_S, 2 * SILENCE_S)
    os.write(here, b"noise")
    sender.send(b"request")
    assert b"" == sent(here, 6 * SILENCE_S)
    os.read(there, 99)
    assert b"" == sent(here, 3 * SILENCE_S)
    sender.close()


def test_closing_holds_back_what_still_waits(line: tuple[int, int]) -> None:
    """After closing nothing is sent, not even into a file that got the port's old number."""
    here, there = line
    sender = Sender("row", there, SILENCE_S, 5.0)
    sender.send(b"request")
    sender.close()
    heir = os.dup(there)
    assert b"" == sent(here, 3 * SILENCE_S)
    sender.close()
    os.close(heir)
