"""The dossier of one alarm: what happened, why to believe or doubt it, and what was seen around it.

Every number stands with its unit, its time and its status. Refuses to conclude more than the
evidence record does, and to name a probability.
"""

from typing import Final

from gateway.diagnosis.causes import CAUSES
from gateway.diagnosis.proof import ProofWatch
from gateway.report import place, plot, words
from gateway.report.case import (
    Case,
    Plotted,
    is_resistance,
    thresholds,
)
from gateway.report.document import (
    Block,
    Bullets,
    Document,
    Facts,
    Paragraph,
    Picture,
    Section,
    Table,
)
from gateway.tags import (
    Bearing,
    Conclusion,
    Evidence,
    Frame,
    HealthRecord,
    Observed,
    StatusSignal,
    Trend,
)

_CONCLUSIONS: Final = {
    Conclusion.CORROBORATED: "Corroborated: paths that share no device or wire say the same.",
    Conclusion.SINGLE_PATH: "Single path: one path says so, no other one confirms or denies it.",
    Conclusion.CONTRADICTED: "Contradicted: another path speaks against it.",
    Conclusion.MONITOR_IN_DOUBT: "Monitor in doubt: what says so cannot be relied on now.",
}
CAUTIONS: Final = (
    "This report informs. It trips nothing, replaces no protection, and is no permit to work.",
    "Rotor circuits are hazardous, also at standstill. Plant procedures, local codes and licensed "
    "engineers decide what is done.",
    "An earth fault that stays can be followed by a second one, which diverts current through the "
    "forging; absence of further alarms is no proof of the contrary.",
    "An alarm is to be believed as far as the evidence above goes; what is marked open is not "
    "known.",
    "Uncertainties are expanded ones, k = 2; they hold for one fault and for the settings in the "
    "site file.",
)


def compose(case: Case) -> Document:
    """The whole dossier."""
    sections = (
        Section("What happened", _happened(case)),
        Section("Why to believe or doubt it", _evidence(case)),
        Section("Before and after", _before_and_after(case)),
        Section("Place in the field winding", place.told(case)),
        Section("All values at that moment", (_values(case),)),
        Section("Health of the monitoring at that moment", _health(case)),
        Section("The journal around it", _journal(case)),
        Section("Where this comes from", (_origin(case),)),
        Section("Cautions", (Bullets("", CAUTIONS),)),
    )
    entry = case.entry
    return Document(
        f"Alarm {case.alarm.name}",
        f"{case.site.name}, machine {case.machine.name}: "
        f"journal entry {entry.number}, {words.moment(entry.utc_ns, case.zone)}",
        sections,
        f"{case.site.name} · {case.alarm.name} · entry {entry.number} · "
        f"made {words.moment(case.origin.made_ns, case.zone)} · "
        "informs only, replaces no protection",
    )


def _happened(case: Case) -> tuple[Block, ...]:
    alarm, entry, machine = case.alarm, case.entry, case.machine
    evidence = _of(case.frame, alarm.name)
    concluded = _CONCLUSIONS[evidence.conclusion] if evidence else "It carries no evidence record."
    rows = [
        ("Alarm", f"{alarm.name}: {alarm.description}" if alarm.description else alarm.name),
        ("Priority", alarm.priority),
        ("What it judges", _condition(case)),
        (
            "Machine",
            f"{machine.name}: {machine.description}" if machine.description else machine.name,
        ),
        ("Way to the rotor", f"{machine.access}, {machine.detection}"),
        ("Came", words.moment(entry.utc_ns, case.zone)),
        ("Since then", _since(case)),
    ]
    return (
        Paragraph(f"{words.happened(entry, case.zone)}. {concluded}", strong=True),
        Facts(tuple(rows)),
    )


def _condition(case: Case) -> str:
    alarm = case.alarm
    limits = ("below", "above", "more_than", "rises_by", "falls_by")
    said = [f"{k.replace('_', ' ')} {getattr(alarm, k)}" for k in limits if getattr(alarm, k, None)]
    reference = getattr(alarm, "reference", None)
    tags = [getattr(alarm, "tag", ""), *getattr(alarm, "tags", ())]
    parts = [
        alarm.kind,
        ", ".join(t for t in tags if t),
        *([f"from {reference}"] if reference else []),
    ]
    return f"{' '.join(p for p in (*parts, *said) if p)}; on-delay {alarm.on_delay:g} s"


def _since(case: Case) -> str:
    later = [
        e
        for e in case.around
        if e.number > case.entry.number and e.transition.alarm == case.alarm.name
    ]
    if case.newest is None:
        return "the archive has no newer step"
    record = next((a for a in case.newest.alarms if a.alarm == case.alarm.name), None)
    state = record.state.value if record else "no longer configured"
    judged = "" if record is None or record.judged else ", its condition is unknown"
    entries = "entry" if len(later) == 1 else "entries"
    changes = f"{len(later)} further {entries} below" if later else "no further entry"
    return f"{changes}; {state}{judged} at {words.moment(case.newest.at.utc_ns, case.zone)}"


