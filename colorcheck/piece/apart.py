"""Light and print told apart: the lamp's stays with the photo, the print's turns with the piece.

One weighted least-squares problem for all photos. Unknown are the smooth light of the
camera's frame, the exposure of every photo, gentle corrections of the expected colours,
small displacements, sideways light, the tone curve's slope, and a coarse map of missing dye.
White card, a blank frame, bare coat in the artwork and turned or shifted photos each remove
some of the doubt between light and missing dye; the posterior covariance says how much is
left, and so which broad components cannot be told apart and which photo would settle them.
Global least squares over displaced exposures: Kuhn, Lin & Loranz, PASP 103, 1097 (1991);
Padmanabhan et al., ApJ 674, 1217 (2008); the Gaussian posterior: Rasmussen & Williams,
*Gaussian Processes for Machine Learning* (2006), section 2.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..ground.due import block_depth, colour_groups, log_left, prior_variance, settle_colours
from ..ground.errors import PhotoError
from ..ground.grid import block_means, block_places
from ..ground.records import TURNED
from ..ground.robust import polynomial_terms, tukey_weights
from .blocks import Array, ViewBlocks, colour_terms
from .expect import Expected

_LIGHT_DEGREE = 4
_LIGHT_STD = (
    0.0,
    0.5,
    0.3,
    0.05,
    0.02,
)  # of log light by degree over 150 mm: a lamp no closer than about 40 cm
_LIGHT_STD_BLANK = (0.0, 0.01, 0.01, 0.004, 0.003)
_LIGHT_SYSTEM = (
    0.0,
    0.006,
    0.004,
    0.003,
    0.002,
)  # what card, tone curve and lens keep to themselves; estimate
_CHROMA_STD = (0.0, 0.03, 0.015)
_LACK_STD, _LACK_STD_ANCHORED, _LACK_STD_LOOSE = 0.05, 0.15, 0.4
_COLOUR_STD = 0.04
_COLOUR_STD_FREE = 0.2  # what the map learned from the photo may have taken for colour
_SHIFT_STD_MM = 0.3
TONE_STD = 0.12  # excess slope of a camera's tone curve, where nobody checked it; estimate
_CORRELATED = 4.0  # neighbouring blocks err alike: variance of a fit counted as so many times that of independent ones


@dataclass(frozen=True, slots=True, eq=False)
class Parted:
    """What is left of each photo when light and expected colour are taken out.

    ``left`` (v, r, c, 3) logarithm of seen over expected; ``var`` (v, r, c, 3) its variance,
    infinite where nothing is known; ``depth`` (r, c, 3) change of the logarithm when all dye
    is missing; ``light`` (v, r, c, 3) the light; ``light_basis`` (v, r, c, k) and
    ``light_cov`` (k, k) the doubt that is left in its logarithm; ``colour_group`` (r, c)
    number of the artwork colour (−1 none), ``colour_var``
    (groups, 3) the variance left in its expectation; ``shift_mm`` (v, 2, 3) displacement
    found along x and y: at the middle, and its change over half of the longer side along x and y;
    ``ambiguous`` the broad components that light could explain as well as the print;
    ``settle_by`` the one photo that would decide; ``doubt`` (4,) standard error, in log
    light, of a tilt along x and y, of a bowl, and of a ring; ``colour_doubt`` (4,) the same in
    share of missing dye, as far as it comes from the colours: a broad fault that goes with the
    artwork's own colours looks like a printer that errs in those colours.
    """

    left: Array
    var: Array
    depth: Array
    light: Array
    light_basis: Array
    light_cov: Array
    colour_group: Any
    colour_var: Array
    shift_mm: Array
    ambiguous: tuple[str, ...]
    settle_by: str
    doubt: Array
    colour_doubt: Array
    ratio: float
    anchors: tuple[str, ...]


def _half(expected: Expected, maps: Array, weight: Array) -> Array:
    """Weighted means of 2 × 2 blocks."""
    total = block_means(np.ascontiguousarray(maps * weight[..., None], dtype=np.float32), 2).astype(float)
    norm = block_means(np.ascontiguousarray(weight, dtype=np.float32), 2).astype(float)
    return np.asarray(total / np.maximum(norm, 1e-9)[..., None])


def _unit(v: ViewBlocks, mm: Array, frame: tuple[Array, float]) -> Array:
    """Places in the frame in which the light stands still, about −1…1."""
    centre, half = frame
    at = mm if v.to_photo is None else np.asarray(v.to_photo(mm.reshape(-1, 2))).reshape(mm.shape)
    return np.asarray((at - centre) / half)


def _frame(expected: Expected) -> tuple[tuple[Array, float], float]:
    """Centre and half width of the light's frame (photo px, or mm), and how many mm the half width is."""
    w, h = expected.size_mm
    corners = np.array([[0, 0], [w, 0], [0, h], [w, h]], float)
    points, scale = [], 1.0
    for v in expected.views:
        mm = np.concatenate([corners, v.ring_mm])
        at = mm if v.to_photo is None else np.asarray(v.to_photo(mm))
        points.append(at)
        c = at[:4]
        scale = float(np.hypot(*(c[1] - c[0])) / w)
    p = np.concatenate(points)
    low, high = p.min(axis=0), p.max(axis=0)
    half = float((high - low).max() / 2)
    return ((low + high) / 2, half), half / max(scale, 1e-9)


