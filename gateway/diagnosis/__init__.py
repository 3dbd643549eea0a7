"""Compares: path against path, expected against seen, now against before.

Pure: what a step has seen goes in, health, evidence and trends come out. Refuses to raise alarms
and to claim probabilities.
"""
