"""The catalogue of causes: what can be wrong with the monitoring, how bad it is, what to do.

Status signals follow NAMUR NE 107; which cause has which signal is common practice, no source.
"""

from dataclasses import dataclass
from typing import Final

from gateway.tags import StatusSignal

_F = StatusSignal.FAILURE
_C = StatusSignal.FUNCTION_CHECK
_S = StatusSignal.OUT_OF_SPECIFICATION
_M = StatusSignal.MAINTENANCE_REQUIRED


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause: its name, its NE 107 status signal, what it means and what to do about it."""

    name: str
    signal: StatusSignal
    meaning: str
    advice: str


_ALL: Final = (
    # links and devices
    Cause("dead link", _F, "nothing on the link answers", "check cable, supply and address"),
    Cause("flapping link", _S, "the link comes and goes", "check plugs, screening and supply"),
    Cause("no answer", _F, "the device does not answer", "check its supply, address and wiring"),
    Cause("refused", _F, "the device answers, but does not give a value", "check its profile"),
    Cause("device failure", _F, "the device reports a fault of its own", "see its display"),
    Cause("no communication", _F, "the device has lost its sensor", "check sensor and cable"),
    Cause("heartbeat stopped", _F, "the device answers, but may not measure", "check the device"),
    Cause("function check", _C, "the device tests itself", "wait for the end of the test"),
    Cause("out of service", _C, "the device is taken out of service", "put it back into service"),
    # values
    Cause(
        "frozen value", _F, "the value stands still, which a live one does not", "check the device"
    ),
    Cause("noise absent", _F, "the value lacks the noise of a live one", "check the input"),
    Cause("impossible value", _F, "the value cannot be true", "check the measuring circuit"),
    Cause("too fast change", _S, "the value jumps faster than it can", "check for disturbances"),
    Cause("stale value", _F, "the value is older than it may be", "see what else is reported"),
    Cause("no value", _F, "there has been no usable value", "see what else is reported"),
    Cause(
        "out of range", _S, "the value is beyond the range of the tag", "check range and scaling"
    ),
    # loops and contacts
    Cause(
        "wire break",
        _F,
        "the loop current is below the NE 43 band",
        "check wiring and transmitter supply",
    ),
    Cause(
        "loop short", _F, "the loop current is above the NE 43 band", "check wiring and transmitter"
    ),
    Cause("under range", _S, "the loop current is under its range", "check the transmitter"),
    Cause("over range", _S, "the loop current is over its range", "check the transmitter"),
    Cause("odd one out", _S, "it disagrees where the others agree", "check this path"),
    Cause("paths disagree", _S, "the paths of one quantity disagree", "compare with the display"),
    # access to the rotor
    Cause(
        "measurement missed", _F, "no measurement came when one was due", "check the brush drive"
    ),
    Cause(
        "failed contact",
        _F,
        "the brush is on, but measures nothing: a fault would not be seen",
        "check brush and ring",
    ),
    Cause("poor contact", _M, "the brush touches badly", "clean the ring, check the spring"),
    Cause(
        "brush worn",
        _M,
        "the brush has reached its life, or keeps touching badly",
        "replace the brush",
    ),
    Cause("light weak", _M, "the light is weaker than it should be", "clean lamp and receiver"),
    Cause(
        "light contaminated",
        _F,
        "the light faded until the link was dark",
        "clean lamp and receiver",
    ),
    Cause(
        "light circuit failed",
        _F,
        "the link went dark at once, without a fault current",
        "check the lamp and its supply",
    ),
    Cause(
        "dark contact failed",
        _F,
        "the light contradicts the contact",
        "check the wiring of the contact",
    ),
    Cause("light paths differ", _S, "the levels of one light disagree", "check the light loop"),
    Cause(
        "dark unexplained",
        _S,
        "the link is dark and it is not known why",
        "treat it as an earth fault until it is explained",
    ),
    Cause(
        "dark by no excitation",
        _S,
        "nothing feeds the lamp",
        "see that it lights up with excitation",
    ),
    Cause(
        "telemetry lost", _F, "the radio path from the rotor is lost", "check receiver and supply"
    ),
    Cause("telemetry weak", _M, "the radio path from the rotor is weak", "check the antennas"),
    Cause("excitation unclear", _S, "breaker contact and field voltage disagree", "check both"),
    Cause(
        "field voltage unfit",
        _S,
        "the field voltage does not fit the exciter",
        "check its transducer",
    ),
    # the gateway itself
    Cause(
        "alarm not judged",
        _S,
        "an alarm cannot be judged: its values do not decide",
        "see the health of its values",
    ),
    Cause(
        "proof overdue", _M, "not proved for too long that it can see a fault", "test the function"
    ),
    Cause("clock stepped", _S, "the clock was set", "check time synchronisation"),
    Cause(
        "configuration changed", _M, "the site file was changed", "restart the gateway to load it"
    ),
    Cause("disk nearly full", _M, "the archive cannot grow as it should", "free space on the disk"),
    Cause("frames not archived", _F, "the disk refuses the archive", "check the disk"),
    Cause("diagnosis failed", _F, "a fault of the gateway's own program", "report it, restart"),
    Cause("gateway overload", _S, "steps begin late", "reduce the load of this computer"),
)

# Without access to the rotor nothing that the monitor says is a measurement of it.
NO_ACCESS: Final = frozenset({"measurement missed", "failed contact", "telemetry lost"})
# A link that is dark by these cannot go dark on a fault any more.
NO_LIGHT: Final = frozenset({"light contaminated", "light circuit failed"})

CAUSES: Final = {cause.name: cause for cause in _ALL}
