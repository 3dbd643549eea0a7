"""The rules of evidence: a table of what is observed, and which way each answer points.

Rules are data, see `gateway.diagnosis.rule`. `counts` marks the rules whose answers are testimony:
only these make a path speak for the fault or against it; all others say how far to believe it.
Refuses to conclude (`gateway.diagnosis.evidence` does) and to claim probabilities.
`python -m gateway.diagnosis.rules` prints the table.
"""

from typing import Final

from gateway.diagnosis import observations
from gateway.diagnosis.case import Role, Situation
from gateway.diagnosis.rule import Rule, Says
from gateway.tags import Bearing

_FOR, _AGAINST, _DOUBT, _OPEN = Bearing.FOR, Bearing.AGAINST, Bearing.DOUBT, Bearing.OPEN
_READ_AS_RESISTANCE: Final = (Situation.RESISTANCE, Situation.CONTACT)


def _spoken(name: str, asks: str, role: Role, yes: str, no: str) -> Rule:
    return Rule(
        name,
        asks,
        observations.spoken(role),
        yes=Says(_FOR, yes),
        no=Says(_AGAINST, no),
        unknown=Says(_OPEN, "{tag} decides nothing now: {value}, {stands}"),
        counts=True,
    )


_TESTIMONY: Final = (
    _spoken(
        "computed value",
        "Is the resistance computed from the raw currents below the limit?",
        Role.COMPUTED,
        "{tag}, computed from the raw currents, is {value}: below {limit}",
        "{tag}, computed from the raw currents, is {value}: above {limit}",
    ),
    _spoken(
        "monitor's value",
        "Is the resistance that the monitor gives below the limit?",
        Role.READ,
        "{tag} of the monitor is {value}: below {limit}",
        "{tag} of the monitor is {value}: above {limit}",
    ),
    _spoken(
        "loop value",
        "Is the value of the current loop below the limit?",
        Role.LOOP,
        "{tag} is {value}: below {limit}; the loop repeats the monitor's own value, so it proves "
        "the transmission only",
        "{tag} is {value}: above {limit}; the loop repeats the monitor's own value",
    ),
    _spoken(
        "contact",
        "Has the contact actuated, or should it have?",
        Role.CONTACT,
        "the contact {tag} has actuated",
        "the contact {tag} has not actuated",
    ),
    _spoken(
        "dark link",
        "Is the optical link dark?",
        Role.DARK,
        "the optical link is dark ({tag}); that alone does not tell a fault from a dirty lamp, a "
        "failed circuit or missing excitation",
        "the optical link is not dark ({tag})",
    ),
    _spoken(
        "injected current",
        "Is the injected current above the pick-up?",
        Role.CURRENT,
        "{tag} is {value}: above {limit}",
        "{tag} is {value}: below {limit}",
    ),
    _spoken(
        "own condition",
        "Does the condition of an alarm of another kind hold?",
        Role.CONDITION,
        "the condition of the alarm holds: {tag} is {value}",
        "the condition of the alarm does not hold: {tag} is {value}",
    ),
)

