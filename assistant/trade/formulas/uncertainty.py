"""What the meter leaves uncertain, and how that adds up."""

import math
from collections.abc import Iterable
from decimal import Decimal

from assistant.trade.formulas.demand import demand
from assistant.trade.units import round_significant

COVERAGE_FACTOR = 2
"""k of an expanded uncertainty U = k u, about 95 % (from memory, verify: JCGM 100, 6.3)."""

_SQRT_3 = Decimal(3).sqrt()


def meter_half_width(reading: Decimal, percent: Decimal, counts: Decimal, resolution: Decimal) -> Decimal:
    """F14: the most that a meter may be off by, ``percent / 100 x |reading| + counts x resolution``.

    Args:
        reading: in its unit.
        percent: the meter sheet's percent.
        counts: the meter sheet's counts (digits, "+3").
        resolution: the last digit's worth on the range in use, in the reading's unit.

    Returns:
        The half width, in the reading's unit, exact.
    """
    demand(percent >= 0 and counts >= 0, "A meter's percent and counts cannot be below zero.")
    demand(resolution > 0, "A meter's resolution must be above zero.")
    return percent / 100 * abs(reading) + counts * resolution


def meter_uncertainty(reading: Decimal, percent: Decimal, counts: Decimal, resolution: Decimal) -> Decimal:
    """F14: expanded uncertainty (k = 2) of a reading, in its unit: ``2 a / sqrt(3)``, a the half width.

    The meter's error is taken as equally likely anywhere within +/- a. What the meter does to the circuit,
    its leads, and its drift since calibration are not in it.

    Source: from memory, verify (rectangular distribution: JCGM 100, 4.3.7); the half width as in
    `meter_half_width`, whose arguments and errors these are.
    """
    return expanded_from_half_width(meter_half_width(reading, percent, counts, resolution))


def expanded_from_half_width(half_width: Decimal) -> Decimal:
    """Expanded uncertainty (k = 2) of a value known to lie within +/- half_width: ``2 half_width / sqrt(3)``.

    Source: from memory, verify (rectangular distribution: JCGM 100, 4.3.7).
    """
    demand(half_width >= 0, "A half width cannot be below zero.")
    return round_significant(COVERAGE_FACTOR * half_width / _SQRT_3)


def combine_uncertainties(contributions: Iterable[tuple[Decimal, Decimal]]) -> Decimal:
    """F15: expanded uncertainty of a result from those of its uncorrelated inputs.

    ``sqrt(sum((sensitivity x U) ** 2))``, every U with one coverage factor. A sensitivity is the result's
    change per unit of that input. For products and quotients give relative uncertainties with sensitivity 1.

    Source: from memory, verify (law of propagation: JCGM 100, 5.1.2).

    Args:
        contributions: pairs (sensitivity, U of that input).
    """
    total = Decimal(0)
    for sensitivity, expanded in contributions:
        demand(expanded >= 0, "An uncertainty cannot be below zero.")
        total += (sensitivity * expanded) ** 2
    return round_significant(total.sqrt())


def probability_of_conformity(value: Decimal, limit: Decimal, expanded_uncertainty: Decimal, upper: bool) -> Decimal:
    """F16: how likely the true value is on the good side of a limit, 0 to 1, for a normal distribution.

    ``Phi((limit - value) / u)`` for an upper limit, mirrored for a lower one, with ``u = U / 2``. Rounded to two
    decimals: the distribution is an assumption. With U of 0 it is 1 or 0.

    Source: from memory, verify (JCGM 106:2012).
    """
    demand(expanded_uncertainty >= 0, "An uncertainty cannot be below zero.")
    margin = limit - value if upper else value - limit
    if expanded_uncertainty == 0:
        return Decimal(int(margin >= 0))
    sigmas = float(margin * COVERAGE_FACTOR / expanded_uncertainty)
    return Decimal(f"{0.5 * (1 + math.erf(sigmas / math.sqrt(2))):.2f}")
