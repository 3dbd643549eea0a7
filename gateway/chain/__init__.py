"""One machine's pure step: `step` is the way from raw registers to a Frame, `state` its memory.

No I/O, no clock, no randomness.
"""

from gateway.chain.step import Chain

__all__ = ["Chain"]
