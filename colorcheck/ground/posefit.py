"""Homography and radial distortion from places, or from offsets across edges: robust Gauss–Newton."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from .geometry import mm_to_px
from .records import Floats, Pose
from .robust import tukey_weights


def fit_pose(
    pose: Pose,
    mm: Floats,
    px: Floats,
    normal: Floats,
    size_mm: tuple[float, float],
    *,
    bend: bool,
    weight: Floats | None = None,
    slack: Floats | None = None,
    hold: Floats | None = None,
    taken: Floats | None = None,
    least_sigma: float = 0.01,
    stiffness: tuple[float, float] = (1e-4, 4e-3),
    rounds: int = 12,
) -> Pose:
    """Fit homography and radial distortion by Gauss–Newton with robust weights.

    Parameters
    ----------
    pose : Pose
        Where to start.
    mm : (n, 2)
        Places on the piece.
    px : (n, 2)
        Where they were seen in the photo.
    normal : (n, 2)
        Direction on the piece in which the observation counts; (0, 0) where both do.
    size_mm : (w, h)
        Of the piece; scales the unknowns.
    bend : bool
        Fit the distortion too.
    weight : (n,), optional
        Inverse variances of the observations, relative.
    slack : (n, k), optional
        Further unknowns that add to the offset along the normal, in mm per unit; fitted along and dropped.
    hold : (k,), optional
        Inverse variances with which the further unknowns are held at nothing, on the scale of ``weight``.
    taken : (k,), optional
        What the further unknowns are likely to be, to start from.
    least_sigma : float
        Smallest spread believed, in mm, of an observation of middling weight: larger ones keep more outliers.
    stiffness : (float, float)
        Resistance of the two distortion terms, mm² per unit² and observation.
    rounds : int
        At most so many steps.

    Returns
    -------
    Pose
    """
    both = np.asarray(~normal.any(axis=1))
    pts = np.concatenate([mm, mm[both]])
    obs = np.concatenate([px, px[both]])
    nrm = np.concatenate([np.where(both[:, None], [1.0, 0.0], normal), np.tile([0.0, 1.0], (int(both.sum()), 1))])
    root, unit = np.ones(len(pts)), 1.0
    if weight is not None:
        root = np.sqrt(np.concatenate([weight, weight[both]]))
        unit = max(float(np.sqrt(np.mean(root**2))), 1e-12)
        root = root / unit
    extra = np.zeros((len(pts), 0))
    held = np.zeros(0)
    if slack is not None:
        extra = np.concatenate([slack, slack[both]]) * root[:, None]
        held = np.zeros(extra.shape[1]) if hold is None else hold / unit**2
    taken = np.zeros(extra.shape[1]) if taken is None else taken
    scale = np.array([1.0 / size_mm[0], 1.0 / size_mm[1]])
    to_unit = np.diag([size_mm[0], size_mm[1], 1.0])
    best = pose
    for _ in range(rounds):
        h = best.homography @ to_unit
        h = h / h[2, 2]
        base = np.concatenate([h.ravel()[:8], best.k])

        def build(p: Floats, like: Pose = best) -> Pose:
            hh = np.append(p[:8], 1.0).reshape(3, 3) @ np.diag([*scale, 1.0])
            return replace(like, homography=hh, k=(float(p[8]), float(p[9])))

        # residual along the normal, in mm: through the inverse of the local Jacobian
        e = 0.25
        jx = (mm_to_px(best, pts + [e, 0]) - mm_to_px(best, pts - [e, 0])) / (2 * e)
        jy = (mm_to_px(best, pts + [0, e]) - mm_to_px(best, pts - [0, e])) / (2 * e)
        det = jx[:, 0] * jy[:, 1] - jx[:, 1] * jy[:, 0]
        back = np.stack([jy[:, 1], -jy[:, 0], -jx[:, 1], jx[:, 0]], axis=1).reshape(-1, 2, 2) / det[:, None, None]
        row = np.einsum("ni,nij->nj", nrm, back)

        def residual(p: Floats, row: Floats = row, build: Any = build) -> Floats:
            return np.asarray(root * np.einsum("nj,nj->n", row, mm_to_px(build(p), pts) - obs))

        free = list(range(8)) + ([8, 9] if bend else [])
        bare = residual(base)
        r = bare + extra @ taken
        jac = np.empty((len(r), len(free)))
        for c, f in enumerate(free):
            d = base.copy()
            step = 1e-4 * max(abs(base[f]), 1e-2)
            d[f] += step
            jac[:, c] = (residual(d) - bare) / step
        sigma = max(1.4826 * float(np.median(np.abs(r))), least_sigma)
        w = tukey_weights(r, sigma * 1.5)
        jac = np.hstack([jac, extra])
        prior = np.zeros(jac.shape[1])
        if bend:
            # lenses of phones bend a few per cent; hold k2 near nothing unless the edges insist
            prior[8:10] = [stiffness[0] * len(r), stiffness[1] * len(r)]
        prior[len(free) :] = held
        norm = np.linalg.norm(jac * np.sqrt(w)[:, None], axis=0) + 1e-12
        jn = jac / norm
        a = jn.T @ (jn * w[:, None]) + np.diag(prior / norm**2 + 1e-12)
        now = np.concatenate([base[free], taken])
        b = -(jn.T @ (w * r)) - (prior * now) / norm
        delta = np.linalg.solve(a, b) / norm
        p = base.copy()
        p[free] += delta[: len(free)]
        taken = taken + delta[len(free) :]
        best = build(p)
        if float(np.abs(jac @ delta).max()) < 1e-4:
            break
    return best
