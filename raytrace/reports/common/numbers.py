"""Figures and their standard errors as people read them."""

from __future__ import annotations

import math
from datetime import datetime

from raytrace.reports.common.units import MINUS, clock_words

__all__ = [
    "clock",
    "decimals_of",
    "in_watts",
    "least_shown",
    "percent",
    "plain",
    "plus_minus",
    "size_of",
    "spaced",
]

NOTHING = 1e-9  # in any unit shown, less than this is rounding noise of sums
FEW_WATTS = 0.01  # below that nobody cares for a facet's watts [W]
DIGITS = 6  # of a value, at most: the model behind it is not better than that


def plain(value: float, digits: int = 4) -> str:
    """Value to so many significant digits, without an exponent where that reads well.

    Parameters
    ----------
    value : float
    digits : int

    Returns
    -------
    str
        A dash where there is none.

    Examples
    --------
    >>> plain(1234.56), plain(0.00123456), plain(float("nan"))
    ('1235', '0.001235', '–')
    """
    if not math.isfinite(value):
        return "–"
    if abs(value) < NOTHING:
        return "0"
    decimals = digits - 1 - _exponent(value)
    if decimals > 8 or decimals < -8:
        return f"{value:.{digits - 1}e}"
    return f"{_round(value, decimals):.{max(decimals, 0)}f}"


def plus_minus(
    value: float, se: float, digits: int = DIGITS, decimals: int | None = None
) -> tuple[str, str]:
    """Value and standard error, both to the decimals that the error's two digits reach.

    Parameters
    ----------
    value, se : float
        In the unit to be shown.
    digits : int
        Of the value, at most; an error that the last of them doesn't feel is shown as smaller.
    decimals : int, optional
        At most, so that a narrow column holds them.

    Returns
    -------
    value, se : str

    Examples
    --------
    >>> plus_minus(234.2983, 0.0523)
    ('234.298', '0.052')
    >>> plus_minus(45678.0, 1234.0)
    ('45700', '1200')
    >>> plus_minus(0.0, 0.0), plus_minus(12.5, float("nan"))
    (('0', '0'), ('12.50', '–'))
    >>> plus_minus(234.298312, 0.0000052)
    ('234.298', '<0.001')
    >>> plus_minus(234.298312, 0.0523, digits=5, decimals=1)
    ('234.3', '<0.1')
    """
    if not math.isfinite(value):
        return "–", "–"
    if not math.isfinite(se):
        return plain(value), "–"
    if abs(value) < NOTHING and se < NOTHING:
        return "0", "0"
    if se == 0.0:
        most = digits - 1 - _exponent(value)
        most = most if decimals is None else min(most, decimals)
        return f"{_round(value, most):.{max(most, 0)}f}", "0"
    wanted = 1 - _exponent(float(f"{se:.1e}"))
    most = 12
    if abs(value) > se:
        most = min(most, digits - 1 - _exponent(value))
    if decimals is not None:
        most = min(most, decimals)
    places = min(wanted, most)
    shown = f"{_round(value, places):.{max(places, 0)}f}"
    if wanted > most and se < 10.0**-most:
        return shown, f"<{10.0**-most:.{max(most, 0)}f}"
    return shown, f"{_round(se, places):.{max(places, 0)}f}"


def decimals_of(whole: float, digits: int) -> int:
    """Decimals of the parts of a whole that is shown with so many digits.

    Parameters
    ----------
    whole : float
    digits : int

    Returns
    -------
    int

    Examples
    --------
    >>> decimals_of(450.3, 4), decimals_of(5319.0, 4), decimals_of(0.0, 4)
    (1, 0, 0)
    """
    return max(digits - 1 - math.floor(math.log10(whole)), 0) if whole > 0.0 else 0


def least_shown(value: float, decimals: int) -> str:
    """Value to so many decimals; what they don't reach, but isn't nothing, as less than the least.

    Parameters
    ----------
    value : float
    decimals : int

    Returns
    -------
    str

    Examples
    --------
    >>> least_shown(12.34, 1), least_shown(0.02, 1), least_shown(0.0, 1)
    ('12.3', '<0.1', '0')
    """
    if abs(value) < NOTHING:
        return "0"
    least = 10.0**-decimals
    return f"<{least:.{decimals}f}" if 0.0 < value < least else f"{value:.{decimals}f}"


def percent(share: float) -> str:
    """Share as a percentage with one decimal, more for small ones.

    Parameters
    ----------
    share : float
        [1]

    Returns
    -------
    str

    Examples
    --------
    >>> percent(0.4681), percent(0.00012), percent(0.0)
    ('46.8 %', '0.012 %', '0 %')
    """
    if not math.isfinite(share):
        return "–"
    value = 100.0 * share
    if value == 0.0:
        return "0 %"
    if abs(value) >= 0.95:
        return f"{value:.1f} %"
    return f"{plain(value, 2)} %" if abs(value) >= 1e-4 else "<0.0001 %"


def in_watts(value: float, sd: float = 0.0) -> str:
    """Watts to the digits that a workshop needs, with their standard deviation if they have one.

    Parameters
    ----------
    value, sd : float
        [W]

    Returns
    -------
    str

    Examples
    --------
    >>> in_watts(387.4), in_watts(12.34), in_watts(0.0123)
    ('387 W', '12 W', '0.012 W')
    >>> in_watts(-5.678, 0.23), in_watts(0.001, 0.002)
    ('−5.7 ± 0.2 W', 'less than 0.01 W')
    """
    if sd <= 0.0:
        return f"{plain(value, 3 if abs(value) >= 100.0 else 2)} W"
    if abs(value) < FEW_WATTS and sd < FEW_WATTS:
        return f"less than {FEW_WATTS:g} W"
    decimals = max(0, -_exponent(sd))
    return f"{value:.{decimals}f} ± {sd:.{decimals}f} W".replace("-", MINUS)


def spaced(count: int) -> str:
    """Whole number with thin gaps between thousands.

    Parameters
    ----------
    count : int

    Returns
    -------
    str

    Examples
    --------
    >>> spaced(1769472).replace("\N{NARROW NO-BREAK SPACE}", " ")
    '1 769 472'
    """
    return f"{count:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def clock(time: datetime) -> str:
    """Time by the site's clock, with the clock's offset: zones' short names repeat and vary.

    Parameters
    ----------
    time : datetime
        With a time zone.

    Returns
    -------
    str

    Examples
    --------
    >>> clock(datetime.fromisoformat("2026-06-21T10:11:52-05:00"))
    '2026-06-21 10:11 UTC-05:00'
    """
    offset = f"{time:%z}"
    at = clock_words(time.hour, time.minute, pad=True)
    return f"{time:%Y-%m-%d} {at} UTC{offset[:3]}:{offset[3:5]}"


def size_of(n_bytes: int) -> str:
    """Size of a file.

    Parameters
    ----------
    n_bytes : int
        [bytes]

    Returns
    -------
    str

    Examples
    --------
    >>> size_of(321588), size_of(2_500_000)
    ('322 kB', '2.5 MB')
    """
    return f"{n_bytes / 1e6:.1f} MB" if n_bytes >= 1e6 else f"{max(n_bytes / 1e3, 1):.0f} kB"


def _exponent(value: float) -> int:
    return math.floor(math.log10(abs(value)))


def _round(value: float, decimals: int) -> float:
    return round(value, decimals) + 0.0  # + 0.0: no "-0"
