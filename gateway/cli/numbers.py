"""Numbers for people, as every command prints them; they are written in `gateway.report`."""

from gateway.report.numbers import with_uncertainty

__all__ = ["with_uncertainty"]
