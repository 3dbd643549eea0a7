"""What a rule of evidence is, and what it gives for one case.

A rule says to which alarms it applies, what it observes, and for each answer (yes, no, unknown) its
bearing, its text, and the question that stays open. Refuses to conclude.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from gateway.diagnosis.case import Case, Situation
from gateway.diagnosis.observations import Answer
from gateway.site.model import Machine
from gateway.tags import Bearing, Observed


@dataclass(frozen=True, slots=True)
class Says:
    """What an answer means: an observation, where it has a bearing, and a question left open."""

    bearing: Bearing | None = None
    text: str = ""
    question: str = ""


NOTHING: Final = Says()


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. An answer that is no or unknown leaves `explains` excluded or possible."""

    name: str
    asks: str
    observe: Callable[[Case], Iterable[Answer]]
    yes: Says = NOTHING
    no: Says = NOTHING
    unknown: Says = NOTHING
    situations: tuple[Situation, ...] = ()  # none named: all
    access: tuple[str, ...] = ()  # none named: all
    detection: tuple[str, ...] = ()  # none named: all
    counts: bool = False  # its answers are testimony
    explains: str = ""  # an explanation of the alarm, possible unless the answer is no

    def applies(self, machine: Machine, situation: Situation) -> bool:
        """Whether the rule has anything to say of this kind of alarm on this machine."""
        return (
            (not self.situations or situation in self.situations)
            and (not self.access or machine.access in self.access)
            and (not self.detection or machine.detection in self.detection)
        )

    def meaning(self, truth: bool | None) -> Says:
        """What an answer means."""
        return self.unknown if truth is None else self.yes if truth else self.no


@dataclass(frozen=True, slots=True)
class Given:
    """What one rule gives for one answer; empty texts say nothing."""

    rule: Rule
    answer: Answer
    observed: Observed | None
    question: str
    possible: str
    excluded: str


def given(rule: Rule, case: Case) -> Iterator[Given]:
    """All that a rule that applies has to say of a case."""
    for answer in rule.observe(case):
        says = rule.meaning(answer.truth)
        observed = None
        if says.bearing is not None:
            observed = _observed(rule.name, says.bearing, answer, says.text)
        what = rule.explains.format(**answer.words) if rule.explains else ""
        excluded = what if answer.truth is False else ""
        if excluded and answer.words.get("figures"):
            excluded += f": {answer.words['figures']}"
        yield Given(
            rule,
            answer,
            observed,
            says.question.format(**answer.words) if says.question else "",
            what if answer.truth is not False else "",
            excluded,
        )


def _observed(name: str, bearing: Bearing, answer: Answer, text: str) -> Observed:
    said, sample = text.format(**answer.words), answer.sample
    if sample is None:
        return Observed(name, bearing, answer.path, said, answer.tag)
    value: float | bool | None = sample.value
    if value is not None and not isinstance(value, bool):
        value = float(value)
    return Observed(
        name,
        bearing,
        answer.path,
        said,
        sample.tag,
        value,
        sample.status,
        sample.time_ns,
        sample.uncertainty,
    )
