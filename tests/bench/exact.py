"""Shares and rates with their exact intervals of 95 %.

Shares: C. J. Clopper and E. S. Pearson, Biometrika 26(4), 404-413, 1934. Rates: F. Garwood,
Biometrika 28(3/4), 437-442, 1936. Both as quoted in every handbook; from memory.
"""

from __future__ import annotations

from scipy import stats


def share_text(part: float, whole: float) -> str:
    """Return a share of cases with its interval.

    >>> share_text(95, 100)
    '95.0% (95 of 100; 88.7% to 98.4%)'
    """
    if whole == 0:
        return "none of none"
    low = stats.beta.ppf(0.025, part, whole - part + 1) if part else 0.0
    high = stats.beta.ppf(0.975, part + 1, whole - part) if part < whole else 1.0
    return f"{part / whole:.1%} ({part:.0f} of {whole:.0f}; {low:.1%} to {high:.1%})"


def rate_text(count: float, hours: float) -> str:
    """Return events an hour with their interval.

    >>> rate_text(0, 3)
    '0.00 (0 in 3.00 h; 0.00 to 1.23)'
    """
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    high = stats.chi2.ppf(0.975, 2 * count + 2) / 2
    rate = f"{count / hours:.2f} ({count:.0f} in {hours:.2f} h;"
    return f"{rate} {low / hours:.2f} to {high / hours:.2f})"
