"""What this printer, paper, press and coat make of device RGB: a smooth model fitted to measured cells.

A cubic polynomial in device RGB carries the broad shape, a Gaussian process the rest of it (universal kriging with
a Matérn 5/2 covariance; Rasmussen & Williams, *Gaussian Processes for Machine Learning*, 2006, sections 2.7 and
4.2). CIELAB itself is the scale: a linear map of the cube roots of XYZ, on which both noise and eye count about
evenly. How far the process follows the cells is not a matter of taste: reach and noise of each of L*, a* and b* are
those of the largest restricted likelihood of the cells, so that noisy cells are smoothed and clean ones followed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..ground.cielab import delta_e00
from ..ground.errors import DataError
from ..ground.records import Floats, Mask
from ..ground.robust import cube_terms

MIN_COLOURS = 30  # distinct device colours; fewer cannot carry a colour transform
_WHITE_LAB = np.array([100.0, 0.0, 0.0])
_REACH = (0.4, 0.7, 1.2, 2.0)  # of the covariance, half the side of the cube = 1
_NOISE = np.geomspace(1e-4, 30.0, 45)  # variance of a cell over that of the process
_LEAST_STD = 0.15  # ΔE00 that no cell of a photo is better than
_CUT = 3.0  # standard deviations from which a cell counts less (Huber 1964)
_ROUNDS = 3
_MISFIT = np.array([0.2, 0.4, 0.4])  # L*, a*, b* of bends that no smooth model follows; from simulated printers
_AXIS_STEP = 8.0  # device steps between the nodes of the grey axis' correction
_AXIS_WIDTH = 40.0  # device steps of max − min over which it fades
_RISE = 0.04  # least rise of L* per device step along the grey axis


@dataclass(frozen=True, slots=True, eq=False)
class PrinterModel:
    """A fitted forward model, device RGB → media-relative CIELAB.

    Attributes
    ----------
    centres : ndarray, shape (n, 3)
        Device colours of the cells that went in, on −1 to 1; the last is the bare coat.
    degree : int
        Of the polynomial.
    coefficients : ndarray, shape (terms, 3)
        Of the polynomial for L*, a*, b*.
    weights : ndarray, shape (n, 3)
        Of the covariance functions at the centres.
    reach : ndarray, shape (3,)
        Length of the covariance for L*, a*, b*.
    spread : tuple of three (factor (n, n), terms matrix (n, p), inverse (p, p), variance)
        What the posterior standard deviation needs.
    axis : ndarray, shape (33,)
        Correction of L* along the grey axis that keeps it rising.
    noise : float
        ΔE00 of one cell about the model, as the fit found it.
    held_out_mean, held_out_p95 : float
        ΔE00 of cells that the fit did not see (ten folds, whole device colours left out), measurement noise
        included.
    colours : int
        Distinct device colours.
    cells : int
        Cells used.
    odd : int
        Cells that fitted badly and counted less than half.
    corners_missing : int
        Corners of the device cube without a usable cell: there the model is a guess.
    """

    centres: Floats
    degree: int
    coefficients: Floats
    weights: Floats
    reach: Floats
    spread: tuple[tuple[Floats, Floats, Floats, float], ...]
    axis: Floats
    noise: float
    held_out_mean: float
    held_out_p95: float
    colours: int
    cells: int
    odd: int
    corners_missing: int

    def lab(self, device_rgb: Any) -> Floats:
        """CIELAB that device colours come out as.

        Parameters
        ----------
        device_rgb : array_like, shape (..., 3)
            0 to 255, fractions allowed; outside is clipped, since cells cover the cube's corners.

        Returns
        -------
        ndarray, shape (..., 3)
            Media-relative, D50; (255, 255, 255) is (100, 0, 0) exactly.
        """
        device = np.clip(np.asarray(device_rgb, dtype=float), 0.0, 255.0)
        flat = device.reshape(-1, 3)
        out = np.empty_like(flat)
        for start in range(0, len(flat), 4096):
            part = slice(start, start + 4096)
            x = _cube(flat[part])
            out[part] = cube_terms(x, self.degree) @ self.coefficients
            distance = _distance(x, self.centres)
            for reach in np.unique(self.reach):
                same = self.reach == reach
                out[np.arange(len(flat))[part][:, None], np.flatnonzero(same)] += (
                    _matern(distance, reach) @ self.weights[:, same]
                )
        out[:, 0] += _axis_correction(flat, self.axis)
        white = (flat == 255.0).all(axis=1)
        out[white] = _WHITE_LAB
        return np.asarray(out.reshape(device.shape))

    def lab_std(self, device_rgb: Any) -> Floats:
        """Give the standard deviation of `lab` that noise and bends of the printer leave, without the camera's errors.

        Parameters
        ----------
        device_rgb : array_like, shape (..., 3)
            0 to 255.

        Returns
        -------
        ndarray, shape (..., 3)
            Of L*, a* and b*.
        """
        device = np.clip(np.asarray(device_rgb, dtype=float), 0.0, 255.0)
        flat = device.reshape(-1, 3)
        out = np.empty_like(flat)
        for start in range(0, len(flat), 4096):
            part = slice(start, start + 4096)
            x = _cube(flat[part])
            p, distance = cube_terms(x, self.degree), _distance(x, self.centres)
            for c, (inverse, terms, gls, variance) in enumerate(self.spread):
                k = _matern(distance, float(self.reach[c]))
                ki = k @ inverse
                rest = p - ki @ terms
                total = 1.0 - (ki * k).sum(axis=1) + ((rest @ gls) * rest).sum(axis=1)
                out[part, c] = np.sqrt(variance * np.maximum(total, 0.0) + _MISFIT[c] ** 2)
        out[(flat == 255.0).all(axis=1)] = 0.0
        return np.asarray(out.reshape(device.shape))


def _cube(device_rgb: Floats) -> Floats:
    """Device RGB on −1 to 1."""
    return np.asarray(device_rgb / 127.5 - 1.0)


def _distance(x: Floats, centres: Floats) -> Floats:
    """Euclidean distance, (n, m)."""
    square = (x * x).sum(axis=1)[:, None] + (centres * centres).sum(axis=1)[None, :] - 2.0 * (x @ centres.T)
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def _matern(distance: Floats, reach: float) -> Floats:
    """Matérn covariance of order 5/2."""
    t = np.sqrt(5.0) / reach * distance
    return np.asarray((1.0 + t + t * t / 3.0) * np.exp(-t))


def _axis_correction(device_rgb: Floats, axis: Floats) -> Floats:
    """Correction of L* at device colours, fading with their distance from grey, (n,)."""
    if not axis.any():
        return np.zeros(len(device_rgb))
    mean = device_rgb.mean(axis=1)
    away = np.ptp(device_rgb, axis=1) / _AXIS_WIDTH
    return np.asarray(np.interp(mean / _AXIS_STEP, np.arange(len(axis)), axis) * np.exp(-away * away))


def merge_cells(device_rgb: Any, lab: Floats, std: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Bring cells of one device colour together, wild ones held down.

    Parameters
    ----------
    device_rgb : (n, 3)
    lab : (n, 3)
    std : (n,)
        ΔE00 of every cell at one standard deviation.

    Returns
    -------
    device_rgb (m, 3), lab (m, 3), std (m,), count (m,)
        Weighted means; of three and more cells those beyond three standard deviations of their
        median are left out.
    """
    device = np.asarray(device_rgb, dtype=float)
    unique, group = np.unique(device, axis=0, return_inverse=True)
    group = group.ravel()
    out = np.empty((len(unique), 3))
    out_std, count = np.empty(len(unique)), np.empty(len(unique))
    for g in range(len(unique)):
        at = np.flatnonzero(group == g)
        if len(at) >= 3:
            middle = np.median(lab[at], axis=0)
            away = delta_e00(lab[at], middle)
            keep = away <= 3.0 * max(1.4826 * float(np.median(away)), float(np.median(std[at])))
            at = at[keep]
        w = 1.0 / std[at] ** 2
        out[g] = np.average(lab[at], axis=0, weights=w)
        out_std[g], count[g] = np.sqrt(1.0 / w.sum()), len(at)
    return unique, out, out_std, count


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """One channel: hyperparameters and the matrices that follow from them."""

    reach: float
    noise: float
    likelihood: float
    beta: Floats
    alpha: Floats
    inverse: Floats
    gls: Floats
    variance: float


