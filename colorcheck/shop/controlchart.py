"""Control charts of single values: tell whether a process is steady or has moved.

Individuals and moving range chart with limits from the mean moving range (Shewhart; ISO 7870-2, from memory), and the
exponentially weighted moving average (EWMA): NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2.2 and
6.3.2.4; Montgomery, *Introduction to Statistical Quality Control*.

Limits that rest on few values are uncertain themselves: 20 to 25 values at three standard deviations alarm on half of
all steady presses within 100 pieces. So they are widened until a new value is beyond them about as seldom as with
known limits: Student's t and the uncertainty of the mean (prediction limits; Hillier, J. Qual. Technol. 1(1) 17–26,
1969; small samples in general: Quesenberry, J. Qual. Technol. 23(3) 213–224, 1991).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

Scale = Literal["linear", "log"]

D2 = 1.128  # mean range of two standard normal values, 2/√π, as the tables print it (Montgomery, appendix VI)
D4 = 3.267  # upper limit of a moving range, in mean ones, as the tables print it (from memory); the lower one is 0
WIDTH = 3.0  # limits of the individuals chart in standard deviations
EWMA_WEIGHT = 0.2  # λ and L of a chart with one false alarm in about 500 values: Lucas & Saccucci,
EWMA_WIDTH = 2.962  # Technometrics 32(1) 1–12 (1990); the pair is quoted from memory
MOVING_RANGE_DOF = 0.605  # degrees of freedom of σ from the mean moving range, for each range (Cryer & Ryan, J. Qual.
# Technol. 22(3) 187–192, 1990: efficiency 0.605 of the standard deviation; quoted from memory, checked by simulation)
_WIDEST = 20.0  # standard deviations; more says nothing
ENOUGH = 20  # values that limits should rest on (Montgomery: 20 to 25)
FEWEST = 5  # below this nothing is said
SMALLEST = 0.01  # what a logarithm takes for zero, in the unit of the measure


@dataclass(frozen=True, slots=True)
class Chart:
    """Limits and what lies beyond them; indices count the values given.

    Attributes
    ----------
    centre, lower, upper : float
        Centre line and limits of single values, in the unit of the values.
    sigma : float
        Standard deviation from the mean moving range; with ``scale='log'`` of the logarithm.
    ewma, ewma_lower, ewma_upper : tuple of float
        Smoothed values and their limits, one each.
    outside, drifting : tuple of int
        Single values beyond their limits; smoothed values beyond theirs.
    baseline : int
        How many values, from the first, the limits rest on.
    ranges : tuple of float
        From each value to the next, one fewer than values; with ``scale='log'`` as a factor, 1 for no change.
    range_centre, range_upper : float
        Their mean over the baseline and their upper limit; NaN where sigma was told.
    """

    scale: Scale
    centre: float
    sigma: float
    lower: float
    upper: float
    ewma: tuple[float, ...]
    ewma_lower: tuple[float, ...]
    ewma_upper: tuple[float, ...]
    outside: tuple[int, ...]
    drifting: tuple[int, ...]
    baseline: int
    ranges: tuple[float, ...]
    range_centre: float
    range_upper: float


def widened(width: float, baseline: int) -> float:
    """Limits in estimated standard deviations that a new value passes as seldom as ``width`` known ones.

    Parameters
    ----------
    width : float
        Distance from the mean in known standard deviations.
    baseline : int
        Values from which mean and mean moving range are estimated, 2 or more.
    """
    from scipy.special import ndtr, stdtrit

    dof = MOVING_RANGE_DOF * (baseline - 1)
    # the estimate is unbiased, Student's t wants the root mean square: c4 of the tables
    c4 = math.sqrt(2.0 / dof) * math.exp(math.lgamma((dof + 1.0) / 2.0) - math.lgamma(dof / 2.0))
    factor = float(stdtrit(dof, float(ndtr(width)))) * c4 * math.sqrt(1.0 + 1.0 / baseline)
    return min(factor, max(_WIDEST, width))


def individuals(
    values: Sequence[float],
    *,
    baseline: int | None = None,
    scale: Scale = "linear",
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
    centre: float | None = None,
    sigma: float | None = None,
    widen: bool = True,
) -> Chart:
    """Individuals chart and EWMA of values in the order of time.

    Parameters
    ----------
    values : sequence of float
        Single values, finite, oldest first.
    baseline : int, optional
        The limits rest on the first so many values; on all by default.
    scale : {'linear', 'log'}
        'log' for what cannot be negative and is skewed, such as a largest ΔE00: limits of the logarithms, turned back.
    weight, width : float
        λ and L of the EWMA.
    centre, sigma : float, optional
        Known values of the process, on its scale, instead of estimates.
    widen : bool
        Widen estimated limits for their own uncertainty, see above; False gives the limits of the textbooks.

    Raises
    ------
    ValueError
        Fewer than two values to estimate from, or a value that is not finite.
    """
    n = len(values)
    base = n if baseline is None else min(baseline, n)
    if not all(map(math.isfinite, values)):
        raise ValueError("a control chart needs finite values")
    if n == 0 or (sigma is None and base < 2):
        raise ValueError("a control chart needs at least two values")
    log = scale == "log"
    x = [math.log(max(v, SMALLEST)) for v in values] if log else [float(v) for v in values]
    if centre is None:
        centre = math.fsum(x[:base]) / base
    ranges = [abs(b - a) for a, b in pairwise(x)]
    usual = math.nan
    if sigma is None:
        usual = math.fsum(ranges[: base - 1]) / (base - 1)
        sigma = usual / D2
        single, width = (widened(WIDTH, base), widened(width, base)) if widen else (WIDTH, width)
    else:
        single = WIDTH
    slack = 1e-9 * max(1.0, abs(centre))  # equal values are not beyond their own limits
    low, high = centre - single * sigma, centre + single * sigma
    outside = tuple(i for i, v in enumerate(x) if not low - slack <= v <= high + slack)
    smooth, z = [], centre
    for v in x:
        z += weight * (v - z)
        smooth.append(z)
    widest = width * sigma * math.sqrt(weight / (2 - weight))
    halves: list[float] = []
    left = 1.0  # the limits widen over the first values, and then stay
    while len(halves) < n and left > 1e-16:
        left *= (1 - weight) ** 2
        halves.append(widest * math.sqrt(1 - left))
    rest = n - len(halves)
    drifting = [i for i, (s, h) in enumerate(zip(smooth, halves, strict=False)) if abs(s - centre) > h + slack]
    low_end, high_end = centre - widest - slack, centre + widest + slack
    drifting += [i for i in range(n - rest, n) if not low_end <= smooth[i] <= high_end]
    ends = [(centre - h, centre + h) for h in halves]
    end = (centre - widest, centre + widest)
    if log:
        smooth = [math.exp(v) for v in smooth]
        ends, end = [(math.exp(a), math.exp(b)) for a, b in ends], (math.exp(end[0]), math.exp(end[1]))
        centre, low, high = math.exp(centre), math.exp(low), math.exp(high)
        ranges = [math.exp(r) for r in ranges]
    most = D4 * usual
    if log:
        usual, most = math.exp(usual), math.exp(most)
    lows = (*(a for a, _ in ends), *(end[0],) * rest)
    highs = (*(b for _, b in ends), *(end[1],) * rest)
    beyond = outside, tuple(drifting)
    return Chart(scale, centre, sigma, low, high, tuple(smooth), lows, highs, *beyond, base, tuple(ranges), usual, most)