def _hats(mm: Array, size_mm: tuple[float, float]) -> Array:
    """Bilinear hats on a coarse grid over the piece, (n, nodes)."""
    w, h = size_mm
    pitch = max(max(w, h) / 8, 18.0)
    nx, ny = max(round(w / pitch), 2) + 1, max(round(h / pitch), 2) + 1
    fx, fy = np.clip(mm[:, 0] / w, 0, 1) * (nx - 1), np.clip(mm[:, 1] / h, 0, 1) * (ny - 1)
    hx = np.maximum(1 - np.abs(fx[:, None] - np.arange(nx)), 0)
    hy = np.maximum(1 - np.abs(fy[:, None] - np.arange(ny)), 0)
    return np.asarray((hy[:, :, None] * hx[:, None, :]).reshape(len(mm), -1))


@dataclass(frozen=True, slots=True, eq=False)
class _Columns:
    """Which unknown stands where."""

    theta: int
    exposure: int
    ring: int
    light: int
    chroma: int
    shift: int
    scatter: int
    tone: int
    lack: int
    end: int


def _design(
    v: int,
    cols: _Columns,
    terms: Array,
    unit: Array,
    log_light: Array,
    slopes: Array,
    scatter: Array,
    rel: Array,
    lack: Array | None,
    mm_unit: Array,
    depth: Array,
) -> Array:
    """Design (n, 3, p) of the piece's blocks in one photo."""
    n = len(terms)
    a = np.zeros((n, 3, cols.end if lack is not None else cols.lack), np.float32)
    t = terms.shape[1]
    light = polynomial_terms(unit[:, 0], unit[:, 1], _LIGHT_DEGREE)[:, 1:]
    chroma = polynomial_terms(unit[:, 0], unit[:, 1], 2)[:, 1:]
    k = chroma.shape[1]
    for c in range(3):
        a[:, c, cols.theta + c * t : cols.theta + (c + 1) * t] = terms
        if v:
            a[:, c, cols.exposure + 3 * (v - 1) + c] = 1.0
        a[:, c, cols.light : cols.light + light.shape[1]] = light
    for j, signs in enumerate(((1, 0, -1), (-0.5, 1, -0.5))):
        for c in range(3):
            a[:, c, cols.chroma + j * k : cols.chroma + (j + 1) * k] = signs[c] * chroma
    s = cols.shift + 7 * v
    for i in range(2):
        a[:, :, s + 3 * i] = slopes[:, i]
        a[:, :, s + 3 * i + 1] = slopes[:, i] * mm_unit[:, None, 0]
        a[:, :, s + 3 * i + 2] = slopes[:, i] * mm_unit[:, None, 1]
    a[:, :, s + 6] = slopes[:, 2]
    for i in range(2):
        a[:, :, cols.scatter + i] = scatter[:, i]
    dark = np.clip(-np.log(rel) / 4.0, 0, 1.3)
    a[:, :, cols.tone] = dark * log_light[:, None]
    a[:, :, cols.tone + 1] = dark * dark * log_light[:, None]
    if lack is not None:
        a[:, :, cols.lack :] = depth[:, :, None] * lack[:, None, :]
    return a


