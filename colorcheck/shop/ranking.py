"""Differences that count, ties and ranks.

A difference counts only when it exceeds k times its own standard uncertainty: k = 2 for two substrates, and for more
the factor that keeps *all* pairs together to one false alarm in twenty (Tukey's studentised range). What does not
count is a tie. A substrate's rank is one more than the number of those surely better, so ranks are shared, and
readings of one and the same substrate share the first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..colour.lightshare import LightShare
from ..colour.substrate import Quantity, Substrate
from .piececost import Cost

K = 2.0  # at the least
_SIGNIFICANCE = 0.05  # of all pairs together


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """One line of a ranking; ``rank`` 0 where nothing was measured, ``tied`` names it cannot be told from."""

    rank: int
    name: str
    quantity: Quantity
    tied: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """Substrates for one purpose, best first; ``k`` is how many standard uncertainties make a difference."""

    purpose: str
    measure: str
    less_is_better: bool
    k: float
    places: tuple[Place, ...]


def same_camera(a: Substrate, b: Substrate) -> bool:
    """Whether the camera's own errors are shared: one and the same camera, taught alike. Unnamed ones count as one."""
    return a.trust == b.trust and a.devices == b.devices


def difference_u(a: Quantity, b: Quantity, *, same_camera: bool, model_u: float = 0.0) -> float:
    """Give the standard uncertainty of the difference of two quantities.

    With the same camera its errors cancel as far as both are moved alike by every drawn camera; with two cameras
    they add.
    """
    if not same_camera:
        shared = math.hypot(a.u_system, b.u_system)
    elif a.shifts is not None and b.shifts is not None:
        shared = float(np.std(a.shifts - b.shifts))
    else:
        shared = abs(a.u_system - b.u_system)
    return float(math.sqrt(a.u_random**2 + b.u_random**2 + shared**2 + model_u**2))


def coverage_factor(count: int) -> float:
    """How many standard uncertainties of a difference make it real among ``count`` compared with one another.

    Returns
    -------
    float
        2 for two; more for more, so that one in twenty comparisons *as a whole* is wrong at the most: the
        5 % point of Tukey's studentised range with known variance, over √2 (J. W. Tukey, "The problem of multiple
        comparisons", 1953; the range's distribution after H. L. Harter, Ann. Math. Statist. 31, 1960).
    """
    if count <= 2:
        return K
    z = np.linspace(-8.0, 8.0, 801)
    density = np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    below = np.array([0.5 * math.erfc(-v / math.sqrt(2)) for v in z])
    low, high = 2.0, 12.0
    for _ in range(40):
        q = (low + high) / 2
        lower = np.array([0.5 * math.erfc(-(v - q) / math.sqrt(2)) for v in z])
        inside = count * float((density * (below - lower) ** (count - 1)).sum()) * (z[1] - z[0])
        low, high = (q, high) if inside < 1 - _SIGNIFICANCE else (low, q)
    return max(K, (low + high) / 2 / math.sqrt(2))


def rank(
    names: Sequence[str],
    values: Sequence[Quantity],
    doubt: Callable[[int, int], float],
    *,
    purpose: str,
    measure: str,
    less_is_better: bool = False,
) -> Ranking:
    """Rank by one quantity, ties shared.

    Parameters
    ----------
    names : sequence of str
    values : sequence of Quantity
        NaN where it was not measured: such come last, with rank 0.
    doubt : callable
        Standard uncertainty of the difference between two of them, by their places in ``names``.
    """
    sign = -1.0 if less_is_better else 1.0
    known = [n for n, q in enumerate(values) if math.isfinite(q.value)]
    k = coverage_factor(len(known))

    def better(a: int, b: int) -> bool:
        gap = sign * (values[a].value - values[b].value)
        return gap > k * doubt(a, b) and gap > 1e-9 * abs(values[a].value)

    places = []
    for n in known:
        others = [m for m in known if m != n]
        places.append(
            Place(
                rank=1 + sum(better(m, n) for m in others),
                name=names[n],
                quantity=values[n],
                tied=tuple(names[m] for m in others if not better(m, n) and not better(n, m)),
            )
        )
    places.sort(key=lambda p: (p.rank, -sign * p.quantity.value))
    order = {p.name: n for n, p in enumerate(places)}
    places = [replace(p, tied=tuple(sorted(p.tied, key=lambda t: order[t]))) for p in places]
    places += [Place(0, names[n], values[n], ()) for n in range(len(names)) if n not in known]
    return Ranking(purpose, measure, less_is_better, k, tuple(places))


def rankings(
    measured: Sequence[Substrate], costs: Mapping[str, Cost], lights: Mapping[str, LightShare]
) -> dict[str, Ranking]:
    """Every ranking that the numbers allow."""
    names = [s.name for s in measured]

    def seen(values: Sequence[Quantity], extra: Callable[[int, int], float]) -> Callable[[int, int], float]:
        return lambda a, b: difference_u(
            values[a], values[b], same_camera=same_camera(measured[a], measured[b]), model_u=extra(a, b)
        )

    def layout(a: int, b: int) -> float:
        one, two = measured[a], measured[b]
        return 0.0 if one.layouts == two.layouts else math.hypot(one.gamut_model_u, two.gamut_model_u)

    def plain(values: Sequence[Quantity]) -> Callable[[int, int], float]:
        return lambda a, b: math.hypot(values[a].u, values[b].u)

    volumes = [s.gamut_volume for s in measured]
    absolute = all(s.absolute for s in measured)
    blacks = [s.black_l_absolute if absolute else s.black_l for s in measured]
    out = {
        "photos": rank(names, volumes, seen(volumes, layout), purpose="photos", measure="gamut_volume"),
        "blacks": rank(
            names,
            blacks,
            seen(blacks, lambda *_: 0.0),
            purpose="blacks",
            measure="black_L_absolute" if absolute else "black_L",
            less_is_better=True,
        ),
    }
    nothing = Quantity(math.nan, math.nan)
    if lights:
        shares = [lights[n].share if n in lights else nothing for n in names]
        # both tone curves are those of one camera: what it does to the ratio is shared
        doubt = [replace(s, u_system=0.0) for s in shares]
        out["window"] = rank(names, shares, plain(doubt), purpose="window", measure="light_share")
    if costs:
        spent = [costs[n].per_good_piece if n in costs else nothing for n in names]
        out["cost"] = rank(
            names, spent, plain(spent), purpose="cost", measure="cost_per_good_piece", less_is_better=True
        )
    return out
