"""What the gateway, and beside it the monitor's bare contact, made of an episode."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from gateway.site.installed import Site
from gateway.tags import AlarmState, Conclusion, Frame
from tests.corpus.bench import Bench
from tests.corpus.episodes import Episode

CONTACT = {"U1": "U1.ALARM_CONTACT", "U2": "U2.DARK_CONTACT", "U3": "U3.ALARM_CONTACT"}
SETTLED_S = 5.0  # the beginning, before everything has been read, is no part of the story


@dataclass(frozen=True)
class Verdict:
    """One episode as it was told."""

    episode: Episode
    alarmed: bool  # an earth-fault alarm was annunciated
    conclusions: frozenset[Conclusion]  # of all evidence in the episode
    last_conclusion: Conclusion | None
    found: frozenset[tuple[str, str]]  # (subject, cause) of all health findings
    contact_alarmed: bool  # the bare contact said fault

    @property
    def missed(self) -> bool:
        return self.episode.fault and not self.alarmed

    @property
    def named(self) -> bool:
        """The malfunction is named, of the right subject."""
        return any(
            cause in self.episode.causes and self.episode.subject in ("", subject)
            for subject, cause in self.found
        )

    @property
    def feigned(self) -> bool:
        """A malfunction, or nothing at all, was presented as a corroborated fault."""
        return not self.episode.fault and Conclusion.CORROBORATED in self.conclusions


def judge(site: Site, directory: Path, episode: Episode) -> Verdict:
    """Play the episode through a new chain."""
    bench = Bench(site, episode.machine, episode.text(), directory)
    faults = {a.name for a in site.earth_fault_alarms(episode.machine)}
    alarmed = contact = False
    conclusions: set[Conclusion] = set()
    found: set[tuple[str, str]] = set()
    last: Conclusion | None = None
    for time_s, frame in bench.run(episode.lasts_s, episode.step_s):
        if time_s < SETTLED_S:
            continue
        alarmed |= any(
            t.alarm in faults and t.after is AlarmState.UNACKNOWLEDGED for t in frame.transitions
        )
        contact |= contact_is(frame, CONTACT[episode.machine])
        last = frame.evidence[0].conclusion if frame.evidence else last
        conclusions |= {e.conclusion for e in frame.evidence}
        found |= findings(frame)
    return Verdict(episode, alarmed, frozenset(conclusions), last, frozenset(found), contact)


def contact_is(frame: Frame, tag: str) -> bool:
    """What a lamp wired to the contact would show, broken wires included."""
    return any(s.tag == tag and s.value is True for s in frame.samples)


def findings(frame: Frame) -> set[tuple[str, str]]:
    """Subject and cause of everything that health holds to be wrong."""
    return {
        (record.subject, finding.cause) for record in frame.health for finding in record.findings
    }


def table(verdicts: Iterable[Verdict]) -> str:
    """The figures, the bare contact's beside them."""
    verdicts = tuple(verdicts)
    faults = [v for v in verdicts if v.episode.fault]
    malfunctions = [v for v in verdicts if v.episode.causes]
    sound = [v for v in verdicts if not v.episode.fault and not v.episode.causes]
    quiet = [*malfunctions, *sound]
    rows = [
        ("", "gateway", "bare contact"),
        (
            f"real faults missed (of {len(faults)})",
            str(sum(v.missed for v in faults)),
            str(sum(not v.contact_alarmed for v in faults)),
        ),
        (
            f"malfunctions named rightly (of {len(malfunctions)})",
            str(sum(v.named for v in malfunctions)),
            "0",
        ),
        (
            f"malfunction or nothing told as a fault (of {len(quiet)})",
            f"{sum(v.feigned for v in quiet)} corroborated, "
            f"{sum(v.alarmed for v in quiet)} in doubt or contradicted",
            str(sum(v.contact_alarmed for v in quiet)),
        ),
    ]
    for conclusion, count in Counter(
        v.last_conclusion for v in faults if v.last_conclusion
    ).most_common():
        rows.append((f"real faults told as: {conclusion}", str(count), ""))
    widths = [max(len(row[k]) for row in rows) for k in range(3)]
    return "\n".join(
        "  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip() for r in rows
    )
