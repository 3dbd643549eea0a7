"""Each rule of evidence answers as it should in a situation made for it, and not otherwise."""

from dataclasses import dataclass, field, replace
from math import tanh
from pathlib import Path

import pytest

from gateway.diagnosis.case import Case
from gateway.diagnosis.dc_band import DcBand
from gateway.diagnosis.observations import duration
from gateway.diagnosis.rule import NOTHING, given
from gateway.diagnosis.rules import RULES, table
from gateway.diagnosis.second_fault_watch import Joined
from gateway.diagnosis.witnesses import fault_alarms, installed_of
from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_OUT_OF_RANGE,
    UNCERTAIN,
    UNCERTAIN_LAST_USABLE_VALUE,
    AlarmState,
    Bearing,
    HealthRecord,
    PatternFound,
    StateTrend,
    StatusSignal,
    Subject,
    Trend,
)
from tests.diagnosis.evidence_site import (
    NOON_NS,
    SECOND,
    agree,
    assessed,
    ill,
    light,
    sample,
    seen,
    site,
    standing,
    well,
)

SITE = site()
INSTALLED = {m.name: installed_of(SITE, m.name) for m in SITE.file.machines}
FAULTS = {name: fault_alarms(SITE, installed) for name, installed in INSTALLED.items()}
BY_NAME = {rule.name: rule for rule in RULES}

# What is read with a fault of 12 kohm at 20 %, and with a current of 2 mA and a dark link.
READ = {
    "P1": {
        "P1.R": sample("P1.R", 12.0, u=0.05),
        "P1.PLACE": sample("P1.PLACE", 20.0, u=0.5),
        "P1.READ": sample("P1.READ", 12.1, u=0.3),
        "P1.LOOP": sample("P1.LOOP", 11.9, u=0.1),
        "P1.TRIPPED": True,
        "P1.UP": sample("P1.UP", 300.0, u=0.3),
        "P1.UN": sample("P1.UN", 300.0, u=0.3),
        "P1.IE": 6.0,
    },
    "B1": {"B1.R": sample("B1.R", 12.0, u=0.05), "B1.PLACE": sample("B1.PLACE", 20.0, u=0.5)},
    "D1": {"D1.DARK": True, "D1.I": 2000.0, "D1.UF": 200.0, "D1.LIGHT": 1.0},
}
WELL = {
    "P1": well(
        *("mon", "inputs", "net", "io", "P1.IP", "P1.IN", "P1.R", "P1.READ", "P1.LOOP"),
        "P1.TRIPPED",
    ),
    "B1": well("mon", "net", "B1.IP", "B1.IN"),
    "D1": well("mon", "inputs", "net", "io", "D1.DARK", "D1.I"),
}


def trend(*patterns, verdict="no trend"):
    state = StateTrend("running hot", 40, 0, NOON_NS, verdict, -0.02, -0.03, -0.01, 0.001)
    return Trend("P1.R", (state,), patterns)


@dataclass(frozen=True)
class Scene:
    """A situation: what differs from a plain fault, and the answer that a rule must give to it."""

    rule: str
    truth: bool | None
    alarm: str = "P1.LOW"
    read: dict = field(default_factory=dict)
    blind: tuple = ()
    health: tuple | None = None  # in addition to a machine that is well; None: nothing known
    explanations: tuple = ()
    agreements: tuple = ()
    excited: bool | None = True
    trend: Trend | None = field(default_factory=trend)
    joined: Joined | None = None
    record: dict = field(default_factory=dict)

    @property
    def id(self):
        answer = {True: "yes", False: "no", None: "unknown"}[self.truth]
        return f"{self.rule}-{answer}-{self.alarm}"

    def case(self):
        machine = self.alarm[:2]
        fault = FAULTS[machine][self.alarm]
        now = seen({**READ[machine], **self.read}, blind=self.blind)
        band = DcBand(SITE, machine).of_current(now, "D1.I") if machine == "D1" else None
        health = () if self.health is None else (*WELL[machine], *self.health)
        return Case(
            INSTALLED[machine],
            fault,
            standing(self.alarm, **self.record),
            now,
            assessed(
                health=health,
                explanations=self.explanations,
                agreements=self.agreements,
                excited=self.excited,
            ),
            self.trend,
            self.joined,
            band,
        )

    @property
    def is_plain(self):
        return replace(self, rule="", truth=None) == Scene("", None, alarm=self.alarm)

    def given(self, rule=None):
        case, rule = self.case(), BY_NAME[rule or self.rule]
        applies = rule.applies(case.installed.machine, case.fault.situation)
        return list(given(rule, case)) if applies else []

    def answered(self, rule, truth):
        """The tags and paths of which a rule gives this answer."""
        told = (g.answer for g in self.given(rule))
        return {(a.tag, a.path) for a in told if a.truth is truth}

    def silent(self):
        return [] == self.given()


