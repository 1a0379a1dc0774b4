"""Spots that are only a colour that the expectation gets wrong.

Missing dye fades out across the artwork's edges; a colour that is printed otherwise than expected ends
where the colour ends. In pictures of large plain fields, each with a colour of its own, the second
looks like the first until the spot is asked to show inside the fields as well.
"""

from __future__ import annotations

import numpy as np

from ..ground.grid import Array
from ..ground.records import Finding, Kind
from .lack import LackMap

_SPOTS = (Kind.PALE, Kind.DARK, Kind.PINHOLE, Kind.SHINING, Kind.SPECK)  # where they come from a search for missing dye
_LEAST_MM = 4.0
_OWN = 0.4  # of its height a spot must show inside fields of one colour; true ones show 0.6 or more, errors 0.3 or less
_AT_OUTLINE = 0.15  # of its diameter the middle of a spot must lie inside
_FREE = 0.3  # how far a colour may err, share of its dye
_TILT = 0.02


def without_colour_errors(found: list[Finding], m: LackMap) -> list[Finding]:
    """Drop soft spots that vanish when every colour round them may err freely.

    Half a spot at the outline is left alone: beside it there is nothing to see it against. A speck whose colours
    occur nowhere else, such as the middle of a clock face, cannot be told from a colour that is printed otherwise.
    """

    def only_colour(f: Finding) -> bool:
        return _nowhere_else(f, m) if f.diameter_mm < _LEAST_MM else _share_left(f, m) < _OWN

    return [f for f in found if f.kind not in _SPOTS or "lack" not in f.detail or not only_colour(f)]


def _nowhere_else(f: Finding, m: LackMap) -> bool:
    """Whether no colour under a speck occurs anywhere else on the piece."""
    away = np.hypot(m.x - f.x_mm, m.y - f.y_mm)
    here = np.isfinite(m.q) & (away < max(0.5 * f.diameter_mm, 0.75 * m.step))
    elsewhere = np.isfinite(m.q) & (away > 1.5 * f.diameter_mm + m.step)
    return bool(here.any() and not np.isin(m.group[here], m.group[elsewhere]).any())


def _share_left(f: Finding, m: LackMap) -> float:
    """Share of a spot's height that is left with a level, a tilt and every colour's own error free.

    NaN where nothing can be said.
    """
    away = np.hypot(m.x - f.x_mm, m.y - f.y_mm)
    use = np.isfinite(m.q) & (away < max(1.5 * f.diameter_mm, 14.0))
    inwards = float(m.reach.ravel()[away.argmin()])
    if use.sum() < 10 or f.diameter_mm < _LEAST_MM or inwards < _AT_OUTLINE * f.diameter_mm:
        return float("nan")
    bell = np.exp(-np.log(2) * (2 * away[use] / f.diameter_mm) ** 2)
    gx, gy = (m.x[use] - f.x_mm) / f.diameter_mm, (m.y[use] - f.y_mm) / f.diameter_mm
    a = np.column_stack([bell, np.ones(len(bell)), gx, gy])
    q = m.q[use].astype(float)
    w = 1 / m.var[use].astype(float)
    w = np.minimum(w, 4 * np.median(w))
    _, group = np.unique(m.group[use], return_inverse=True)
    # every colour's own error is a column that meets no other: taken out one by one
    own = np.bincount(group, w) + 1 / _FREE**2
    shared: Array = np.stack([np.bincount(group, w * c) for c in a.T], axis=1)
    normal = a.T @ (a * w[:, None]) - shared.T @ (shared / own[:, None])
    right = a.T @ (w * q) - shared.T @ (np.bincount(group, w * q) / own)
    normal += np.diag([1e-9 * w.sum(), 1e-2, _TILT**-2, _TILT**-2])
    return float(np.linalg.solve(normal, right)[0]) / float(f.detail["lack"])
