"""The rotor gateway: reads rotor earth-fault monitors, hands the plant tags it can trust."""

__version__ = "0.1.0"
