"""A number for people: as many digits as its uncertainty lets it have."""

import math
from typing import Final

# Between these the decimal places can be counted; outside no quantity of ours has a meaning.
_LEAST: Final = 1e-9
_MOST: Final = 1e12


def with_uncertainty(value: float, uncertainty: float | None) -> str:
    """The value and after a ± its uncertainty, of two digits, both to the same decimal place.

    Source: JCGM 100:2008 (GUM), 7.2.6. Six significant digits where the uncertainty is not known.
    """
    if not uncertainty or not _LEAST < uncertainty < _MOST or not math.isfinite(value):
        return f"{value:.6g}"
    rounded = float(f"{uncertainty:.1e}")
    places = 1 - math.floor(math.log10(rounded))
    digits = max(places, 0)
    return f"{round(value, places):.{digits}f} ± {round(rounded, places):.{digits}f}"