def separate(expected: Expected, *, tone_std: float = TONE_STD) -> Parted:
    """Solve for light and print together.

    Parameters
    ----------
    expected : Expected
    tone_std : float
        How far the camera's tone curve may be from the one assumed, as an excess slope.

    Returns
    -------
    Parted
    """
    e, shape = expected, expected.inside.shape
    views = e.views
    places = block_places(shape, e.step_mm)
    frame, half_mm = _frame(e)
    depth = block_depth(e)
    theta = colour_terms(e.device.reshape(-1, 3), e.degree).astype(float).reshape(*shape, -1)
    t = theta.shape[-1]
    nl = (_LIGHT_DEGREE + 1) * (_LIGHT_DEGREE + 2) // 2 - 1
    lack0 = _hats(places.reshape(-1, 2)[:1], e.size_mm).shape[1]
    at = np.cumsum([0, 3 * t, 3 * (len(views) - 1), 3 * len(views), nl, 10, 7 * len(views), 2, 2, lack0])
    cols = _Columns(*(int(v) for v in at))
    slopes = np.stack([e.slope_x, e.slope_y, e.blur], axis=2)
    base = [v.first_light for v in views]
    if len(views) > 1 and not all(len(v.ring_y) for v in views):
        # photos share the light of the camera's frame: without card beside them each starts from a level only
        base = [np.broadcast_to(np.exp(np.log(b[e.inside]).mean(axis=0)), b.shape) for b in base]
    seen = np.stack([log_left(v.y, b, e.rel) for v, b in zip(views, base, strict=True)])
    prior_var = prior_variance(e)
    log_light = [np.log(np.maximum(v.first_light, 1e-6)).mean(axis=2) for v in views]
    level = float(np.mean([np.nanmean(x[e.inside]) for x in log_light]))
    rows, targets, weights = [], [], []
    for k, v in enumerate(views):
        use = np.isfinite(seen[k]).all(axis=2) & e.inside
        w = np.where(use, v.teaches / (1 + prior_var.mean(axis=2) / 0.01**2), 0.0)
        use &= w > 0
        w = w / max(float(np.percentile(w[use], 90)), 1e-9) if use.any() else w  # dark pieces count as well
        maps = np.concatenate(
            [
                theta,
                np.nan_to_num(seen[k]),
                slopes.reshape(*shape, 9),
                e.scatter.reshape(*shape, 6),
                e.rel,
                depth,
                (log_light[k] - level)[..., None],
                places,
                prior_var,
            ],
            axis=2,
        )
        m = _half(e, maps, w)
        wn = block_means(np.ascontiguousarray(w, dtype=np.float32), 2).astype(float)
        keep = wn > 0.02
        if not keep.any():
            continue
        m, o = m[keep], t
        mm = m[:, o + 25 : o + 27]
        a = _design(
            k,
            cols,
            m[:, :t],
            _unit(v, mm, frame),
            m[:, o + 24],
            m[:, o + 3 : o + 12].reshape(-1, 3, 3),
            m[:, o + 12 : o + 18].reshape(-1, 2, 3),
            np.maximum(m[:, o + 18 : o + 21], 1e-3),
            _hats(mm, e.size_mm),
            mm / max(e.size_mm) * 2 - 1,
            m[:, o + 21 : o + 24],
        )
        rows.append(a)
        targets.append(m[:, o : o + 3])
        weights.append(np.minimum(wn[keep], 1.0)[:, None] / m[:, o + 27 : o + 30])
        if len(v.ring_y):
            r, y = _ring_rows(k, v, base[k], cols, frame, e)
            rows.append(r)
            targets.append(y)
            weights.append(np.full(y.shape, 1 / 0.006**2))
    if sum(len(r) for r in rows) < 30:
        raise PhotoError("too little of the piece can be judged", "take the photo again, sharp and not over-exposed")
    a = np.concatenate(rows)
    y = np.concatenate(targets).astype(float)
    w = np.concatenate(weights)
    blank = all(v.blank_used for v in views)
    anchored = blank or len(views) > 1 or any(len(v.ring_y) for v in views)
    prior = _prior_std(cols, t, half_mm, blank, e.source, tone_std)
    if anchored:
        prior[cols.lack :] = _LACK_STD_ANCHORED
    x, normal = _solve(a, y, w, prior)
    if x[cols.scatter + 1] < 0:  # light only ever travels from bright to dark
        prior[cols.scatter + 1] = 1e-4
        x, normal = _solve(a, y, w, prior)
    left = np.full(seen.shape, np.nan)
    light = np.zeros(seen.shape)
    basis = np.zeros((len(views), *shape, nl))
    flat = places.reshape(-1, 2)
    for k, v in enumerate(views):
        unit = _unit(v, flat, frame)
        full = _design(
            k,
            cols,
            theta.reshape(-1, t),
            unit,
            (log_light[k] - level).reshape(-1),
            slopes.reshape(-1, 3, 3),
            e.scatter.reshape(-1, 2, 3),
            np.maximum(e.rel, 1e-3).reshape(-1, 3),
            None,
            flat / max(e.size_mm) * 2 - 1,
            depth.reshape(-1, 3),
        )
        left[k] = seen[k] - (full @ x[: cols.lack].astype(np.float32)).reshape(*shape, 3)
        part = slice(cols.light, cols.shift)
        extra = full[:, :, part] @ x[part].astype(np.float32)
        light[k] = base[k] * np.exp(extra.reshape(*shape, 3))
        basis[k] = full[:, 0, cols.light : cols.light + nl].reshape(*shape, nl)
    group = colour_groups(e.device, e.inside)
    loose = prior.copy()
    loose[cols.lack :] = _LACK_STD_LOOSE
    cov = _CORRELATED * np.linalg.inv(normal + np.diag(1 / loose**2))
    lack = _sure_lack(x[cols.lack :], cov[cols.lack :, cols.lack :], flat, e).reshape(shape)
    colour_doubt = _colour_doubt(normal, loose, cols, t, e)
    doubtful = np.stack([v.doubtful for v in views])
    fill = np.stack([v.fill for v in views])
    left, var, colour_var = settle_colours(left, depth, lack, group, places, prior_var, e, doubtful=doubtful, fill=fill)
    light_cov = cov[cols.light : cols.light + nl, cols.light : cols.light + nl]
    degree = np.array([d for d in range(1, _LIGHT_DEGREE + 1) for _ in range(d + 1)])
    light_cov = light_cov + np.diag(np.array(_LIGHT_SYSTEM)[degree] ** 2)
    doubt = _doubt(views[0], frame, e.size_mm, light_cov)
    names = ("tilt", "tilt", "bowl", "ring")
    unsure = tuple(dict.fromkeys(n for n, d in zip(names, doubt, strict=True) if d > 0.03))
    anchors = tuple(
        name
        for name, there in (
            ("card", any(len(v.ring_y) for v in views)),
            ("blank frame", blank),
            ("several photos", len(views) > 1),
            ("bare coat", e.coat == "artwork" and not unsure),
        )
        if there
    )
    settle = "" if not unsure else "blank frame" if len(views) == 1 else TURNED
    shift = np.array([x[cols.shift + 7 * k : cols.shift + 7 * k + 6].reshape(2, 3) for k in range(len(views))])
    first = light[0].mean(axis=2)[e.inside]
    return Parted(
        left=left,
        var=var,
        depth=depth,
        light=light,
        light_basis=basis,
        light_cov=light_cov,
        colour_group=group,
        colour_var=colour_var,
        shift_mm=shift,
        ambiguous=unsure,
        settle_by=settle,
        doubt=doubt,
        colour_doubt=colour_doubt,
        ratio=float(np.percentile(first, 99.5) / max(np.percentile(first, 0.5), 1e-9)),
        anchors=anchors,
    )


