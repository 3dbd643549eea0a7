"""A record made ready for the circuit: its samples in order, and when the source turned.

What is missing or there twice is found here and said; what is no record of a pulse at all is
refused with one sentence.
"""

from typing import Final

import numpy as np

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_bins import GAP, Samples
from gateway.rotor.pulse_injection import Source
from gateway.rotor.pulse_record import Booleans, Flag, FlagKind, Floats, PulseRecord

FEWEST: Final = 24  # samples, below which noise cannot be told from the circuit (our choice)
_DOUBLED: Final = 0.1  # of the usual interval: two samples at one time
_UNEVEN: Final = 0.3  # of the usual interval: more jitter than this is no regular sampling
_HOLE: Final = 0.5  # of a half-cycle: a hole of this length may hide anything
_AT_REVERSAL: Final = 0.01  # of the interval: nobody knows on which side such a sample was taken
_IMPOSSIBLE: Final = 3.0  # times what the voltages can drive through R0 alone
_MOST_V: Final = 1e4  # of a field winding, with much to spare
_SHORTEST_S: Final = 1e-7
_LONGEST_S: Final = 1e4
_LATEST_S: Final = 1e11  # later than any clock that counts seconds
_MANY: Final = 64  # levels, from which on their distance tells the step
_ROUNDING: Final = 1e-9  # of the largest value: digits that a file does not hold
_STEPPED: Final = 0.05  # share of samples like the one before: the converter's steps show
_EDGES: Final = 0.05  # share of samples that may stand on an edge of the source's voltage
_LEVEL: Final = 0.1  # of the amplitude: what the source's own voltage may differ from it


class RecordError(ValueError):
    """A record that says nothing of a pulse circuit; the text says why and what to do."""


class TooShortError(RecordError):
    """A record that has nothing to say yet."""


def samples_of(
    record: PulseRecord, source: Source
) -> tuple[Samples, Booleans, bool, tuple[Flag, ...]]:
    """The samples, which of them may be used, whether the reversals' instants are exact, and flags.

    Raises RecordError.
    """
    time_s = record.time_s
    _check_columns(record, source)
    if len(time_s) < FEWEST:
        raise TooShortError(
            f"{len(time_s)} samples are too few; a record needs at least {FEWEST}, over one "
            "reversal of the source or more"
        )
    flags: list[Flag] = []
    steps = np.diff(time_s)
    interval_s = float((time_s[-1] - time_s[0]) / (len(time_s) - 1))
    keep = np.ones(len(time_s), dtype=bool)
    if not bool((np.abs(steps - interval_s) < _UNEVEN * interval_s).all()):
        interval_s, keep = _uneven(time_s, steps, flags)
    _check_sizes(record, source, interval_s)
    if record.period_s is not None:
        _check_holes(time_s[keep], interval_s, record.period_s / 2)
    reversals_s, polarity, exact = _reversals(record, source, interval_s)
    scale = source.source_resistance_ohm.value / source.amplitude_v.value
    current = record.current_a[keep] * scale
    samples = Samples(
        np.flatnonzero(keep),
        time_s[keep],
        current,
        record.field_voltage_v[keep] if isinstance(record.field_voltage_v, np.ndarray) else None,
        interval_s,
        _resolution(current),
        float(time_s[0]) - interval_s / 2,
        float(time_s[-1]) + interval_s / 2,
        reversals_s,
        polarity,
    )
    if not len(reversals_s):
        raise TooShortError(
            "the source never turns within the record; record at least one whole period, and check "
            "the period"
        )
    _check_holes(samples.time_s, interval_s, samples.longest_half_s)
    usable = np.ones(len(samples.time_s), dtype=bool)
    turns_s = reversals_s
    if exact and record.period_s is not None:  # those at both ends of the record as well
        half_s = record.period_s / 2
        ends = np.rint(samples.time_s[[0, -1]] / half_s) * half_s
        turns_s = np.concatenate((ends, reversals_s))
    nearest = np.searchsorted(samples.time_s, turns_s)
    for beside in (nearest - 1, nearest):
        beside = np.clip(beside, 0, len(usable) - 1)
        near = np.abs(samples.time_s[beside] - turns_s) < _AT_REVERSAL * interval_s
        usable[beside[near]] = False
    repeated = _repeated(samples)
    if repeated.any():
        how = "taken over from the one before"
        flags.append(Flag.of_samples(FlagKind.DOUBLED, repeated, samples.time_s, how))
    return samples, usable & ~repeated, exact, tuple(flags)


