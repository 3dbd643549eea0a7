"""From Readings to Samples: registers, loops, scaling, filters, contacts, freshness.

Pure: no I/O, no clock, no randomness. Knows loops and nothing about rotors. Refuses to invent a
value: what cannot be measured gets a status.
"""