_BELIEF: Final = (
    Rule(
        "band of the current",
        "Does any earth fault explain what the DC injection reports?",
        observations.band,
        yes=Says(_FOR, "{figures}"),
        no=Says(_DOUBT, "{figures}", "Are injection voltage, resistances and field voltage right?"),
        unknown=Says(_OPEN, "a weaker earth fault may be there: {figures}"),
        detection=("DC injection",),
    ),
    Rule(
        "paths agree",
        "Do the paths of one quantity agree within their uncertainty?",
        observations.agreement,
        yes=Says(_FOR, "the paths of {what} agree: {figures}"),
        no=Says(_DOUBT, "the paths disagree: {figures}", "Which path of {what} is right?"),
        unknown=Says(
            _OPEN,
            "the paths of {what} cannot be compared now",
            "Do the paths of {what} agree? Compare them with the display of the monitor.",
        ),
    ),
    Rule(
        "odd one out",
        "Does this path disagree where all others agree?",
        observations.odd_one_out,
        yes=Says(_DOUBT, "{tag} disagrees where all others agree: {figures}"),
    ),
    Rule(
        "supporting path well",
        "Is nothing known to be wrong with a path that speaks for the fault?",
        observations.paths_well(True),
        yes=Says(_FOR, "nothing is known to be wrong with {path}"),
        no=Says(_DOUBT, "{path} cannot be relied on: {figures}", "Is {path} in order?"),
        unknown=Says(_OPEN, "the health of {path} is not known", "Is {path} in order?"),
    ),
    Rule(
        "opposing path well",
        "Is nothing known to be wrong with a path that speaks against the fault?",
        observations.paths_well(False),
        yes=Says(_AGAINST, "nothing is known to be wrong with {path}"),
        no=Says(_DOUBT, "{path} cannot be relied on: {figures}", "Is {path} in order?"),
        unknown=Says(_OPEN, "the health of {path} is not known", "Is {path} in order?"),
    ),
    Rule(
        "proof",
        "Has this path proved in time that it can see a fault?",
        observations.proved,
        yes=Says(_FOR, "{tag} proved {age} ago that it can see a fault, {what}"),
        no=Says(
            _OPEN,
            "{tag} last proved {age} ago that it can see a fault, {what}",
            "Does {tag} still see a fault? Its proof is overdue: test the function.",
        ),
        unknown=Says(
            _OPEN,
            "{tag} is not known to have proved that it can see a fault",
            "Does {tag} see a fault? It has not proved so: test the function.",
        ),
    ),
    Rule(
        "value held",
        "Is the value an old one that is held?",
        observations.held,
        yes=Says(
            _OPEN,
            "{tag} is held: {value}, measured {age} ago",
            "What does the next measurement of {tag} show?",
        ),
        access=("retractable brush",),
    ),
    Rule(
        "value alive",
        "Does the value move as a live one does?",
        observations.alive,
        yes=Says(_FOR, "{tag} moves as a live value does"),
        no=Says(_DOUBT, "{tag} does not move as a live value does: {figures}"),
        unknown=Says(_OPEN, "the site file sets nothing that would show {tag} standing still"),
    ),
    Rule(
        "light explained otherwise",
        "Does something else than a fault explain the dark link?",
        observations.light_otherwise,
        yes=Says(_DOUBT, "the dark link is explained by {what}: {figures}"),
        no=Says(_FOR, "{what} does not explain the dark link: {figures}"),
        unknown=Says(_OPEN, "{what} may explain the dark link: {figures}", "Is it {what}?"),
        access=("optical link",),
        explains="{what}",
    ),
    Rule(
        "light explained by a fault",
        "Does an earth fault explain the dark link?",
        observations.light_fault,
        yes=Says(_FOR, "an earth fault explains the dark link: {figures}"),
        no=Says(_DOUBT, "an earth fault does not explain the dark link: {figures}"),
        unknown=Says(_OPEN, "an earth fault may explain the dark link: {figures}"),
        access=("optical link",),
    ),
    Rule(
        "earth fault possible",
        "Does an earth fault remain possible?",
        observations.earth_fault,
        explains="{what}",
    ),
    Rule(
        "weak earth fault",
        "May there be an earth fault too weak to put out the light?",
        observations.weak_fault,
        situations=(Situation.DARK,),
        access=("optical link",),
        explains="an earth fault too weak to put out the light{figures}",
    ),
    Rule(
        "excited",
        "Is the machine excited?",
        observations.excited,
        no=Says(
            _OPEN,
            "the machine is not excited, so the place of a fault cannot be told",
            "What does the measurement show with excitation?",
        ),
        unknown=Says(None, "", "Is the machine excited?"),
    ),
    Rule(
        "field voltage fits",
        "Is the field voltage one that the machine can have, and does it fit its exciter?",
        observations.field_voltage_fits,
        yes=Says(_FOR, "the field voltage {tag} is plausible: {value}"),
        no=Says(
            _OPEN,
            "the field voltage {tag} is in doubt: {value}; {figures}",
            "Is the field voltage right? The place, or the band, is computed with it.",
        ),
        unknown=Says(
            _OPEN,
            "the field voltage {tag} is not known now",
            "What is the field voltage? The place, or the band, is computed with it.",
        ),
    ),
    Rule(
        "field voltage steady",
        "Is the field voltage the same in both half-cycles?",
        observations.field_voltage_steady,
        yes=Says(_FOR, "both half-cycles have the same field voltage within {limit}"),
        no=Says(
            _OPEN,
            "the field voltage differs by {figures} between the half-cycles, more than {limit}",
            "Does the reading stay once the field voltage is steady?",
        ),
        situations=_READ_AS_RESISTANCE,
        detection=("pulse injection",),
    ),
    Rule(
        "currents settled",
        "Could the winding's capacitance make a sound winding read so low?",
        observations.settled,
        unknown=Says(
            _OPEN,
            "a sound winding of 5 uF would read {value} with half-cycles of {figures}, and lower "
            "with shorter ones",
            "Are the half-cycles of the pulse longer than {figures}?",
        ),
        situations=_READ_AS_RESISTANCE,
        detection=("pulse injection",),
        explains="charging current of the winding's capacitance (unsettled, reads low)",
    ),
    Rule(
        "middle of the winding",
        "Is the place the middle of the winding, as a fault on the AC side reads?",
        observations.ac_side,
        yes=Says(
            _OPEN,
            "{tag} is {value}: the middle of the winding, as two faults or one on the AC side read",
            "Is the fault on the AC side of the rectifier, or are there two?",
        ),
        unknown=Says(None, "", "Where is the fault? Its place is not known now."),
        situations=_READ_AS_RESISTANCE,
        detection=("pulse injection",),
        explains="a fault on the AC side of the rectifier, or two whose mean is the middle",
    ),
    Rule(
        "place in the winding",
        "Does the place lie in the winding?",
        observations.location_plausible,
        yes=Says(_FOR, "{tag} is {value}: in the winding"),
        no=Says(
            _DOUBT,
            "{tag} lies outside the winding (-5 % to 105 %) by more than its uncertainty",
            "Are source resistance, tap and polarity set as installed?",
        ),
        unknown=Says(_OPEN, "{tag} gives no place now"),
        situations=_READ_AS_RESISTANCE,
        detection=("pulse injection",),
    ),
    Rule(
        "moisture",
        "Does the trend have the pattern of moisture?",
        observations.moisture,
        yes=Says(
            _OPEN,
            "the trend has the pattern of moisture: {figures}",
            "Does the resistance recover as the machine warms up?",
        ),
        unknown=Says(None, "", "Is it moisture? There is no trend to tell."),
        explains="moisture on the winding",
    ),
    Rule(
        "falling trend",
        "Has the resistance been falling?",
        observations.falling,
        yes=Says(_FOR, "the resistance has been falling by {figures}"),
    ),
    Rule(
        "second fault",
        "Has the leakage grown as it does with one more fault, or a worse one?",
        observations.second_fault,
        yes=Says(_FOR, "{figures}", "Is there a second fault ({figures})?"),
        no=Says(_OPEN, "{figures}", "Why has the leakage changed ({figures})?"),
        detection=("pulse injection",),
    ),
    Rule(
        "one monitor",
        "Do all supporting paths hang on one monitor?",
        observations.one_monitor,
        yes=Says(
            _OPEN,
            "all paths that support the alarm hang on one monitor ({figures})",
            "Is the monitor itself right? All supporting paths rest on one: {figures}.",
        ),
    ),
    Rule(
        "other monitor",
        "Is another monitor connected to the same field circuit?",
        observations.other_monitor,
        yes=Says(
            _OPEN,
            "several monitors are read on this machine: {figures}",
            "Do {figures} inject into the same field circuit, and disturb each other?",
        ),
        unknown=Says(None, "", "Is another monitor connected to the same field circuit?"),
    ),
)