def _uneven(time_s: Floats, steps: Floats, flags: list[Flag]) -> tuple[float, Booleans]:
    """The usual interval, and all samples but those at the time of the one before."""
    if steps.min() < 0:
        raise RecordError("time runs backwards; sort the samples by time")
    interval_s = float(np.median(steps))
    if interval_s <= 0:
        raise RecordError("most samples have the time of the one before; give each its own time")
    keep = np.concatenate(([True], steps > _DOUBLED * interval_s))
    if not keep.all():
        where = " at the time of the one before"
        flags.append(Flag.of_samples(FlagKind.DOUBLED, ~keep, time_s, "left out", where))
    steps = np.diff(time_s[keep])
    gaps = steps > GAP * interval_s
    if bool((np.abs(steps[~gaps] - interval_s) > _UNEVEN * interval_s).any()):
        raise RecordError(
            f"the samples are not evenly spaced (usually {interval_s:.4g} s, but down to "
            f"{steps.min():.4g} s); sample with a constant interval"
        )
    if gaps.any():
        lost = int(np.round(steps[gaps] / interval_s - 1).sum())
        first_s = time_s[keep][np.flatnonzero(gaps)[0]]
        flags.append(Flag(FlagKind.MISSING, f"{lost} samples, the first after {first_s:.6g} s"))
    return interval_s, keep


def _reversals(
    record: PulseRecord, source: Source, interval_s: float
) -> tuple[Floats, float, bool]:
    """The instants at which the source turns within the record, its first sign, and if exact."""
    first_s, last_s = float(record.time_s[0]), float(record.time_s[-1])
    half_s = None if record.period_s is None else record.period_s / 2
    if half_s is not None and half_s < 4 * interval_s:
        raise RecordError(
            f"a half-cycle of {half_s:.4g} s has fewer than 4 samples; sample faster, or check the "
            "period"
        )
    if record.pulse_v is None:
        if half_s is None:
            raise RecordError("neither the period nor the source's voltage is known; give one")
        before = int(np.floor(first_s / half_s + 1e-9))
        after = int(np.ceil(last_s / half_s - 1e-9))
        reversals_s = np.arange(before + 1, after) * half_s
        return np.asarray(reversals_s, dtype=np.float64), 1.0 if before % 2 == 0 else -1.0, True
    off = np.abs(np.abs(record.pulse_v) - source.amplitude_v.value)
    wrong = np.flatnonzero(off > _LEVEL * source.amplitude_v.value)
    if len(wrong) > _EDGES * len(off):
        raise RecordError(
            f"at {record.time_s[wrong[0]]:.6g} s the source's voltage is "
            f"{record.pulse_v[wrong[0]]:.6g} V, neither + nor - {source.amplitude_v.value:.6g} V; "
            "check the amplitude"
        )
    sign = np.sign(record.pulse_v)
    for k in wrong[::-1]:  # on its way from one level to the other: it belongs to what follows
        sign[k] = sign[min(k + 1, len(sign) - 1)]
    sign[sign == 0] = 1.0
    turns = np.flatnonzero(np.diff(sign)) + 1
    latest_s, earliest_s = record.time_s[turns], record.time_s[turns - 1]
    if half_s is None:
        return latest_s, float(sign[0]), False
    count = np.round(latest_s / half_s)
    on_grid = count * half_s
    slack_s = _AT_REVERSAL * interval_s
    if bool(((on_grid > earliest_s - slack_s) & (on_grid < latest_s + slack_s)).all()):
        return on_grid, float(sign[0]), True
    if len(turns) > 1 and bool((np.abs(np.diff(latest_s) - half_s) > 1.5 * interval_s).any()):
        raise RecordError(
            f"the source's voltage turns every {float(np.median(np.diff(latest_s))):.4g} s, not "
            f"every {half_s:.4g} s; check the period"
        )
    return latest_s, float(sign[0]), False


