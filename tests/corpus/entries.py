"""The words of scenarios that the corpus is written in: what happens to a machine, and when."""

import random

_LOOP = {"U1": "u1-resistance-loop", "U3": "u3-resistance-loop", "U2": "u2-light-loop"}
_CONTACT = {"U1": "u1-alarm-contact", "U2": "u2-dark-contact", "U3": "u3-alarm-contact"}
_MONITOR = {"U1": "u1-monitor", "U2": "u2-monitor", "U3": "u3-monitor"}
LOOP_TAGS = {"U1": "U1.RESISTANCE_LOOP", "U2": "U2.LIGHT_LOOP", "U3": "U3.RESISTANCE_LOOP"}
CONTACT_TAGS = {"U1": "U1.ALARM_CONTACT", "U2": "U2.DARK_CONTACT", "U3": "U3.ALARM_CONTACT"}


def of_machine(machine: str, **settings: str) -> str:
    inside = ", ".join(f"{key}: {value}" for key, value in settings.items())
    return f"machine: {machine}, {inside}"


def fault_in(machine: str, place: float, resistance: str) -> str:
    return of_machine(machine, fault=f"{{location: {place:.3f}, resistance: {resistance}}}")


def at_time(second: float, entry: str) -> str:
    return f"at: {second:.1f} s, {entry}"


def log_uniform(draw: random.Random, low: float, high: float) -> float:
    return float(low * (high / low) ** draw.random())


# What the DC injection of U2 is made of: it puts the light out above a current.
_U2_SOURCE_V, _U2_FIELD_V, _U2_SERIES_OHM, _U2_PICKUP_A = 24.0, 250.0, 12e3, 1e-3


def seen_by_u2(draw: random.Random) -> tuple[float, float]:
    """Place and resistance of a fault that draws more than the pick-up current, with a margin."""
    place = draw.random()
    most_ohm = (_U2_SOURCE_V + place * _U2_FIELD_V) / (1.15 * _U2_PICKUP_A) - _U2_SERIES_OHM
    return place, log_uniform(draw, 100.0, max(most_ohm, 200.0))


def device_is(machine: str, state: str) -> str:
    return f"device: {_MONITOR[machine]}, state: {state}"


def loop_is(machine: str, **settings: str) -> str:
    return f"loop: {_LOOP[machine]}, " + ", ".join(f"{k}: {v}" for k, v in settings.items())


def contact_is(machine: str, state: str) -> str:
    return f"contact: {_CONTACT[machine]}, state: {state}"
