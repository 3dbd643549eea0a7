"""What a diagnostic that fails by a fault of ours costs: its own answers, and no more."""

from typing import Any, NoReturn

import pytest

from gateway.chain import Chain
from gateway.diagnosis.access import Access
from gateway.diagnosis.cross_check import CrossChecks
from gateway.diagnosis.evidence import EvidenceDesk
from gateway.diagnosis.exciter import ExciterWatch
from gateway.diagnosis.health import HealthDesk
from gateway.diagnosis.operating import Operating
from gateway.diagnosis.trend import TrendDesk
from gateway.tags import AlarmState, Frame, StatusSignal
from tests.rotor.plant import SITE, Rig, record, silence, state

DIAGNOSTICS = {
    "operating states": Operating,
    "access": Access,
    "cross-checks": CrossChecks,
    "exciter": ExciterWatch,
    "health": HealthDesk,
    "trend": TrendDesk,
    "evidence": EvidenceDesk,
}
SEEN_BY_ASSESSMENT = tuple(DIAGNOSTICS)[:5]


def fail(*given: Any) -> NoReturn:
    raise ZeroDivisionError("a fault of ours")


def details(frame: Frame) -> list[str]:
    of_machine = [r for r in frame.health if r.subject == "G1"]
    assert [StatusSignal.FAILURE] == [r.signal for r in of_machine]
    return [f.detail for f in of_machine[0].findings if f.cause == "diagnosis failed"]


@pytest.mark.parametrize("what", DIAGNOSTICS)
def test_a_diagnostic_that_fails_blinds_no_alarm(
    what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Faults are told as ever, the health of the machine says what failed, a restart goes on."""
    rig = Rig()
    rig.fault(30e3, 3)
    monkeypatch.setattr(DIAGNOSTICS[what], "step", fail)
    rig.fault(10e3, 4)
    rig.restart()
    assert () == rig.chain.lost
    frame = rig.fault(10e3, 3)
    assert AlarmState.UNACKNOWLEDGED == state(frame, "G1.LOW")
    assert [f"{what}: ZeroDivisionError: a fault of ours"] == details(frame)
    assert frame == Frame.decode(frame.encode())


@pytest.mark.parametrize("what", SEEN_BY_ASSESSMENT)
def test_what_is_not_watched_clears_no_malfunction(
    what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A malfunction stands while that which would show it fails, and goes when it works again."""
    rig = Rig()
    for _ in range(7):
        rig.wait(1)
        frame = rig.step(silence(rig.now))
    assert AlarmState.UNACKNOWLEDGED == state(frame, "G1.NO_PLACE")
    with monkeypatch.context() as broken:
        broken.setattr(DIAGNOSTICS[what], "step", fail)
        frame = rig.fault(30e3, 5)
        assert AlarmState.UNACKNOWLEDGED == state(frame, "G1.NO_PLACE")
        assert not record(frame, "G1.NO_PLACE").judged
    frame = rig.fault(30e3, 2)
    assert AlarmState.RETURNED_UNACKNOWLEDGED == state(frame, "G1.NO_PLACE")
    assert [] == [f.cause for r in frame.health for f in r.findings if "failed" in f.cause]


def test_steps_with_a_failure_replay(monkeypatch: pytest.MonkeyPatch) -> None:
    """A chain that is saved and resumed while a diagnostic fails gives the same Frames."""
    monkeypatch.setattr(TrendDesk, "step", fail)
    one, other = Rig(), Rig()
    for _ in range(4):
        other.chain = Chain.resumed(SITE, "G1", other.chain.save(), other.sequence)
        assert one.fault(10e3).encode() == other.fault(10e3).encode()
    assert one.chain.save() == other.chain.save()
