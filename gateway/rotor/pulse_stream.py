"""The pulse estimator for samples that keep coming, one by one or in blocks of registers.

After each of them an answer can be had, from everything of the last `window_s` seconds. The first
one comes soon after the first reversal: the size of the transient is known beforehand, so that the
circuit needs not settle; the answer sharpens with every sample.
"""

from array import array
from collections.abc import Sequence

import numpy as np

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_estimator import estimate
from gateway.rotor.pulse_injection import Source
from gateway.rotor.pulse_reading import TooShortError
from gateway.rotor.pulse_record import PulseEstimate, PulseRecord

Block = float | Sequence[float]


class PulseStream:
    """Samples of the last `window_s` seconds of a pulse current, and what they tell.

    Where time steps back, what came before is dropped. `period_s` is that of the source, with a
    positive half beginning at time 0; None if the source's own voltage comes with the samples.
    `field_voltage_v` holds all the time; None if it comes with the samples, its scale with the
    relative standard uncertainty `field_scale_u`, or is not known. What comes with the first
    samples must come with all.
    """

    def __init__(
        self,
        source: Source,
        window_s: float,
        period_s: float | None = None,
        field_voltage_v: Measured | None = None,
        field_scale_u: float = 0.0,
    ) -> None:
        if not window_s > 0:
            raise ValueError(f"a window of {window_s} s holds nothing; give seconds above 0")
        self._source = source
        self._window_s = window_s
        self._period_s = period_s
        self._held_v = field_voltage_v
        self._field_scale_u = field_scale_u
        self._time_s, self._current_a = array("d"), array("d")
        self._field_v, self._pulse_v = array("d"), array("d")

    def add(
        self,
        time_s: Block,
        current_a: Block,
        field_voltage_v: Block | None = None,
        pulse_v: Block | None = None,
    ) -> None:
        """One sample, or a block of as many times as currents; what is older than the window goes.

        Raises ValueError if the columns of a block differ in length, or from what came before.
        """
        columns = (self._time_s, self._current_a, self._field_v, self._pulse_v)
        news = [array("d", _block(of)) for of in (time_s, current_a, field_voltage_v, pulse_v)]
        if news[0] and self._time_s and news[0][0] < self._time_s[-1]:
            for column in columns:
                del column[:]
        before, after = len(self._time_s), len(self._time_s) + len(news[0])
        lengths = [len(column) + len(new) for column, new in zip(columns, news, strict=True)]
        if lengths[1] != after or any(n not in (0, after) for n in lengths[2:]):
            raise ValueError("each sample needs a time and a current, and the same as those before")
        if before == after:
            return
        for column, new in zip(columns, news, strict=True):
            column.extend(new)
        oldest_s = self._time_s[-1] - self._window_s
        gone = 0
        while self._time_s[gone] < oldest_s:
            gone += 1
        for column in columns:
            del column[:gone]

    def estimate(self) -> PulseEstimate | None:
        """What the samples tell by now; None until some have come after a first reversal.

        Raises RecordError where they are none of a pulse circuit.
        """
        try:
            return estimate(
                PulseRecord(
                    np.array(self._time_s),
                    np.array(self._current_a),
                    self._period_s,
                    np.array(self._field_v) if self._field_v else self._held_v,
                    np.array(self._pulse_v) if self._pulse_v else None,
                    self._field_scale_u,
                ),
                self._source,
            )
        except TooShortError:
            return None


def _block(of: Block | None) -> Sequence[float]:
    if of is None:
        return ()
    return of if isinstance(of, Sequence | np.ndarray) else (float(of),)