def _eigen(kernel: Floats, d: Floats) -> tuple[Floats, Floats]:
    """Eigenvalues and vectors of the whitened covariance."""
    root = 1.0 / np.sqrt(d)
    values, vectors = np.linalg.eigh(kernel * root[:, None] * root[None, :])
    return np.maximum(values, 0.0), vectors


def _fit_channel(kernels: dict[float, tuple[Floats, Floats]], p: Floats, y: Floats, d: Floats) -> _Fit:
    """Choose reach and noise by restricted likelihood (Patterson & Thompson, Biometrika 58, 1971)."""
    root = 1.0 / np.sqrt(d)
    n, terms = p.shape
    best: _Fit | None = None
    for reach, (values, vectors) in kernels.items():
        pt, yt = vectors.T @ (p * root[:, None]), vectors.T @ (y * root)
        for noise in _NOISE:
            g = 1.0 / (values + noise)
            normal = pt.T @ (pt * g[:, None])
            beta = np.linalg.solve(normal, pt.T @ (yt * g))
            r = yt - pt @ beta
            variance = float((r * r * g).sum()) / (n - terms)
            score = -0.5 * ((n - terms) * np.log(variance) - np.log(g).sum() + np.linalg.slogdet(normal)[1])
            if best is None or score > best.likelihood:
                inverse = (vectors * g) @ vectors.T * root[:, None] * root[None, :]
                best = _Fit(reach, float(noise), score, beta, inverse @ (y - p @ beta), inverse, normal, variance)
    assert best is not None
    return best


