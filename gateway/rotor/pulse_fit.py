"""The fit of a record's last state: without disturbed samples, without ripple, after any change."""

from dataclasses import dataclass, replace
from math import sqrt
from typing import Final

import numpy as np

from gateway.rotor.pulse_bins import Samples
from gateway.rotor.pulse_change import PROVEN, Change, change, suspicion
from gateway.rotor.pulse_circuit import Circuit, FieldScale, circuit, fit_circuit
from gateway.rotor.pulse_disturbances import noise_of, outliers, ripple
from gateway.rotor.pulse_field import lines_of
from gateway.rotor.pulse_record import Booleans, Flag, FlagKind, Floats
from gateway.rotor.separable import Fit
from gateway.tags import BAD, GOOD, UNCERTAIN, Status

# What the circuit leaves out (copper, edges of the pulse), in amplitudes over R0 (our choice): no
# record is believed to be better than this.
_FLOOR: Final = 3e-6
_ODD: Final = (
    "what is left is no noise, and uncertainties are widened; check the period and where it "
    "begins, the source resistance, and for a second path"
)
_UNIFORM: Final = 12**-0.5  # a step's standard deviation (GUM F.2.2.1)
_ROUNDS: Final = 10
_STATES: Final = 4
_PASSES: Final = 4
_EXACT: Final = 1e-6  # of the field voltage: ripple below is none
_FEWEST: Final = 12  # samples that make a state
# Squares beyond the expected, in standard deviations of chi-square: from the first on the
# uncertainty is widened, from the second on the circuit is called a misfit (our choice).
_WIDE: Final = 3.0
_MISFIT: Final = 6.0
# A cumulated score beyond this, in squared standard deviations, is looked into: about one record in
# a hundred is so by chance.
_SUSPECT: Final = 13.0
_FIELD: Final = 3.0  # times the squares that the field voltage's noise explains
_TOLD_U: Final = 3.0  # standard uncertainties within which a source is as told
_GAIN: Final = 30.0  # squares that a free gain must save, in variances: 5.5 standard deviations


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The fit of one state of the circuit.

    `samples` are all of the stretch, with any ripple taken off, `used` marks those that count,
    `fitted` has the circuit's current at each. `noise` is that of one sample, `quick_noise` what
    changes of it from one to the next. `field_squares` is how much of the fit's sum of squares the
    noise of a sampled field voltage explains, in variances. `covariance` is that of the fit's
    parameters, linear ones first.
    """

    samples: Samples
    used: Booleans
    circuit: Circuit
    fit: Fit
    fitted: Floats
    noise: float
    quick_noise: float
    misfit: float
    field_squares: float
    ripples: int
    covariance: Floats
    flags: tuple[Flag, ...]
    status: Status = GOOD


def fit_state(
    samples: Samples, usable: Booleans, field: FieldScale, free_gain: bool, gain_u: float
) -> State:
    """The last state that the samples show, with everything that there is to say of it.

    `gain_u` is the relative standard uncertainty of amplitude over source resistance: transients
    may be larger or smaller by that without being worth a word.
    """
    flags: tuple[Flag, ...] = ()
    status = GOOD
    samples = _steadied(samples, usable, field)
    for _ in range(_STATES):
        state = _fit(samples, usable, field, free_gain)
        turn, mismatch = _explanation(state, samples, usable, field, gain_u)
        if mismatch is not None:
            state = mismatch
        if turn is None:
            break
        at = np.flatnonzero(state.used)
        end, begin = int(at[turn.old_end - 1]) + 1, int(at[turn.new_first])
        text = f"between {samples.time_s[end - 1]:.6g} and {samples.time_s[begin]:.6g} s; "
        after, before = (begin, len(samples.time_s)), (0, end)
        if _enough(samples, *after):
            text, (first, last) = text + "what is told is the state after it", after
        elif _enough(samples, *before):
            text += "too little follows to tell that state; what is told is the state before it"
            (first, last), status = before, UNCERTAIN
        else:
            flags = (*flags, Flag(FlagKind.CHANGED, text + "neither state lasts long enough"))
            status = BAD
            break
        flags = (*flags, Flag(FlagKind.CHANGED, text))
        samples, usable = samples.between(first, last), usable[first:last]
    else:
        status = BAD  # it changes all the time
    return replace(state, flags=flags + state.flags, status=state.status.worst(status))


def _steadied(samples: Samples, usable: Booleans, field: FieldScale) -> Samples:
    """The samples with the ripple of the field voltage taken off it.

    Sampled slower than its own pace ripple looks like a slow movement, which it is not for the
    winding; what the current makes of it is found in the current.
    """
    field_v = samples.field_v
    if field_v is None:
        return samples
    for _ in range(_PASSES):
        residual_v = field_v - lines_of(samples, field_v).values_v
        waves = ripple(samples, residual_v, usable, _EXACT * abs(field.unit_v))
        if not waves.lines:
            break
        field_v = field_v - waves.values
    return replace(samples, field_v=field_v)


def _explanation(
    state: State, samples: Samples, usable: Booleans, field: FieldScale, gain_u: float
) -> tuple[Change | None, State | None]:
    """What explains the squares left better than noise: a change, or a source not as told."""
    variance = min(state.noise, state.quick_noise) ** 2
    by_field = _FIELD * state.field_squares
    here, poor = state.circuit, state.misfit > _MISFIT
    freed = None
    if (poor or (state.ripples and gain_u > 0)) and not here.free_gain:
        freed = _fit(samples, usable, field, free_gain=True)
        gain = float(freed.fit.linear[-1])
        calm = freed.misfit <= _MISFIT and freed.ripples < max(state.ripples, 1)
        if calm and abs(gain) <= _TOLD_U * gain_u:
            return None, freed
    if not poor and suspicion(here, state.fit, variance) < _SUSPECT + by_field:
        return None, None
    turn = change(here.samples, here, state.fit, variance, field)
    if turn is not None and turn.saved < PROVEN + by_field:
        turn = None
    if freed is None or not poor:
        return turn, None
    saved = (state.fit.squares - freed.fit.squares) / variance
    if saved < max(_GAIN, 0.0 if turn is None else turn.saved):
        return turn, None
    text = f"its transients are {1 + gain:.4g} times what amplitude and source resistance tell"
    return None, replace(freed, flags=(*freed.flags, Flag(FlagKind.SOURCE_MISMATCH, text)))


def _enough(samples: Samples, first: int, end: int) -> bool:
    return end - first >= _FEWEST and len(samples.between(first, end).reversals_s) > 0


def _fit(samples: Samples, usable: Booleans, field: FieldScale, free_gain: bool) -> State:
    whole = circuit(samples, field, free_gain)
    used, tau_s = usable, None
    lines: tuple[tuple[float, float], ...] = ()
    for _ in range(_ROUNDS):
        here = whole
        if not used.all():
            lines_left = None if whole.lines is None else whole.lines.only(used)
            here = circuit(samples.only(used), field, free_gain, lines_left)
        found = fit_circuit(here, tau_s)
        tau_s = float(np.exp(found.nonlinear[0]))
        fitted = whole.at_samples(found)
        residual = samples.current - fitted
        noise = noise_of(residual[used])
        least = max(_FLOOR, samples.resolution * _UNIFORM)
        again = usable & ~outliers(np.where(usable, residual, 0.0), max(noise, least))
        if not (again == used).all():
            used = again
            continue
        waves = ripple(samples, residual, used, max(_FLOOR, samples.resolution))
        if not waves.lines:
            break
        lines += waves.lines
        samples = replace(samples, current=samples.current - waves.values)
        whole, used = circuit(samples, field, free_gain), usable
    return _judged(samples, usable, used, here, found, fitted, lines)


def _judged(
    samples: Samples,
    usable: Booleans,
    used: Booleans,
    here: Circuit,
    found: Fit,
    fitted: Floats,
    lines: tuple[tuple[float, float], ...],
) -> State:
    residual = (samples.current - fitted)[used]
    parameters = len(found.linear) + len(found.nonlinear)
    freedom = max(len(here.bins.first) - parameters, 1)
    noise = sqrt(float(residual @ residual) / max(len(residual) - parameters, 1))
    # Noise from one sample to the next: a circuit that does not fit moves it less.
    quick = sqrt(float(np.mean(np.diff(residual) ** 2)) / 2)
    least = samples.resolution * _UNIFORM
    if quick < samples.resolution / 2:
        # Nothing shakes the samples over the steps: their errors are all the same, and stay.
        least *= sqrt(len(residual) / 2)
    noise, quick = max(noise, least, _FLOOR), max(quick, least, _FLOOR)
    excess = found.squares / min(noise, quick) ** 2
    errors = here.field_errors(found)
    shifts = found.unscaled_covariance @ (found.slopes @ errors.T)
    left = errors - shifts.T @ found.slopes
    field_squares = float((left * left).sum()) / min(noise, quick) ** 2
    expected = freedom + field_squares
    misfit = (excess - expected) / sqrt(2 * freedom + 2 * field_squares**2 / max(len(errors), 1))
    variance = noise**2 * (max(excess / expected, 1.0) if misfit > _WIDE else 1.0)
    flags: list[Flag] = []
    dropped = usable & ~used
    if dropped.any():
        text = f"{int(dropped.sum())} samples, the first at {samples.time_s[dropped][0]:.6g} s"
        flags.append(Flag(FlagKind.OUTLIERS, f"{text}; left out"))
    if lines:
        text = ", ".join(f"{line_hz:.4g} Hz" for line_hz, _ in sorted(lines)[:4])
        flags.append(Flag(FlagKind.RIPPLE, f"lines at {text}; taken off"))
    if misfit > _MISFIT:
        flags.append(Flag(FlagKind.MISFIT, _ODD))
    return State(
        samples,
        used,
        here,
        found,
        fitted,
        noise,
        quick,
        misfit,
        field_squares,
        len(lines),
        variance * found.unscaled_covariance + shifts @ shifts.T,
        tuple(flags),
        UNCERTAIN if misfit > _MISFIT else GOOD,
    )