def _sure_lack(nodes: Array, cov: Array, flat: Array, e: Expected) -> Array:
    """Give broad missing dye (n,) above the piece's own level, less one standard error: no colour may claim it."""
    hats = _hats(flat, e.size_mm).astype(np.float32)
    hats -= hats[e.inside.ravel()].mean(axis=0)
    value = hats @ nodes.astype(np.float32)
    std = np.sqrt(np.maximum(np.einsum("ij,ij->i", hats @ cov.astype(np.float32), hats), 0.0))
    return np.asarray(np.sign(value) * np.maximum(np.abs(value) - std, 0.0))


def _colour_doubt(normal: Array, loose: Array, cols: _Columns, t: int, e: Expected) -> Array:
    """Give the standard error of a broad tilt, bowl and ring of missing dye that the colours alone make, (4,)."""
    free = loose.copy()
    free[cols.theta : cols.exposure] = _COLOUR_STD_FREE if e.source == "photo" else 0.5 * _COLOUR_STD
    free[cols.theta : cols.exposure : t] = 0.5
    fixed = loose.copy()
    fixed[cols.theta : cols.exposure] = 1e-4
    fixed[cols.theta : cols.exposure : t] = 0.5
    contrasts = _contrasts(_hats(_probes(e.size_mm), e.size_mm))
    out = []
    for prior in (free, fixed):
        cov = _CORRELATED * np.linalg.inv(normal + np.diag(1 / prior**2))[cols.lack :, cols.lack :]
        out.append(np.einsum("ij,jk,ik->i", contrasts, cov, contrasts))
    return np.asarray(np.sqrt(np.maximum(out[0] - out[1], 0.0)))


