"""Reachability: the table, the waits, and the share of a shared line."""

from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from gateway.field.link import MOVES, Contact, Outcome, Patience, Reach, moved

PATIENCE = Patience(first_s=0.5, most_s=30.0, line_share=1.0)


def after(
    outcomes: str,
    patience: Patience = PATIENCE,
    took_s: float = 1.0,
    chance: float = 0.999999,
    rest_s: float = 0.0,
) -> Contact:
    """The contact after a string of outcomes: '+' answered, '-' not; each asked at once."""
    contact = Contact()
    for outcome in outcomes:
        contact = moved(
            contact,
            Outcome.ANSWERED if outcome == "+" else Outcome.UNANSWERED,
            began_s=0.0,
            took_s=took_s,
            rest_s=rest_s,
            patience=patience,
            chance=chance,
        )
    return contact


def test_every_outcome_has_its_move() -> None:
    """No state is left without an answer to what may happen in it."""
    assert set(product(Reach, Outcome)) == set(MOVES)


def test_one_lost_answer_is_forgiven() -> None:
    """A device that missed one answer is asked again at once; after two it is unreachable."""
    assert (Reach.DOUBTFUL, 1.0) == (after("+-").reach, after("+-").not_before_s)
    assert Reach.UNREACHABLE is after("+--").reach
    assert Contact(Reach.REACHABLE) == after("+--+")


def test_a_device_never_heard_is_unreachable_at_once() -> None:
    """Nothing is forgiven to a device that has never answered."""
    assert Reach.UNREACHABLE is after("-").reach


def test_waits_double_up_to_their_bound() -> None:
    """Waits after failed probes are 0.5, 1, 2, 4 ... s and never more than 30 s."""
    waits_s = [round(after("+-" + "-" * n).not_before_s - 1.0, 2) for n in range(1, 10)]
    assert [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0] == waits_s
    assert 31.0 == round(after("-" * 3000).not_before_s, 2)


@given(
    failures=st.integers(1, 12),
    took_s=st.floats(0.001, 10.0),
    share=st.floats(0.01, 1.0),
    chance=st.floats(0.0, 1.0, exclude_max=True),
    rest_s=st.floats(0.0, 5.0),
)
def test_a_dead_device_keeps_to_its_share(
    failures: int, took_s: float, share: float, chance: float, rest_s: float
) -> None:
    """However the dice fall, a probe's bus time is at most its share of the time to the next."""
    patience = Patience(0.5, 30.0, share)
    contact = after("-" * failures, patience, took_s, chance, rest_s)
    assert took_s <= share * contact.not_before_s * (1 + 1e-9)
    assert contact.not_before_s >= took_s + rest_s


def test_chance_spreads_over_the_upper_half() -> None:
    """Chance shortens a wait to no less than its half."""
    assert 1.25 == after("-", chance=0.0).not_before_s
    assert 1.375 == after("-", chance=0.5).not_before_s
