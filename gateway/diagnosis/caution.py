"""The one caution that stands beside everything a person may act on. Says it, and nothing else."""

from typing import Final

CAUTION: Final = (
    "Caution: rotor circuits are hazardous. The gateway informs; it trips nothing and replaces no "
    "protection. Plant procedures, local codes and licensed engineers decide."
)
