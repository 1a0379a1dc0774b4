"""Colour error, split into what the press, the profile, the substrate and the measurement did."""

from __future__ import annotations

import numpy as np

from ..ground.cielab import (
    delta_ch,
    delta_e00,
    lab_to_xyz,
    linear_srgb_to_xyz,
    xyz_to_linear_srgb,
)
from ..ground.records import Accuracy, CellFlag, CellKind, Cells, Earlier, Floats, Lit, Mask, Target
from ..ground.relative import even_lab, relative_lab
from ..ground.response import Response, predict
from ..ground.transmitted import window_lin
from ..photo.cameradoubt import TONE_STD, camera_doubt
from .blame import without_camera
from .gamut import cube_nodes, srgb_lab

_SHARED_REST = 0.15  # share of the camera's error that two readings by one camera do not have in common
_FEW_INSIDE = 8  # cells
_LEAST_U = 0.1
_UNUSED = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE | CellFlag.UNEVEN)


def _reachable(aim: Floats, response: Response) -> Floats:
    """Nearest colour to every aim that the fitted response can make, (n, 3)."""
    grid = cube_nodes(11)
    labs = relative_lab(np.clip(predict(response, grid), -0.05, 1.2))
    d2 = ((aim[:, None, :] - labs[None, :, :]) ** 2).sum(axis=2)
    best = grid[d2.argmin(axis=1)].copy()

    def lab_of(d: Floats) -> Floats:
        return relative_lab(np.clip(predict(response, d), -0.05, 1.2))

    now = lab_of(best)
    for _ in range(8):
        jac = np.stack([(lab_of(np.clip(best + e, 0, 255)) - now) / 4.0 for e in 4.0 * np.eye(3)], axis=2)
        lhs = np.einsum("nki,nkj->nij", jac, jac) + 1e-4 * np.eye(3)
        step = np.linalg.solve(lhs, np.einsum("nki,nk->ni", jac, aim - now)[..., None])[..., 0]
        tried = np.clip(best + np.clip(step, -25, 25), 0, 255)
        lab = lab_of(tried)
        better = ((lab - aim) ** 2).sum(1) < ((now - aim) ** 2).sum(1)
        best[better], now[better] = tried[better], lab[better]
    # what comes within the response's own error counts as reached
    near = delta_e00(now, aim) < 1.0
    return np.where(near[:, None], aim, now)