def value(tag, number, u=0.05, **more):
    return {tag: sample(tag, number, u=u, **more)}


ONLY_COMPUTED = value("P1.READ", 500.0) | value("P1.LOOP", 500.0)
HELD = {"status": UNCERTAIN_LAST_USABLE_VALUE, "time_ns": NOON_NS - 3 * 3600 * SECOND}
LOST = {"status": BAD_COMMUNICATION_ERROR}


def proof(age_s, how="self-test"):
    proved = HealthRecord(
        "P1.R", Subject.VALUE, StatusSignal.NORMAL, (), NOON_NS - round(age_s * SECOND), how
    )
    return (proved,)


def joined(one_more, worsened):
    return Joined(one_more, worsened, "one more fault: 4 kohm at 85 %", NOON_NS)


DARK = {"alarm": "D1.DARK_LINK"}
SCENES = (
    Scene("computed value", True),
    Scene("computed value", False, read=value("P1.R", 500.0)),
    Scene("computed value", None, read=value("P1.R", 0, **LOST)),
    Scene("computed value", None, alarm="P1.CONTACT", read=value("P1.R", 20.5)),
    Scene("monitor's value", True),
    Scene("monitor's value", False, read=value("P1.READ", 500.0)),
    Scene("monitor's value", None, blind=("P1.READ",)),
    Scene("monitor's value", None, read=value("P1.READ", 12.0, **HELD)),
    Scene("loop value", True),
    Scene("loop value", False, read=value("P1.LOOP", 500.0)),
    Scene("loop value", None, read=value("P1.LOOP", 0, **LOST)),
    Scene("contact", True),
    Scene("contact", False, read={"P1.TRIPPED": False}),
    # 19 kohm is within the accuracy of a contact set at 20 kohm: it need not have actuated.
    Scene("contact", None, read={"P1.TRIPPED": False, **value("P1.R", 19.0)}),
    Scene("contact", False, alarm="P1.CONTACT", read={"P1.TRIPPED": False}),
    Scene("dark link", True, **DARK),
    Scene("dark link", False, **DARK, read={"D1.DARK": False}),
    Scene("dark link", None, **DARK, read=value("D1.DARK", True, u=None, **LOST)),
    Scene("injected current", True, **DARK),
    Scene("injected current", True, alarm="D1.CURRENT"),
    Scene("injected current", False, **DARK, read={"D1.I": 300.0}),
    Scene("injected current", None, **DARK, read=value("D1.I", 0, **LOST)),
    Scene("own condition", True, alarm="P1.FALL"),
    Scene("own condition", False, alarm="P1.FALL", record={"present": False}),
    Scene("own condition", None, alarm="P1.FALL", record={"judged": False}),
    Scene("band of the current", True, **DARK),
    # (24 V + 200 V) / 12 kohm = 19 mA is the most that any fault can draw.
    Scene("band of the current", False, **DARK, read={"D1.I": 40000.0}),
    Scene("band of the current", None, **DARK, read={"D1.I": 300.0}),
    Scene("paths agree", True, agreements=(agree(True),)),
    Scene("paths agree", False, agreements=(agree(False, detail="12 kohm; 500 kohm"),)),
    Scene("paths agree", None, agreements=(agree(None),)),
    Scene("odd one out", True, agreements=(agree(False, "P1.LOOP", "12; 500"),)),
    Scene("supporting path well", True, health=()),
    Scene("supporting path well", False, health=(ill("P1.IP", "frozen value"),)),
    Scene("supporting path well", None),
    Scene("opposing path well", True, read={"P1.TRIPPED": False}, health=()),
    Scene(
        "opposing path well",
        False,
        read={"P1.TRIPPED": False},
        health=(ill("io", "dead link"),),
    ),
    Scene("opposing path well", None, read={"P1.TRIPPED": False}),
    Scene("proof", True, health=proof(3600)),
    Scene("proof", False, health=proof(25 * 3600)),
    Scene("proof", None, health=proof(0, "fault seen")),
    Scene("value held", True, alarm="B1.LOW", read=value("B1.R", 12.0, **HELD)),
    Scene("value alive", True, read=ONLY_COMPUTED),
    Scene("value alive", False, read=ONLY_COMPUTED, health=(ill("P1.IP", "frozen value"),)),
    Scene("value alive", None, read=value("P1.R", 500.0), alarm="P1.READ_LOW"),
    Scene(
        "light explained otherwise",
        True,
        **DARK,
        explanations=(light("a dirty lamp or receiver", "supported"),),
    ),
    Scene(
        "light explained otherwise",
        False,
        **DARK,
        explanations=(light("missing excitation", "excluded", "excited at 200 V"),),
    ),
    Scene(
        "light explained otherwise",
        None,
        **DARK,
        explanations=(light("a failed light circuit", "possible"),),
    ),
    Scene(
        "light explained by a fault",
        True,
        **DARK,
        explanations=(light("an earth fault", "supported"),),
    ),
    Scene(
        "light explained by a fault",
        False,
        **DARK,
        explanations=(light("an earth fault", "excluded"),),
    ),
    Scene(
        "light explained by a fault",
        None,
        **DARK,
        explanations=(light("an earth fault", "possible"),),
    ),
    Scene("earth fault possible", True),
    Scene(
        "earth fault possible",
        False,
        **DARK,
        explanations=(light("an earth fault", "excluded"),),
    ),
    Scene("excited", True),
    Scene("excited", False, excited=False),
    Scene("excited", None, excited=None),
    Scene("field voltage fits", True),
    Scene("field voltage fits", False, read=value("P1.UP", 2.6 * 350)),
    Scene("field voltage fits", False, health=(ill("P1.UP", "field voltage unfit"),)),
    Scene("field voltage fits", None, read=value("P1.UP", 0, **LOST)),
    Scene("field voltage steady", True),
    Scene("field voltage steady", False, read=value("P1.UN", 340.0)),
    Scene("currents settled", None),
    Scene("middle of the winding", True, read=value("P1.PLACE", 50.5, u=0.5)),
    Scene("middle of the winding", False),
    Scene("middle of the winding", None, read=value("P1.PLACE", 50.0, u=29, status=UNCERTAIN)),
    Scene("place in the winding", True),
    Scene("place in the winding", False, read=value("P1.PLACE", 0, status=BAD_OUT_OF_RANGE)),
    Scene("place in the winding", None, read=value("P1.PLACE", 50, u=29, status=UNCERTAIN)),
    Scene("moisture", True, trend=trend(PatternFound("moisture", 0, "recovers in 4 h"))),
    Scene("moisture", None, trend=None),
    Scene("falling trend", True, trend=trend(verdict="falling")),
    Scene("second fault", True, joined=joined(True, False)),
    Scene("second fault", True, joined=joined(False, True)),
    Scene("second fault", False, joined=joined(False, False)),
    Scene("one monitor", True),
    Scene("other monitor", None),
    Scene("condition gone", True, record={"present": False}, health=()),
    Scene(
        "condition gone",
        None,
        read=value("P1.R", 500.0),
        health=(ill("P1.IP", "frozen value"),),
    ),
    Scene("condition gone", True, read=value("P1.R", 500.0)),
)


