"""The physics of field earth-fault measurement: functions of numbers, units in their names.

Pure. `estimate` is the door: Samples in, Samples out; nothing behind it knows of tags. Refuses
loops and alarms.
"""