def judge_accuracy(
    target: Target,
    cells: Cells,
    response: Response,
    uptake: Floats,
    *,
    against: Earlier | None = None,
    trust: str = "balanced",
    tone_std: float = TONE_STD,
    lit: Lit = "front",
) -> Accuracy:
    """Compare every cell with its aim and say where the error comes from.

    Parameters
    ----------
    uptake : (n,)
        Local dye uptake relative to the piece's typical one; divided out for ``even_lab``.
    against : Earlier, optional
        Another reading of the same target, taken as the aim instead; the camera's errors
        are then mostly common to both and only a rest of them stays in the uncertainty.
    trust : {'balanced', 'referenced'}
        Which doubt of the camera competes with the print for the deviations.
    tone_std : float
        Error of the exponent of its tone curve.
    lit : {'front', 'behind'}
        From behind, the aim of what was printed for the front is half its density.

    Returns
    -------
    Accuracy
        ``press`` = measured against evened, ``profile`` = evened against the reachable
        aim, ``limit`` = reachable aim against aim, ``measurement`` = stated uncertainty;
        all ΔE00, each the distance of two colours, never a difference of distances. Only
        aims that this coat can show count in the profile's figures: what becomes of the
        others is the mapping's choice. ``u_*`` is half of what a likely camera may
        have added to a figure.
    """
    black = target.kind == CellKind.BLACK
    usable = (cells.flags & _UNUSED) == 0
    y = linear_srgb_to_xyz(cells.rgb_rel)[:, 1]
    black_y = float(np.clip(np.median(y[black & usable]) if (black & usable).any() else 0.02, 0.0, 0.5))
    if against is None:
        device = target.device_rgb.astype(float)
        aim = srgb_lab(device, black_y) if lit == "front" else relative_lab(window_lin(device, black_y))
        reachable = _reachable(aim, response)
    else:
        aim = reachable = against.lab
        usable = usable & against.usable
    even = even_lab(cells.lab, np.where(target.kind == CellKind.WHITE, 1.0, uptake), rgb_rel=cells.rgb_rel)
    total, press = delta_e00(cells.lab, aim), delta_e00(cells.lab, even)
    profile, limit = delta_e00(even, reachable), delta_e00(reachable, aim)
    used = usable & (target.kind != CellKind.WHITE) & np.isfinite(total)
    # replicates and anchors count once each
    weight = np.zeros(len(total))
    _, group, count = np.unique(target.device_rgb, axis=0, return_inverse=True, return_counts=True)
    weight[used] = 1.0 / count[group.ravel()][used]
    if weight.sum() == 0:
        weight = np.ones(len(total))
        used = np.ones(len(total), dtype=bool)
    inside = used & (limit == 0)
    if inside.sum() < _FEW_INSIDE:
        inside = used
    grey = used & (np.ptp(target.device_rgb, axis=1) == 0)

    def figures(lab: Floats) -> Floats:
        """Mean and 95th percentile of what a profile could correct, tint and lightness of the greys."""
        off = delta_e00(lab[inside], reachable[inside])
        ranked = np.sort(off)
        tint = float(np.mean(delta_ch(lab[grey], reachable[grey]))) if grey.any() else 0.0
        tone = float(np.mean(lab[grey, 0] - reachable[grey, 0])) if grey.any() else 0.0
        at = min(int(0.95 * len(ranked)), len(ranked) - 1)
        return np.array([np.average(off, weights=weight[inside]), ranked[at], tint, tone])

    own = figures(even)

    def left_by_camera(told_by: Mask) -> Floats:
        """Return the figures that remain when a likely camera takes all it can from these cells."""
        seen, due = (xyz_to_linear_srgb(lab_to_xyz(v)) for v in (even, reachable))
        strength = 1.0 if against is None else _SHARED_REST
        doubt_of_camera = camera_doubt(trust, tone_std)
        return np.abs(figures(relative_lab(without_camera(seen, due, told_by, doubt_of_camera, strength=strength))))

    # of all colours, and of the greys alone
    left = np.concatenate([left_by_camera(inside)[:2], left_by_camera(grey)[2:]])
    u = np.maximum(np.abs(own) - left, _LEAST_U) / 2

    def mean(v: Floats) -> float:
        return float(np.average(v[used], weights=weight[used]))

    doubt = cells.uncertainty
    if against is not None:
        doubt = np.sqrt(cells.u_noise**2 + against.u_random**2 + (_SHARED_REST * cells.u_system) ** 2)
    order = np.sort(total[used])
    at95 = min(int(0.95 * len(order)), len(order) - 1)
    return Accuracy(
        aim_lab=aim,
        reachable_lab=reachable,
        even_lab=even,
        total=total,
        press=press,
        profile=profile,
        limit=limit,
        measurement=doubt,
        used=used,
        mean_total=mean(total),
        p95_total=float(order[at95]),
        mean_press=mean(press),
        mean_profile=float(own[0]),
        p95_profile=float(own[1]),
        mean_limit=mean(limit),
        mean_measurement=mean(doubt),
        grey_delta_ch=float(own[2]),
        grey_delta_l=float(own[3]),
        u_profile=float(u[0]),
        u_p95=float(u[1]),
        u_grey_ch=float(u[2]),
        u_grey_l=float(u[3]),
        max_chroma_out=float(limit[used].max()),
        against="" if against is None else against.name,
    )