def _of(frame: Frame, alarm: str) -> Evidence | None:
    return next((e for e in frame.evidence if e.alarm == alarm), None)


def _evidence(case: Case) -> tuple[Block, ...]:
    then = _of(case.frame, case.alarm.name)
    if then is None:
        kept = "No evidence record was kept with this entry."
        if case.alarm.indicates != "earth fault":
            kept = "Evidence is kept for alarms that indicate an earth fault; this one does not."
        return (Paragraph(kept),)
    blocks = _told(case, then)
    if case.newest is not None and (newest := _of(case.newest, case.alarm.name)) is not None:
        blocks += _since_then(case, case.newest, then, newest)
    return blocks


def _since_then(case: Case, frame: Frame, then: Evidence, newest: Evidence) -> tuple[Block, ...]:
    """What the newest step says; of its observations only those of another kind."""
    known = {(o.rule, o.bearing, o.path, o.tag) for o in then.observations}
    others = tuple(
        o for o in newest.observations if (o.rule, o.bearing, o.path, o.tag) not in known
    )
    at = words.moment(frame.at.utc_ns, case.zone)
    said = Paragraph(f"In the newest step, {at}: {_CONCLUSIONS[newest.conclusion]}", strong=True)
    if not others:
        return (said, Paragraph("No observation has been added to those above, and none turned."))
    return (said, Paragraph("Added to those above, or turned:"), _observations(case, others))


def _told(case: Case, evidence: Evidence) -> tuple[Block, ...]:
    blocks: list[Block] = [
        Paragraph(_CONCLUSIONS[evidence.conclusion], strong=True),
        _observations(case, evidence.observations),
    ]
    for heading, items in (
        ("Explanations that remain possible", evidence.possible),
        ("Explanations that are excluded", evidence.excluded),
        ("Questions left open", evidence.questions),
    ):
        blocks.append(Bullets(heading, items or ("none",)))
    return tuple(blocks)


def _observations(case: Case, seen: tuple[Observed, ...]) -> Table:
    order = list(Bearing)
    rows = (_observation(case, o) for o in sorted(seen, key=lambda o: order.index(o.bearing)))
    head = ("Speaks", "Observation", "Path", "Value", "Measured, UTC", "Status")
    return Table(head, tuple(rows), (0.08, 0.32, 0.15, 0.22, 0.11, 0.12))


def _observation(case: Case, seen: Observed) -> tuple[str, ...]:
    value = status = measured = "-"
    if seen.tag:
        tag = next((t for t in case.site.tags if t.tag == seen.tag), None)
        unit = tag.unit if tag else None
        number = "-"
        if isinstance(seen.value, bool):
            number = "true" if seen.value else "false"
        elif seen.value is not None:
            number = words.quantity(seen.value, seen.uncertainty, seen.status, unit)
        value = seen.tag if number == "-" else f"{seen.tag}: {number}"
        status = "-" if number == "-" and seen.status.is_good else seen.status.name
        measured = words.clock(seen.time_ns) if seen.time_ns else "-"
    return seen.bearing.value, seen.text, seen.path, value, measured, status


def _before_and_after(case: Case) -> tuple[Block, ...]:
    blocks: list[Block] = []
    if case.frame.trend is not None:
        blocks += _trend(case, case.frame.trend)
    if not case.plotted:
        blocks.append(Paragraph("Nothing is archived of the values around this alarm."))
    return (*blocks, *(_picture(case, p) for p in case.plotted))


def _picture(case: Case, plotted: Plotted) -> Picture:
    tag = plotted.tag
    events = [plot.Event(case.entry.utc_ns, case.alarm.name, main=True)]
    events += [
        plot.Event(e.utc_ns, e.transition.cue)
        for e in case.around
        if e.transition.alarm == case.alarm.name
        and e.number != case.entry.number
        and not e.transition.refusal  # what was refused has changed nothing
    ]
    drawing = plot.draw(
        plotted.curve,
        name=f"{tag.tag}{f' ({tag.description})' if tag.description else ''}",
        unit=tag.unit.display if tag.unit else "",
        logarithmic=is_resistance(tag),
        thresholds=thresholds(case.site, tag),
        events=events,
    )
    kinds = {run.kind.value for run in plotted.curve.runs}
    caption = f"{tag.tag}, {plotted.window}. Band: expanded uncertainty, k = 2. "
    caption += "Dotted: only a bound. " if any(k.startswith("only") for k in kinds) else ""
    caption += "Dashed: an old value or a stand-in. " if any("old" in k for k in kinds) else ""
    caption += "Hatched: not measured." if plotted.curve.gaps() else ""
    return Picture(drawing, caption.strip())