@pytest.mark.parametrize("scene", SCENES, ids=lambda s: s.id)
def test_a_rule_answers_to_its_situation(scene):
    """In the situation made for it a rule gives the answer, with the bearing of the table."""
    rule = BY_NAME[scene.rule]
    matching = [g for g in scene.given() if g.answer.truth is scene.truth]
    assert matching
    says = rule.meaning(scene.truth)
    for one in matching:
        assert says.bearing == (one.observed.bearing if one.observed is not None else None)
        assert (says.question != "") == (one.question != "")
        for text in (one.question, one.possible, one.excluded):
            assert "{" not in text
        if one.observed is not None:
            assert rule.name == one.observed.rule
            assert "{" not in one.observed.text
            assert "" != one.observed.path


@pytest.mark.parametrize("scene", SCENES, ids=lambda s: s.id)
def test_a_rule_does_not_answer_so_otherwise(scene):
    """In the situations made for its other answers, or else in a plain one, a rule answers
    otherwise."""
    others = [s for s in SCENES if s.rule == scene.rule and s.truth is not scene.truth]
    if not others and not scene.is_plain:
        others = [Scene("", None, alarm=scene.alarm)]
    here = scene.answered(scene.rule, scene.truth)
    for other in others:
        assert here - other.answered(scene.rule, scene.truth)


def test_every_answer_that_means_something_has_its_situation():
    """No row of the table goes untested: each answer with a bearing or a question has a scene."""
    means = {
        (rule.name, truth)
        for rule in RULES
        for truth in (True, False, None)
        if rule.meaning(truth) != NOTHING
    }
    # A second device that measures the rotor is another site: see the test of its own below.
    tested = {(s.rule, s.truth) for s in SCENES} | {("other monitor", True)}
    assert set() == means - tested