def _check_columns(record: PulseRecord, source: Source) -> None:
    columns = {"time": record.time_s, "current": record.current_a}
    if record.pulse_v is not None:
        columns["source's voltage"] = record.pulse_v
    if isinstance(record.field_voltage_v, np.ndarray):
        columns["field voltage"] = record.field_voltage_v
    for name, column in columns.items():
        if len(column) != len(record.time_s):
            raise RecordError(f"{len(record.time_s)} times but {len(column)} of the {name}")
        if not np.isfinite(column).all():
            raise RecordError(f"a value of the {name} is no number; leave that sample out")
    if record.period_s is not None and not 0 < record.period_s < np.inf:
        raise RecordError(f"a period of {record.period_s} s cannot be; give seconds above 0")
    if not (source.amplitude_v.value > 0 and source.source_resistance_ohm.value > 0):
        raise RecordError("amplitude and source resistance must be above 0; check both")


def _check_sizes(record: PulseRecord, source: Source, interval_s: float) -> None:
    """Refuses what no recorder writes: it is in another unit, or none of a pulse circuit."""
    if not _SHORTEST_S < interval_s < _LONGEST_S or abs(float(record.time_s[0])) > _LATEST_S:
        raise RecordError(
            f"{interval_s:.4g} s from sample to sample, beginning at {record.time_s[0]:.4g} s: "
            "check the unit of the time"
        )
    field_v = record.field_voltage_v
    if isinstance(field_v, Measured):
        field_v = np.array([field_v.value])
    most_field_v = _MOST_V if field_v is None else float(np.abs(field_v).max())
    if most_field_v > _MOST_V:
        raise RecordError(f"{most_field_v:.4g} V is no field voltage; check its unit")
    driving_v = source.amplitude_v.value + most_field_v
    usual_a = float(np.abs(record.current_a / len(record.current_a)).sum())
    most_a = driving_v / source.source_resistance_ohm.value
    if usual_a > _IMPOSSIBLE * most_a:
        raise RecordError(
            f"{usual_a:.4g} A cannot flow: {driving_v:.4g} V drive at most {most_a:.4g} A through "
            f"{source.source_resistance_ohm.value:.6g} ohm; check the unit of the current"
        )


def _check_holes(time_s: Floats, interval_s: float, half_s: float) -> None:
    steps = np.diff(time_s)
    widest = int(np.argmax(steps))
    if steps[widest] > max(_HOLE * half_s, 4 * interval_s):
        raise RecordError(
            f"no samples between {time_s[widest]:.6g} and {time_s[widest + 1]:.6g} s, more than "
            "half of a half-cycle; record again"
        )


def _resolution(current: Floats) -> float:
    """The step of the converter: the largest of which all values are multiples."""
    if float((current[1:] == current[:-1]).mean()) < _STEPPED:
        return 0.0
    levels = np.unique(np.abs(current))
    step, rounding = float(levels[-1]), _ROUNDING * float(levels[-1])
    if len(levels) > _MANY:
        gaps = np.diff(levels)
        return float(gaps.min(initial=step, where=gaps > rounding))
    for level in levels.tolist():
        while level > rounding:
            step, level = level, step % level
            level = 0.0 if step - level <= rounding else level
    return step


def _repeated(samples: Samples) -> Booleans:
    """Samples that repeat the one before to the last digit, more than resolution explains."""
    current = samples.current
    same = np.concatenate(([False], current[1:] == current[:-1]))
    same &= (current < current.max()) & (current > current.min())  # there it may be the range
    if samples.resolution or not same.any():
        same[:] = False
        return same
    by_chance = int((current[2:] == current[:-2]).sum())
    if int(same.sum()) <= by_chance + 4 * by_chance**0.5:
        same[:] = False
    return same
