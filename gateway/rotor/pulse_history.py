"""What happened in a record: the state of the circuit that it ended with, and all that came before.

One circuit with disturbances, a source that is not as told, and a circuit that becomes another one
can each look like the other. All are fitted where the record is not clean, and what explains it
with the fewest assumptions counts.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_change import Change, best_change, suspicion
from gateway.rotor.pulse_circuit import Known
from gateway.rotor.pulse_disturbances import ripple
from gateway.rotor.pulse_field import lines_of
from gateway.rotor.pulse_fit import MISFIT, State, fit_state
from gateway.rotor.pulse_record import Booleans, Flag, FlagKind
from gateway.tags import BAD, GOOD, UNCERTAIN, UNCERTAIN_CONFIGURATION_ERROR, Status

_STATES: Final = 4
_FEWEST: Final = 12  # samples that make a state
_PASSES: Final = 4
_EXACT: Final = 1e-6  # of the field voltage: ripple below is none
# A cumulated score beyond this, in squared standard deviations, is looked into: about one record in
# a hundred is so by chance.
_SUSPECT: Final = 13.0
# What an assumption costs, in squared standard deviations: what it saves by chance in a record of
# thousands of samples, once in some ten thousand.
_A_DROPPED_SAMPLE: Final = 30.0
_A_LINE: Final = 48.0
_A_GAIN: Final = 30.0
_A_CHANGE: Final = 35.0  # calibrated by simulation
_FIELD: Final = (
    15.0  # times the squares that the field voltage's noise explains: its chi-square has a tail
)
_TOLD_U: Final = 3.0  # standard uncertainties within which a source is as told
_ODD: Final = (
    "what is left is no noise, and uncertainties are widened; check the period and where it "
    "begins, the source resistance, and for a second path"
)


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """The state that is told, how far to believe it, and what there is to say."""

    state: State
    status: Status
    flags: tuple[Flag, ...]


def history_of(
    samples: Samples, usable: Booleans, known: Known, free_gain: bool, gain_u: float
) -> History:
    """The last state that can be told.

    `gain_u` is the relative standard uncertainty of amplitude over source resistance: transients
    may be larger or smaller by that without being worth a word.
    """
    said: list[str] = []
    told, status = "", GOOD
    samples = _steadied(samples, usable, known)
    for _ in range(_STATES):
        state, turn = _explained(samples, usable, known, free_gain, gain_u)
        if turn is None:
            flags, worst = _said(state, usable, free_gain, gain_u)
            return History(state, status.worst(worst), _changes(said, told) + flags)
        said.append(
            f"between {samples.time_s[turn.old_end - 1]:.6g} and "
            f"{samples.time_s[turn.new_first]:.6g} s"
        )
        after, before = (turn.new_first, len(samples.time_s)), (0, turn.old_end)
        if _enough(samples, *after):
            told, (first, end) = "what is told is the state after it", after
        elif _enough(samples, *before):
            told = "too little follows to tell that state; what is told is the state before it"
            (first, end), status = before, UNCERTAIN
        else:
            return History(state, BAD, _changes(said, "neither state lasts long enough"))
        samples, usable = samples.between(first, end), usable[first:end]
    again = "it changes again and again; record a calmer stretch"
    return History(state, BAD, _changes(said, again))


def _changes(said: list[str], told: str) -> tuple[Flag, ...]:
    """A remark for each change; with the last one, what is told now."""
    texts = [*said[:-1], f"{said[-1]}; {told}"] if said else []
    return tuple(Flag(FlagKind.CHANGED, text) for text in texts)


def _steadied(samples: Samples, usable: Booleans, known: Known) -> Samples:
    """The samples with the ripple of the field voltage taken off it.

    Sampled slower than its own pace ripple looks like a slow movement, which it is not for the
    winding; what the current makes of it is found in the current.
    """
    field_v = samples.field_v
    if field_v is None:
        return samples
    for _ in range(_PASSES):
        residual_v = field_v - lines_of(samples, field_v).values_v
        waves = ripple(samples, residual_v, usable, _EXACT * abs(known.unit_v))
        if not waves.lines:
            break
        field_v = field_v - waves.values
    return replace(samples, field_v=field_v)


def _explained(
    samples: Samples, usable: Booleans, known: Known, free_gain: bool, gain_u: float
) -> tuple[State, Change | None]:
    """The cheapest explanation: a state for all samples, or a change from one to another."""
    lines = None if samples.field_v is None else lines_of(samples, samples.field_v)
    plain = fit_state(samples, usable, known, free_gain, lines_v=lines)
    if plain.is_clean and not _suspect(plain):
        return plain, None
    best, freed, variance = plain, None, plain.variance
    if not free_gain:
        freed = fit_state(samples, usable, known, free_gain=True, lines_v=lines)
        variance = min(variance, freed.variance)
    raw = fit_state(samples, usable, known, free_gain, calm=False, lines_v=lines)
    turn = best_change(raw, known) if _suspect(raw) or _suspect(plain) else None
    parts: list[State] = []
    if turn is not None:
        for first, end in ((0, turn.old_end), (turn.new_first, len(samples.time_s))):
            if usable[first:end].sum() < _FEWEST:
                continue
            inside = np.zeros(len(samples.time_s), dtype=bool)
            inside[first:end] = True
            left = None if lines is None else lines.only(inside)
            part = samples.between(first, end)
            parts.append(fit_state(part, usable[first:end], known, free_gain, lines_v=left))
        variance = min([variance, *(part.variance for part in parts)])
    least = _cost(plain, variance)
    if freed is not None:
        gain = abs(float(freed.fit.linear[-1]))
        assumed = 0.0 if gain <= _TOLD_U * gain_u else _A_GAIN
        if _cost(freed, variance) + assumed < least:
            best, least = freed, _cost(freed, variance) + assumed
    if turn is not None and len(parts) == 2:
        between = int(usable[turn.old_end : turn.new_first].sum())  # as good as noise
        two = sum(_cost(part, variance) for part in parts) + between
        if two + _A_CHANGE + _FIELD * plain.field_squares < least:
            return best, turn
    return best, None


def _suspect(state: State) -> bool:
    """Whether it is worth looking for a change."""
    most = _SUSPECT + _FIELD * state.field_squares
    return state.misfit > MISFIT or suspicion(state.fit, state.variance) > most


def _cost(state: State, variance: float) -> float:
    """Squares left, in variances, and what the assumptions cost."""
    assumed = _A_DROPPED_SAMPLE * state.dropped + _A_LINE * len(state.lines_hz)
    return state.squares() / variance + assumed


def _enough(samples: Samples, first: int, end: int) -> bool:
    return end - first >= _FEWEST and len(samples.between(first, end).reversals_s) > 0


def _said(
    state: State, usable: Booleans, free_gain: bool, gain_u: float
) -> tuple[tuple[Flag, ...], Status]:
    flags: list[Flag] = []
    status = GOOD
    dropped = usable & ~state.used
    if dropped.any():
        time_s = state.samples.time_s
        flags.append(Flag.of_samples(FlagKind.OUTLIERS, dropped, time_s, "left out"))
    if state.lines_hz:
        text = ", ".join(f"{line_hz:.4g} Hz" for line_hz in sorted(state.lines_hz)[:4])
        flags.append(Flag(FlagKind.RIPPLE, f"lines at {text}; taken off"))
    if state.misfit > MISFIT:
        flags.append(Flag(FlagKind.MISFIT, _ODD))
        status = UNCERTAIN
    if state.circuit.free_gain and not free_gain:
        gain = float(state.fit.linear[-1])
        if abs(gain) > _TOLD_U * gain_u:
            text = f"its transients are {1 + gain:.4g} times what amplitude and source resistance"
            text += " tell; check both, and the unit of the current"
            flags.append(Flag(FlagKind.SOURCE_MISMATCH, text))
            status = status.worst(UNCERTAIN_CONFIGURATION_ERROR)
    return tuple(flags), status