def test_rules_have_names_of_their_own():
    """A name leads to one rule, so that an observation can be looked up."""
    assert len(RULES) == len(BY_NAME)


def test_rules_keep_to_the_alarms_they_are_for():
    """No rule of light speaks on a resistance, none of pulses on a dark link."""
    for rule in RULES:
        if rule.access == ("optical link",) or rule.detection == ("DC injection",):
            assert Scene(rule.name, True).silent()
        if rule.detection == ("pulse injection",):
            assert Scene(rule.name, True, **DARK, joined=joined(True, False)).silent()
        if rule.situations:
            assert Scene(rule.name, True, alarm="P1.FALL").silent()


@pytest.mark.parametrize(
    ("alarm", "tag", "number", "truth"),
    [
        ("P1.LOW", "P1.READ", 19.9, True),
        ("P1.LOW", "P1.READ", 20.1, None),
        ("P1.LOW", "P1.READ", 21.9, None),
        ("P1.LOW", "P1.READ", 22.1, False),
        # The alarm's own value stays for the fault within its deadband.
        ("P1.LOW", "P1.R", 21.9, True),
        ("P1.LOW", "P1.R", 22.2, False),
        ("D1.DARK_LINK", "D1.I", 1001.0, True),
        ("D1.DARK_LINK", "D1.I", 950.0, None),
        ("D1.DARK_LINK", "D1.I", 899.0, False),
        ("D1.CURRENT", "D1.I", 950.0, True),
    ],
)
def test_nothing_is_concluded_within_the_margin_of_a_limit(alarm, tag, number, truth):
    """Between a limit and its margin a value decides nothing, the alarm's own one aside."""
    case = Scene("", None, alarm=alarm, read={tag: number}).case()
    assert truth is case.truths[tag]


def test_a_contact_without_a_setting_says_nothing_by_its_silence():
    """A contact of unknown setting that has not actuated is no evidence against a fault."""
    fault = FAULTS["P1"]["P1.LOW"]
    trip = next(w for w in fault.witnesses if w.path.tag == "P1.TRIPPED")
    unset = replace(trip, setting=None)
    witnesses = tuple(unset if w is trip else w for w in fault.witnesses)
    case = Scene("", None, read={"P1.TRIPPED": False}).case()
    assert False is case.truths["P1.TRIPPED"]
    assert None is replace(case, fault=replace(fault, witnesses=witnesses)).truths["P1.TRIPPED"]


def test_the_loop_is_said_to_prove_the_transmission_only():
    """A loop repeats the monitor's own value, and the observation says so."""
    (one,) = given(BY_NAME["loop value"], Scene("", None).case())
    assert "transmission only" in one.observed.text
    assert ("loop inputs.loop", 11.9) == (one.observed.path, one.observed.value)


def test_the_half_cycle_that_would_explain_the_reading_follows_from_the_circuit():
    """The figure of the capacitance rule solves R0/(1 - tanh(Th/(2*C*R0))) - R0 = R read.

    Outside check: check-values 7.4, a sound winding of C = 2 uF behind R0 = 31 kohm with
    Th = 0.25 s reads 858.515 kohm.
    """
    assert 858.515e3 == pytest.approx(31e3 / (1 - tanh(0.25 / (2 * 2e-6 * 31e3))) - 31e3, rel=1e-5)
    (one,) = given(BY_NAME["currents settled"], Scene("", None).case())
    half_s = float(one.answer.words["figures"].split()[0])
    read = 20e3 / (1 - tanh(half_s / (2 * 5e-6 * 20e3))) - 20e3
    assert 12e3 == pytest.approx(read, rel=0.05)


def test_several_monitors_on_one_field_circuit_are_asked_after():
    """Where two devices measure one rotor, the question is whether they disturb each other."""
    scene = Scene("other monitor", True)
    case = replace(scene.case(), installed=replace(INSTALLED["P1"], monitors=("mon", "second-mon")))
    (one,) = given(BY_NAME["other monitor"], case)
    assert (True, Bearing.OPEN) == (one.answer.truth, one.observed.bearing)
    assert "second-mon" in one.question
    assert [] == list(given(BY_NAME["one monitor"], case))


def test_the_device_of_a_machine_that_measures_the_rotor_is_its_monitor():
    """A regulator that gives the exciter's current is not taken for a rotor monitor."""
    assert ("mon",) == INSTALLED["P1"].monitors
    assert ("mon",) == INSTALLED["D1"].monitors