def _trend(case: Case, trend: Trend) -> list[Block]:
    rows = []
    for state in trend.states:
        slope = "-"
        if state.decades_per_day is not None:
            low, high = state.low_decades_per_day, state.high_decades_per_day
            between = "" if low is None or high is None else f" ({low:+.2g} to {high:+.2g})"
            slope = f"{state.decades_per_day:+.2g}{between}"
        p = "-" if state.p_value is None else f"{state.p_value:.2g}"
        until = "; ".join(
            f"{f.alarm}: {_days(f.earliest_days)} to {_days(f.latest_days)}"
            for f in state.forecasts
        )
        span = words.age(state.from_ns, state.to_ns)
        rows.append(
            (state.state, f"{state.points} over {span}", state.verdict, slope, p, until or "-")
        )
    head = (
        "Operating state",
        "Points",
        "Verdict",
        "Decades a day, 95 %",
        "p",
        "Reaches the limit in",
    )
    blocks: list[Block] = [
        Paragraph(f"Trend of {trend.tag} as it stood when the alarm came."),
        Table(head, tuple(rows), (0.17, 0.17, 0.14, 0.22, 0.08, 0.22)),
    ]
    if trend.patterns:
        found = (
            f"{p.pattern} (since {words.moment(p.since_ns, case.zone)}): {p.figures}"
            for p in trend.patterns
        )
        blocks.append(Bullets("Patterns found", tuple(found)))
    return blocks


def _days(days: float | None) -> str:
    return "never" if days is None else f"{days:.3g} d"


def _values(case: Case) -> Table:
    tags = {t.tag: t for t in case.site.tags_of(case.machine.name)}
    at_ns = case.frame.at.utc_ns
    rows = []
    for sample in case.frame.samples:
        tag = tags.get(sample.tag)
        said = words.value(sample, tag.unit if tag else None)
        old = words.age(sample.time_ns, at_ns) if sample.time_ns else "-"
        name = f"{sample.tag}: {tag.description}" if tag and tag.description else sample.tag
        rows.append((name, said, sample.status.name, old))
    return Table(
        ("Tag", "Value ± expanded uncertainty (k = 2)", "Status", "Age"),
        tuple(rows),
        (0.4, 0.27, 0.21, 0.12),
    )


def _health(case: Case) -> tuple[Block, ...]:
    if not case.frame.health:
        return (Paragraph("No health record was kept with this entry."),)
    sick = [r for r in case.frame.health if r.signal is not StatusSignal.NORMAL]
    well = [r for r in case.frame.health if r.signal is StatusSignal.NORMAL]
    rows = tuple(row for record in sick for row in _findings(case, record))
    blocks: list[Block] = []
    if rows:
        head = (
            "Subject",
            "Status signal (NE 107)",
            "Cause and figures",
            "Meaning and advice",
            "Since",
        )
        blocks.append(Table(head, rows, (0.18, 0.14, 0.25, 0.28, 0.15)))
    else:
        blocks.append(Paragraph("Nothing was reported wrong."))
    channels = ProofWatch(case.site, case.frame.machine).channels
    proofs = tuple(
        (f"{r.kind.value} {r.subject}", r.signal.value, _proof(case, r, r.subject in channels))
        for r in (*sick, *well)
    )
    blocks.append(
        Table(
            ("Subject", "Status signal", "Last proved that it could see a fault"),
            proofs,
            (0.4, 0.25, 0.35),
        )
    )
    return tuple(blocks)


def _findings(case: Case, record: HealthRecord) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for finding in record.findings:
        cause = CAUSES.get(finding.cause)
        about = f"{cause.meaning}; {cause.advice}" if cause else "-"
        what = f"{finding.cause}: {finding.detail}" if finding.detail else finding.cause
        signal = cause.signal.value if cause else record.signal.value
        lasted = f"{words.age(finding.since_ns, case.frame.at.utc_ns)} before"
        rows.append((f"{record.kind.value} {record.subject}", signal, what, about, lasted))
    return rows


def _proof(case: Case, record: HealthRecord, is_channel: bool) -> str:
    if not record.proved_ns:
        return "never" if is_channel else "-"
    by = f" by {record.proof}" if record.proof else ""
    return f"{words.age(record.proved_ns, case.frame.at.utc_ns)} before{by}"


def _journal(case: Case) -> tuple[Block, ...]:
    rows = tuple(
        (
            f"{'▶ ' if entry.number == case.entry.number else ''}{entry.number}",
            words.moment(entry.utc_ns, case.zone),
            words.happened(entry, case.zone),
            entry.conclusion or "-",
        )
        for entry in case.around
    )
    table = Table(("Number", "Time", "What", "Evidence"), rows, (0.09, 0.25, 0.5, 0.16))
    if not case.left_out:
        return (table,)
    return (table, Paragraph(f"{case.left_out} more entries of this time are not shown."))


def _origin(case: Case) -> Facts:
    origin, entry = case.origin, case.entry
    return Facts(
        (
            ("Archive", origin.archive),
            ("Journal", origin.verdict),
            ("Head of the journal", origin.head),
            ("Step of the activation", f"{entry.machine} number {entry.sequence}"),
            ("SHA-256 of that step", entry.frame_digest),
            (
                "Configuration",
                f"SHA-256 {origin.configuration} (site file and profiles as read now)",
            ),
            ("Software", f"rotor-gateway {origin.software}"),
            ("Made", words.moment(origin.made_ns, case.zone)),
        )
    )
