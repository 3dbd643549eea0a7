"""The physics of field earth-fault measurement: functions of numbers, units in their names.

Pure. `estimate` is the door: Samples in, Samples out. Refuses tags, loops and alarms.
"""