GONE: Final = Rule(
    "condition gone",
    "Has the condition of the alarm gone?",
    observations.gone,
    yes=Says(_OPEN, "the condition has gone since: {tag} is {value}; the rest is as it stood"),
    unknown=Says(
        _OPEN,
        "{tag} is {value} now, which does not show that the fault has gone: {figures}; the rest is "
        "as it stood",
        "Has the fault gone? {tag} cannot be relied on now: {figures}.",
    ),
)

RULES: Final = (*_TESTIMONY, *_BELIEF, GONE)


def table() -> str:
    """All rules as a table in Markdown."""
    rows = [
        "| rule | applies to | asks | if so | if not | if unknown | explanation |",
        "|---|---|---|---|---|---|---|",
    ]
    for rule in RULES:
        applies = ", ".join((*rule.situations, *rule.access, *rule.detection)) or "all"
        name = f"**{rule.name}**" if rule.counts else rule.name
        cells = (name, applies, rule.asks, *map(_shown, (rule.yes, rule.no, rule.unknown)))
        rows.append(f"| {' | '.join((*cells, rule.explains or '-'))} |")
    return "\n".join(rows) + "\n"


def _shown(says: Says) -> str:
    parts = [str(says.bearing)] if says.bearing is not None else []
    if says.question:
        parts.append(f'asks "{says.question}"')
    return ", ".join(parts) or "-"


if __name__ == "__main__":
    print(table(), end="")
