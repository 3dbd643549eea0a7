"""Faulty rotors, their monitors, loops and wires, served as real Modbus devices.

The simulator is the plant that the gateway is tested against and demonstrated on. It imports
nothing of `gateway` and shares no formula with it: the rotor is solved as a network of small
resistors and capacitors, so that an agreement between the two proves something.

It refuses to be clever about failures: a defect shows exactly as a scenario states it, at the
scenario time it states, and the same seed gives the same numbers again.
"""
