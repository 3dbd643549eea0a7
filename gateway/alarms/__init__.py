"""The life cycle of alarms after ISA-18.2 / IEC 62682, and nothing else.

Pure: conditions go in, states and transitions come out. Refuses to clear anything because it is
not known, and to know anything of rotors.
"""