def _ring_rows(
    k: int, v: ViewBlocks, base: Array, cols: _Columns, frame: tuple[Array, float], e: Expected
) -> tuple[Array, Array]:
    unit = _unit(v, v.ring_mm, frame)
    n = len(unit)
    a = np.zeros((n, 3, cols.end), np.float32)
    light = polynomial_terms(unit[:, 0], unit[:, 1], _LIGHT_DEGREE)[:, 1:]
    chroma = polynomial_terms(unit[:, 0], unit[:, 1], 2)[:, 1:]
    a[:, :, cols.light : cols.light + light.shape[1]] = light[:, None, :]
    for j, signs in enumerate(((1, 0, -1), (-0.5, 1, -0.5))):
        for c in range(3):
            a[:, c, cols.chroma + 5 * j : cols.chroma + 5 * (j + 1)] = signs[c] * chroma
    for c in range(3):
        a[:, c, cols.ring + 3 * k + c] = 1.0
    # the first guess of the light inside, carried on to the card, is what the corrections stand on
    half = max(e.size_mm) / 2

    def to(mm: Array) -> Array:
        u = (mm - np.array(e.size_mm) / 2) / half
        return polynomial_terms(u[:, 0], u[:, 1], 4)

    inside = block_places(e.inside.shape, e.step_mm)[::3, ::3].reshape(-1, 2)
    c0 = np.linalg.lstsq(to(inside), np.log(base[::3, ::3].reshape(-1, 3)), rcond=1e-8)[0]
    return a, np.log(np.maximum(v.ring_y, 1e-5)) - to(v.ring_mm) @ c0


def _prior_std(cols: _Columns, t: int, half_mm: float, blank: bool, source: str, tone_std: float) -> Array:
    s = np.zeros(cols.end)
    s[cols.theta : cols.exposure] = _COLOUR_STD if source == "photo" else 0.5 * _COLOUR_STD
    s[cols.theta : cols.exposure : t] = 0.5
    s[cols.exposure : cols.light] = 1.0
    by_degree = _LIGHT_STD_BLANK if blank else _LIGHT_STD
    degree = np.array([d for d in range(1, _LIGHT_DEGREE + 1) for _ in range(d + 1)])
    s[cols.light : cols.chroma] = np.array(by_degree)[degree] * np.maximum(half_mm / 150.0, 0.3) ** degree
    d2 = np.array([1, 1, 2, 2, 2] * 2)
    s[cols.chroma : cols.shift] = np.array(_CHROMA_STD)[d2]
    s[cols.shift : cols.scatter] = _SHIFT_STD_MM
    s[cols.shift + 6 : cols.scatter : 7] = 1.5
    s[cols.scatter : cols.tone] = 0.1
    s[cols.tone : cols.lack] = tone_std
    s[cols.lack :] = _LACK_STD
    return s


def _solve(a: Array, y: Array, w: Array, prior: Array) -> tuple[Array, Array]:
    """Posterior mean and the data's normal matrix, robust against spots, specks and reflections."""
    p = a.shape[2]
    robust = np.ones(len(a))
    normal = np.zeros((p, p))
    x = np.zeros(p)
    flat = a.reshape(-1, p)
    for turn in range(4):
        root = np.sqrt(w * robust[:, None]).astype(np.float32).reshape(-1, 1)
        aw = flat * root
        normal = (aw.T @ aw).astype(float)
        right = (aw.T @ (y.astype(np.float32).reshape(-1, 1) * root)).astype(float)[:, 0]
        x = np.linalg.solve(normal + np.diag(1 / prior**2), right)
        if turn < 3:
            z = (y - (flat @ x.astype(np.float32)).reshape(y.shape)) * np.sqrt(w)
            z = np.sqrt((z * z).mean(axis=1))
            scale = max(float(np.median(z)) * 1.2, 0.3)
            robust = tukey_weights(z, scale, 5.0)
    scale2 = max(scale, 1.0) ** 2
    return x, normal / scale2


def _probes(size_mm: tuple[float, float]) -> Array:
    """Middle, four sides, and four places half way, (9, 2) mm."""
    at = [(0.5, 0.5), (0.06, 0.5), (0.94, 0.5), (0.5, 0.06), (0.5, 0.94)]
    at += [(0.27, 0.5), (0.73, 0.5), (0.5, 0.27), (0.5, 0.73)]
    return np.array(at) * size_mm


def _contrasts(b: Array) -> Array:
    """Tilt along x and y, bowl and ring from values at the nine probes, (4, k)."""
    rim, half = b[1:5].mean(axis=0), b[5:9].mean(axis=0)
    return np.stack([b[2] - b[1], b[4] - b[3], b[0] - rim, half - 0.5 * (b[0] + rim)])


def _doubt(v: ViewBlocks, frame: tuple[Array, float], size_mm: tuple[float, float], cov: Array) -> Array:
    u = _unit(v, _probes(size_mm), frame)
    contrasts = _contrasts(polynomial_terms(u[:, 0], u[:, 1], _LIGHT_DEGREE)[:, 1:])
    return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", contrasts, cov, contrasts)))
