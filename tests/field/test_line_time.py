"""Times of the serial line against the published ones."""

import pytest

from gateway.field.line_time import character_s, exchange_s, rtu_cost, silence_s

# MODBUS over Serial Line V1.02, 2.5.1.1, 11-bit characters: baud, character and t3.5 in ms.
PUBLISHED = (
    (1200, 9.16667, 32.0833),
    (9600, 1.14583, 4.0104),
    (19200, 0.57292, 2.0052),
    (38400, 0.28646, 1.7500),
    (115200, 0.09549, 1.7500),
)


@pytest.mark.parametrize(("baud", "character_ms", "silence_ms"), PUBLISHED)
def test_character_and_silence(baud: int, character_ms: float, silence_ms: float) -> None:
    """A character is 11 bits; the silence is 3.5 of them, but fixed above 19200 baud."""
    assert pytest.approx(character_ms, rel=1e-4) == 1e3 * character_s(baud)
    assert pytest.approx(silence_ms, rel=1e-4) == 1e3 * silence_s(baud)


def test_a_read_of_twenty_registers() -> None:
    """53 characters and two silences at 9600 baud make 68.75 ms."""
    # Worked by hand from the table above: 53 * 1.145833 + 2 * 4.010417.
    assert pytest.approx(68.75, abs=0.01) == 1e3 * (exchange_s(9600, 3, 20) + 2 * silence_s(9600))
    assert pytest.approx(68.75, abs=0.01) == 1e3 * rtu_cost(9600, 0.0).of(3, 20)


def test_bits_are_packed_eight_to_a_byte() -> None:
    """Nineteen coils take three data bytes, so 16 characters."""
    assert pytest.approx(16 * 11 / 9600) == exchange_s(9600, 1, 19)
