"""Replies against their requests."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gateway.field.reply import Ask, Misfit, ModbusError, Refused, words_of

# Modbus application protocol V1.1b3, the examples of 6.1 to 6.4: request, reply, values.
EXAMPLES = (
    (
        Ask(1, 1, 0x13, 0x13),
        "01 03 CD6B05",
        (1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1),
    ),
    (
        Ask(1, 2, 0xC4, 0x16),
        "02 03 ACDB35",
        (0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1),
    ),
    (Ask(1, 3, 0x6B, 3), "03 06 022B 0000 0064", (555, 0, 100)),
    (Ask(1, 4, 8, 1), "04 02 000A", (10,)),
)


@pytest.mark.parametrize(("ask", "frame", "words"), EXAMPLES)
def test_published_examples(ask: Ask, frame: str, words: tuple[int, ...]) -> None:
    """The replies printed in the standard give the values printed in the standard."""
    assert words == words_of(bytes.fromhex(frame), ask, "north")


@pytest.mark.parametrize(("ask", "frame", "words"), EXAMPLES)
def test_cut_or_lengthened_replies(ask: Ask, frame: str, words: tuple[int, ...]) -> None:
    """A reply that is a byte too short or too long is refused, at whatever byte it is cut."""
    whole = bytes.fromhex(frame)
    for wrong in [whole[:n] for n in range(1, len(whole))] + [whole + b"\0"]:
        with pytest.raises(ModbusError):
            words_of(wrong, ask, "north")


def test_a_refusal_says_what_is_refused_and_why() -> None:
    """An exception names link, unit, table, addresses, and the standard's word for the code."""
    ask = Ask(17, 3, 107, 3)
    with pytest.raises(Refused, match=r"north, unit 17, holding register 107-109 .*illegal data"):
        words_of(b"\x83\x02", ask, "north")
    with pytest.raises(Refused) as caught:
        words_of(b"\x83\x63", ask, "north")
    assert 0x63 == caught.value.code
    with pytest.raises(Misfit):
        words_of(b"\x84\x02", ask, "north")


@given(
    frame=st.binary(min_size=1, max_size=20),
    function=st.sampled_from((1, 2, 3, 4)),
    count=st.integers(1, 8),
)
@example(b"\x03\x02\x00\x07", 3, 1)
def test_rubbish_is_refused_or_fits(frame: bytes, function: int, count: int) -> None:
    """Whatever bytes come, either they are exactly the reply asked for, or an error is raised."""
    try:
        words = words_of(frame, Ask(1, function, 0, count), "north")
    except ModbusError:
        return
    size = (count + 7) // 8 if function < 3 else 2 * count
    assert (function, size, 2 + size) == (frame[0], frame[1], len(frame))
    if function < 3:
        number = int.from_bytes(frame[2:], "little")
        assert tuple(int(b) for b in f"{number:0{8 * size}b}"[::-1])[:count] == words
    else:
        assert frame[2:] == b"".join(w.to_bytes(2, "big") for w in words)
