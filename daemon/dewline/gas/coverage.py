"""How far to both sides an interval must reach, after the GUM (JCGM 100) and its Supplement 1."""

from __future__ import annotations

import math
from typing import Final

from dewline.gas.constants import not_negative

COVERAGE: Final = math.erf(math.sqrt(2))  # what k = 2 covers of a normal distribution, 95.45 %


def half_width(normal_standard: float, rectangular_half: float = 0.0) -> float:
    """Half-width that covers 95.45 % of a normal plus a rectangular error, same unit.

    k = 2 of the combined standard uncertainty where the normal part rules, down
    to k = 1.65 where the rectangular one does: 2 would then claim more than
    there is. Solved to 1e-9 of itself from the exact convolution.
    """
    sigma = not_negative("standard uncertainty", normal_standard, "")
    half = not_negative("rectangular half-width", rectangular_half, "")
    if half <= 1e-6 * sigma:
        return 2 * sigma
    if sigma <= 1e-6 * half:
        return COVERAGE * half
    low, high = 0.0, 2 * math.hypot(sigma, half)
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        if _below(middle, sigma, half) < (1 + COVERAGE) / 2:
            low = middle
        else:
            high = middle
    return high


def _below(limit: float, sigma: float, half: float) -> float:
    """Probability that the sum of both errors lies below ``limit``."""
    upper, lower = (limit + half) / sigma, (limit - half) / sigma
    return sigma / (2 * half) * (_area(upper) - _area(lower))


def _area(x: float) -> float:
    """Integral of the standard normal distribution function up to x."""
    return x * 0.5 * math.erfc(-x / math.sqrt(2)) + math.exp(-x * x / 2) / math.sqrt(2 * math.pi)