def _solve_channel(kernel: Floats, p: Floats, y: Floats, d: Floats, noise: float) -> tuple[Floats, Floats]:
    """Coefficients and weights with the hyperparameters given."""
    solved = np.linalg.solve(kernel + noise * np.diag(d), np.column_stack([p, y]))
    beta = np.linalg.solve(p.T @ solved[:, :-1], p.T @ solved[:, -1])
    return beta, solved[:, -1] - solved[:, :-1] @ beta


def _folds(n: int, k: int = 10) -> Floats:
    """Return the fold of every colour, mixed but always the same."""
    return np.asarray(np.random.Generator(np.random.PCG64(1)).permutation(n) % k)


def _grey_axis(model_l: Floats) -> Floats:
    """Return what must be added to L* (256,) of the greys so that it rises to the white, on 33 nodes."""
    due = np.minimum(model_l, 100.0)
    if (np.diff(due) >= _RISE).all():
        return np.zeros(33)
    # pool adjacent violators (Ayer et al. 1955) on what is left above the least rise
    left = due - _RISE * np.arange(256)
    blocks: list[list[float]] = []
    for v in left:
        blocks.append([float(v), 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            b, a = blocks.pop(), blocks.pop()
            blocks.append([(a[0] * a[1] + b[0] * b[1]) / (a[1] + b[1]), a[1] + b[1]])
    rising = np.concatenate([np.full(int(c), v) for v, c in blocks]) + _RISE * np.arange(256)
    at = np.minimum(np.arange(33) * _AXIS_STEP, 255.0).astype(int)
    out = rising[at] - model_l[at]
    out[-1] = 0.0
    return np.asarray(out)


def fit_printer(
    device_rgb: Any, lab: Floats, std: Floats, *, usable: Mask | None = None, held_out: bool = True
) -> PrinterModel:
    """Fit the forward model to measured cells, those of one or several pieces together.

    Parameters
    ----------
    device_rgb : (n, 3)
        0 to 255, as sent to the printer.
    lab : (n, 3)
        Media-relative CIELAB of the cells, unevenness of the press divided out.
    std : (n,)
        Their random uncertainty, ΔE00 at one standard deviation.
    usable : (n,) bool, optional
        Which cells count.
    held_out : bool
        Whether to work out the error of left-out colours.

    Returns
    -------
    PrinterModel

    Raises
    ------
    DataError
        Too few usable colours, or they do not span the device cube.
    """
    device = np.asarray(device_rgb, dtype=float).reshape(-1, 3)
    values, doubt = np.asarray(lab, dtype=float), np.maximum(np.asarray(std, dtype=float), _LEAST_STD)
    ok = np.isfinite(values).all(axis=1) & np.isfinite(doubt)
    if usable is not None:
        ok &= usable
    bare = (device == 255.0).all(axis=1)
    d_rgb, y, u, count = merge_cells(device[ok & ~bare], values[ok & ~bare], doubt[ok & ~bare])
    if len(d_rgb) < MIN_COLOURS:
        raise DataError(
            f"{len(d_rgb)} usable colours are too few for a profile",
            f"print and read a target with at least {MIN_COLOURS}, better the standard set",
        )
    degree = 3 if len(d_rgb) >= 45 else 2
    # the bare coat is known without doubt: colours are relative to it
    d_rgb, y = np.vstack([d_rgb, [255.0] * 3]), np.vstack([y, _WHITE_LAB])
    typical = float(np.median(u))
    relative = np.append((u / typical) ** 2, 1e-6)
    x = _cube(d_rgb)
    p = cube_terms(x, degree)
    if np.linalg.cond(p) > 1e6:
        raise DataError("the usable colours do not span the printer's range", "read a whole target")
    distance = _distance(x, x)
    trust = np.ones(len(x))
    fits: list[_Fit] = []
    reaches: list[tuple[float, ...]] = [_REACH] * 3
    for _ in range(_ROUNDS):
        d = relative / trust
        kernels = {r: _eigen(_matern(distance, r), d) for r in sorted({r for some in reaches for r in some})}
        fits = [_fit_channel({r: kernels[r] for r in reaches[c]}, p, y[:, c], d) for c in range(3)]
        reaches = [(f.reach,) for f in fits]
        # left-out residual of a linear smoother from the inverse alone (Sundararajan & Keerthi 2001)
        t2 = np.zeros(len(x))
        for f in fits:
            whole = f.inverse - f.inverse @ p @ np.linalg.solve(f.gls, p.T @ f.inverse)
            diag = np.maximum(np.diag(whole), 1e-12)
            t2 += f.alpha**2 / (diag * f.variance) / 3.0
        t = np.sqrt(t2)
        scale = max(float(np.median(t[:-1])) / 0.888, 1e-9)  # median of the root mean square of three normals
        trust = np.minimum(1.0, _CUT * scale / np.maximum(t, 1e-12)) ** 2
        trust[-1] = 1.0
    d = relative / trust
    coefficients = np.stack([f.beta for f in fits], axis=1)
    weights = np.stack([f.alpha for f in fits], axis=1)
    reach = np.array([f.reach for f in fits])
    noise_lab = np.array([np.sqrt(f.noise * f.variance) for f in fits])
    corners = np.array([[a, b, c] for a in (0, 255) for b in (0, 255) for c in (0, 255)])
    have = {tuple(r) for r in d_rgb.astype(int).tolist()}
    draft = PrinterModel(
        centres=x,
        degree=degree,
        coefficients=coefficients,
        weights=weights,
        reach=reach,
        spread=tuple((f.inverse, p, np.asarray(np.linalg.inv(f.gls), dtype=float), f.variance) for f in fits),
        axis=np.zeros(33),
        noise=float(np.median(delta_e00(y[:-1] + noise_lab, y[:-1]))),
        held_out_mean=float("nan"),
        held_out_p95=float("nan"),
        colours=len(d_rgb),
        cells=int(count.sum()) + int((ok & bare).sum()),
        odd=int((trust < 0.5).sum()),
        corners_missing=sum(tuple(c) not in have for c in corners.tolist()),
    )
    axis = _grey_axis(draft.lab(np.repeat(np.arange(256.0)[:, None], 3, axis=1))[:, 0])
    mean, p95 = float("nan"), float("nan")
    if held_out:
        errors = _held_out(x, p, y, d, distance, fits)
        mean, p95 = float(errors.mean()), float(np.percentile(errors, 95))
    return replace(draft, axis=axis, held_out_mean=mean, held_out_p95=p95)


def _held_out(x: Floats, p: Floats, y: Floats, d: Floats, distance: Floats, fits: list[_Fit]) -> Floats:
    """ΔE00 of every colour from a model that did not see it, (n − 1,); the bare coat is never left out."""
    fold = _folds(len(x) - 1)
    out = np.empty((len(x) - 1, 3))
    for k in range(10):
        rest = np.append(fold != k, True)
        gone = np.append(fold == k, False)
        for c, f in enumerate(fits):
            kernel = _matern(distance, f.reach)
            beta, alpha = _solve_channel(kernel[np.ix_(rest, rest)], p[rest], y[rest, c], d[rest], f.noise)
            out[gone[:-1], c] = p[gone] @ beta + kernel[np.ix_(gone, rest)] @ alpha
    return np.asarray(delta_e00(out, y[:-1]))