def test_what_is_cross_checked_with_an_alarm_speaks_on_it():
    """With a single alarm on the computed value, its cross-checked paths are heard all the same;
    without cross-checks they are not."""
    for checks, heard in ((..., {"P1.R", "P1.READ", "P1.LOOP", "P1.TRIPPED"}), (None, {"P1.R"})):
        changes = {} if checks is ... else {"P1": {"cross_checks": checks}}
        one = site(alarms=("P1.LOW",), **changes)
        fault = fault_alarms(one, installed_of(one, "P1"))["P1.LOW"]
        assert heard == {w.path.tag for w in fault.witnesses}


def test_doubt_names_what_is_wrong_and_nothing_else():
    """Of several findings those that cast doubt are named, with their subject."""
    scene = Scene(
        "",
        None,
        health=(
            replace(
                ill("P1.IP", "frozen value"),
                findings=(
                    *ill("P1.IP", "proof overdue").findings,
                    *ill("P1.IP", "frozen value").findings,
                ),
            ),
        ),
    )
    case = scene.case()
    assert ("P1.IP: frozen value",) == case.doubts(INSTALLED["P1"].paths["P1.R"])
    assert () == case.doubts(INSTALLED["P1"].paths["P1.READ"])


def test_a_lost_access_is_named_once():
    """Every value of a machine whose rotor is not reached says so; one of them is told."""
    lost = tuple(ill(subject, "telemetry lost") for subject in ("mon", "P1.IP", "P1.READ", "P1"))
    case = Scene("", None, health=lost).case()
    assert ("mon: telemetry lost",) == case.doubts(INSTALLED["P1"].paths["P1.READ"])
    assert ("mon: telemetry lost",) == case.doubts(INSTALLED["P1"].paths["P1.TRIPPED"])


def test_a_device_that_holds_one_value_does_not_speak_against_a_fault():
    """A frozen field voltage makes the current beside it no ground to doubt a dark link; for the
    fault, the current counts until something is wrong with itself."""
    frozen = (ill("D1.UF", "frozen value"),)
    against = Scene("opposing path well", False, **DARK, read={"D1.I": 300.0}, health=frozen)
    assert [("mon", "D1.UF: frozen value")] == [
        (g.answer.path.removeprefix("device "), g.answer.words["figures"]) for g in against.given()
    ]
    in_favour = Scene("supporting path well", True, **DARK, health=frozen)
    assert {True} == {g.answer.truth for g in in_favour.given()}


def test_an_excluded_fault_is_one_that_puts_out_the_light():
    """0.67 mA does not put out the light, but a fault of 23.6 kohm or more may be there."""
    explanations = (light("an earth fault", "excluded", "the current is below pick-up"),)
    scene = Scene("", None, **DARK, read={"D1.I": 670.0}, explanations=explanations)
    (fault,), (weak,) = scene.given("earth fault possible"), scene.given("weak earth fault")
    assert ("", "an earth fault that puts out the light: the current is below pick-up") == (
        fault.possible,
        fault.excluded,
    )
    # (24 V + 0 to 200 V) / 0.67 mA - 12 kohm, within k = 2 of what the current is known to.
    assert "" == weak.excluded
    figures = "23.6 kohm to 323 kohm by the injected current"
    assert f"an earth fault too weak to put out the light ({figures})" == weak.possible
    assert [] == Scene("", None, **DARK).given("weak earth fault")


def test_the_table_has_a_row_for_each_rule():
    """The printed table names every rule, its question and its bearings."""
    rows = table().splitlines()
    assert len(RULES) + 2 == len(rows)
    for rule, row in zip(RULES, rows[2:], strict=True):
        assert rule.name in row
        assert rule.asks in row
        assert 8 == row.count("|")


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(-1, "0 s"), (119, "119 s"), (120, "2 min"), (7200, "2 h"), (3 * 86400, "3 d")],
)
def test_ages_are_said_in_plain_words(seconds, words):
    """Two of a unit or more are said in that unit."""
    assert words == duration(seconds)


def test_a_latched_alarm_is_a_case_too():
    """The state of the record does not matter to the rules, only whether its condition stands."""
    case = Scene("", None, record={"state": AlarmState.LATCHED_UNACKNOWLEDGED}).case()
    assert True is case.truths["P1.R"]


def test_the_developers_notes_have_the_table_as_it_is():
    """The table of rules in DEVELOPERS.md is the one that the data give."""
    notes = Path(__file__).parents[2] / "DEVELOPERS.md"
    assert table().strip() in notes.read_text(encoding="utf-8")
