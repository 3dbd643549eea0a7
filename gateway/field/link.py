"""Whether a device can be reached, and when it may be asked again.

PURE: time and chance are arguments. One lost answer only makes a device doubtful, and it is asked
again when it is next due; the second in a row makes it unreachable, and from then on it is probed
ever more rarely. It refuses to let a dead device on a shared line take more than its share.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final


class Reach(Enum):
    """What is known of a device."""

    UNTRIED = "untried"
    REACHABLE = "reachable"
    DOUBTFUL = "doubtful"
    UNREACHABLE = "unreachable"


class Outcome(Enum):
    """How a request ended. A refusal is an answer: the device lives."""

    ANSWERED = "answered"
    UNANSWERED = "unanswered"


MOVES: Final = {
    (Reach.UNTRIED, Outcome.ANSWERED): Reach.REACHABLE,
    (Reach.UNTRIED, Outcome.UNANSWERED): Reach.UNREACHABLE,
    (Reach.REACHABLE, Outcome.ANSWERED): Reach.REACHABLE,
    (Reach.REACHABLE, Outcome.UNANSWERED): Reach.DOUBTFUL,
    (Reach.DOUBTFUL, Outcome.ANSWERED): Reach.REACHABLE,
    (Reach.DOUBTFUL, Outcome.UNANSWERED): Reach.UNREACHABLE,
    (Reach.UNREACHABLE, Outcome.ANSWERED): Reach.REACHABLE,
    (Reach.UNREACHABLE, Outcome.UNANSWERED): Reach.UNREACHABLE,
}


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to leave a silent device alone."""

    first_s: float  # after it became unreachable; doubled with every failed probe
    most_s: float
    line_share: float  # of a shared line's time that a dead device may take; 1: a line of its own


@dataclass(frozen=True, slots=True)
class Contact:
    """A device as it stands. All times on one monotonic clock, in seconds."""

    reach: Reach = Reach.UNTRIED
    failed_probes: int = 0  # in a row, since it became unreachable
    not_before_s: float = 0.0  # earliest next request


def moved(
    contact: Contact,
    outcome: Outcome,
    *,
    began_s: float,
    took_s: float,
    rest_s: float,
    patience: Patience,
    chance: float,
) -> Contact:
    """The contact after a request that began at `began_s` and held the line for `took_s`.

    An answer to it may still come within `rest_s` after that; the device is not asked before.
    `chance` in [0, 1) spreads the waits over their upper half, so that devices lost together
    are not probed together. The share of the line is a floor that chance never lowers.
    """
    reach = MOVES[contact.reach, outcome]
    if outcome is Outcome.ANSWERED:
        return Contact(reach)
    rested_s = began_s + took_s + rest_s
    if reach is Reach.DOUBTFUL:
        return Contact(reach, 0, rested_s)
    # The exponent is bounded because 2.0 ** 1024 is no float any more.
    grown_s = min(patience.most_s, patience.first_s * 2.0 ** min(contact.failed_probes, 60))
    probe_s = max(
        began_s + took_s + grown_s * (0.5 + 0.5 * chance),
        began_s + took_s / patience.line_share,
        rested_s,
    )
    return Contact(reach, contact.failed_probes + 1, probe_s)
