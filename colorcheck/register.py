"""Where a pressed picture lies in a photo: artwork → photo to a fraction of a millimetre.

The piece's outline or matching features give places to start from, in every rotation and mirrored;
each is drawn towards the picture by comparing the photo with the artwork *as this photo shows it*
(a smooth map from artwork colour to photo colour under smooth light, learned on the spot), coarse
to fine. What fits best is kept, and refused when the photo shows structure the artwork has not.

Direct alignment follows Lucas & Kanade (IJCAI 1981, 674–679) in blocks; homography and radial
distortion are then fitted to the blocks' offsets and to the outline together. Features are those of
Lowe (IJCV 60(2), 91–110, 2004, doi 10.1023/B:VISI.0000029664.99615.94).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np

from .artwork import Artwork
from .errors import DataError, PhotoError, TargetError
from .geometry import local_px_per_mm, mm_to_px, sampling_maps, scaled
from .posefit import fit_pose
from .records import Bytes, Floats, LinearImage, Mask, Pose
from .robust import mad_std, robust_least_squares, tukey_weights

_WORK_SIDE = 2000  # alignment never looks at more pixels than this on the longer side
_FINEST = 640  # pixels on the longer side of the finest comparison
_DARK = 0.04  # added before the logarithm, share of white
_MARGIN = 0.012  # of the piece's size, left out along its outline while comparing
_PLAIN = 0.012  # spread of fine structure, share of the code range, under which a picture counts as plain
_MOST_FOREIGN = 0.033  # share of structure in which photo and artwork may contradict each other
_LOOSE_RIM = 0.6  # mm that a measured rim may stray from the blank's shape
_SAMPLES = 1800  # places from which the photo's colours are learned
_STIFF = (0.5, 6.0)  # a lens bends a picture by a few per cent, and hardly ever by a fourth power alone
_ONES = np.ones((1, 3), np.float32)
_EMPTY: Floats = np.zeros((0, 2))


@dataclass(frozen=True, slots=True, eq=False)
class Registered:
    """The piece found in a photo.

    ``pose`` takes piece mm to pixels of ``image``, which is flipped left to right when the photo was
    mirrored. ``picture_to_piece`` (2, 3) takes the artwork's own millimetres (see `Artwork`) to piece mm:
    the print may sit a little off, turned or larger. ``outline_mm`` (n, 2) are measured places of the rim
    in piece mm; empty when the rim could not be seen and is taken from the artwork. ``residual_mm`` is
    what is left between artwork and photo (or rim and model), ``uncertainty_mm`` one standard deviation of
    a typical place. ``score`` is the correlation of fine structure, 0 to 1, ``foreign`` the share of
    structure in which photo and artwork contradict each other.
    """

    pose: Pose
    image: LinearImage
    placed_by: Literal["content", "outline"]
    picture_to_piece: Floats
    picture_offset_mm: tuple[float, float]
    picture_scale: tuple[float, float]
    picture_turn_deg: float
    outline_mm: Floats
    outline_residual_mm: float
    residual_mm: float
    uncertainty_mm: float
    inliers: int
    score: float
    foreign: float
    ambiguous: bool
    notes: tuple[str, ...]


def artwork_on_piece(artwork: Artwork, registered: Registered, px_per_mm: float) -> tuple[Bytes, Mask]:
    """Draw the artwork where it was printed, on the piece's millimetre grid.

    Returns
    -------
    rgb (H, W, 3) uint8, covered (H, W) bool
        Device codes; white and not covered where the picture does not reach.
    """
    w, h = (round(v * px_per_mm) for v in artwork.size_mm)
    a = np.vstack([registered.picture_to_piece, [0, 0, 1.0]])
    g = artwork.px_per_mm
    to_art = np.array([[g, 0, g * artwork.bleed_mm - 0.5], [0, g, g * artwork.bleed_mm - 0.5], [0, 0, 1]])
    from_grid = np.array([[1 / px_per_mm, 0, 0.5 / px_per_mm], [0, 1 / px_per_mm, 0.5 / px_per_mm], [0, 0, 1]])
    m = to_art @ np.linalg.inv(a) @ from_grid
    source: Any = artwork.rgb
    f = px_per_mm / g
    if f < 0.75:  # reduce first: sampling alone would skip pixels
        size = max(2, round(source.shape[1] * f)), max(2, round(source.shape[0] * f))
        s = np.array([[size[0] / source.shape[1], 0, 0], [0, size[1] / source.shape[0], 0], [0, 0, 1.0]])
        s[0, 2], s[1, 2] = (s[0, 0] - 1) / 2, (s[1, 1] - 1) / 2
        source, m = cv2.resize(source, size, interpolation=cv2.INTER_AREA), s @ m
    x = (m[0, 0] * np.arange(w)[None, :] + m[0, 1] * np.arange(h)[:, None] + m[0, 2]).astype(np.float32)
    y = (m[1, 0] * np.arange(w)[None, :] + m[1, 1] * np.arange(h)[:, None] + m[1, 2]).astype(np.float32)
    rgb = cv2.remap(source, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(255,) * 3)
    covered = (x > -0.5) & (y > -0.5) & (x < source.shape[1] - 0.5) & (y < source.shape[0] - 0.5)
    return rgb, covered


# -------------------------------------------------------------------------------- photo and artwork at scales


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """The photo at one scale: log colour and validity (h, w, 4) float32, scale relative to level 0."""

    pixels: Any
    factor: float


@dataclass(frozen=True, slots=True, eq=False)
class _Template:
    """The artwork at one scale: polynomial terms (h, w, 10), nominal piece mask, pixels per mm."""

    terms: Any
    place: Any
    inside: Any
    g: float
    sample: Any
    basis: Any  # terms and smooth light (n, 15) at every pixel's place, float64, on the sample only


@dataclass(frozen=True, slots=True, eq=False)
class _Outline:
    """A convex shape in the photo that may be the piece: hull in level-0 pixels, corners or ellipse."""

    hull: Floats
    corners: Floats | None
    ellipse: Any
    share: float
    cut: bool
    pose: Pose | None = None  # of the artwork's frame, in some rotation, once the rim has been measured
    residual: float = float("nan")
    rim_px: Any = None  # measured places of the rim, (n, 2) level-0 pixels


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """One placement being tried: pose of the artwork's frame, the outline it came from, how well it fits."""

    pose: Pose
    outline: _Outline | None
    score: float


def _levels(image: LinearImage) -> tuple[list[_Level], float]:
    """Logarithmic colour at halving scales; also the scale of the finest one in the photo."""
    rgb: Any = image.rgb
    f = min(1.0, _WORK_SIDE / max(rgb.shape[:2]))
    size = max(1, round(rgb.shape[1] * f)), max(1, round(rgb.shape[0] * f))
    valid: Any = ((image.clipped & 1) == 0).astype(np.uint8) * 255
    if f < 1.0:
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
        valid = cv2.resize(valid, size, interpolation=cv2.INTER_AREA)
    white = max(float(np.percentile(rgb[::5, ::5, 1], 99)), 1e-3)
    full = np.empty((*rgb.shape[:2], 4), np.float32)
    full[..., :3] = cv2.log(np.maximum(rgb, 0) * np.float32(1 / white) + np.float32(_DARK))
    full[..., 3] = valid * np.float32(1 / 255)
    out = [_Level(full, 1.0)]
    while max(out[-1].pixels.shape[:2]) > 90:
        p = out[-1].pixels
        small = cv2.resize(p, (max(1, p.shape[1] // 2), max(1, p.shape[0] // 2)), interpolation=cv2.INTER_AREA)
        out.append(_Level(small, small.shape[1] / full.shape[1]))
    return out, size[0] / image.rgb.shape[1]


def _inside_piece(x: Any, y: Any, art: Artwork, margin: float) -> Any:
    """Whether places in the artwork's frame lie on the nominal piece, ``margin`` (share of size) within."""
    w, h = art.size_mm
    u, v = (x - art.bleed_mm - w / 2) / (w / 2), (y - art.bleed_mm - h / 2) / (h / 2)
    if art.shape == "round":
        return np.hypot(u, v) < 1 - 2 * margin
    return (np.abs(u) < 1 - 2 * margin) & (np.abs(v) < 1 - 2 * margin)


def _template(art: Artwork, side: int, blur: float) -> _Template:
    """Artwork at ``side`` pixels along its longer edge, blurred by ``blur`` pixels."""
    fw, fh = art.frame_mm
    g = side / max(fw, fh)
    size = max(4, round(fw * g)), max(4, round(fh * g))
    small = cv2.resize(art.rgb, size, interpolation=cv2.INTER_AREA if size[0] < art.rgb.shape[1] else cv2.INTER_LINEAR)
    v: Any = small.astype(np.float32) / np.float32(127.5) - np.float32(1)
    if blur:
        v = cv2.GaussianBlur(v, (0, 0), blur)
    r, gr, b = v[..., 0], v[..., 1], v[..., 2]
    terms = np.stack([np.ones_like(r), r, gr, b, r * r, gr * gr, b * b, r * gr, gr * b, b * r], axis=-1)
    x = (np.arange(size[0], dtype=np.float32)[None, :] + 0.5) / np.float32(g) + np.zeros((size[1], 1), np.float32)
    y = (np.arange(size[1], dtype=np.float32)[:, None] + 0.5) / np.float32(g) + np.zeros((1, size[0]), np.float32)
    u, w = 2 * x / fw - 1, 2 * y / fh - 1
    place = np.stack([u, w, u * u, u * w, w * w], axis=-1)
    inside = _inside_piece(x, y, art, _MARGIN)
    rng = np.random.default_rng(5)
    sample = np.flatnonzero(inside)
    if len(sample) > _SAMPLES:  # rare colours as well as common ones
        flat = np.clip(terms.reshape(-1, 10)[sample, 1:4] * 2.999 + 3, 0, 5.99).astype(int) @ [36, 6, 1]
        rare = np.bincount(flat, minlength=216)[flat] ** -0.6
        sample = np.sort(rng.choice(sample, _SAMPLES, replace=False, p=rare / rare.sum()))
    basis = np.concatenate([terms.reshape(-1, 10)[sample], place.reshape(-1, 5)[sample]], axis=1).astype(float)
    return _Template(terms=terms, place=place, inside=inside, g=g, sample=sample, basis=basis)


def _warp(levels: list[_Level], pose: Pose, art: Artwork, t: _Template, outline: _Outline | None) -> tuple[Any, Any]:
    """Photo on the template's grid, (h, w, 3), and where it counts, (h, w) float32."""
    level = next((lv for lv in reversed(levels) if pose.px_per_mm * lv.factor >= 0.9 * t.g), levels[0])
    mx, my = sampling_maps(scaled(pose, level.factor), art.frame_mm, t.g)
    h, w = t.inside.shape
    mx, my = mx[:h, :w], my[:h, :w]
    got = cv2.remap(level.pixels, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0, 0))
    ok = got[..., 3] > 0.9
    if outline is None:
        ok &= t.inside
    else:
        ok &= _within(outline, mx / level.factor, my / level.factor)
    return np.ascontiguousarray(got[..., :3]), ok.astype(np.float32)


def _within(outline: _Outline, x: Any, y: Any) -> Any:
    """Whether places (level-0 pixels) lie inside the outline, a little away from it."""
    middle = outline.hull.mean(axis=0)
    low, high = outline.hull.min(axis=0), outline.hull.max(axis=0)
    f = 220.0 / max(float((high - low).max()), 1.0)
    shape = int((high[1] - low[1]) * f) + 6, int((high[0] - low[0]) * f) + 6
    mask = np.zeros(shape, np.uint8)
    pts = ((middle + (outline.hull - middle) * (1 - 2.2 * _MARGIN)) - low) * f + 2
    cv2.fillPoly(mask, [np.round(pts).astype(np.int32)], 1)
    mx = ((x - low[0]) * f + 2).astype(np.float32)
    my = ((y - low[1]) * f + 2).astype(np.float32)
    return cv2.remap(mask, mx, my, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0) > 0


def _smooth(a: Any, sigma: float) -> Any:
    """Gaussian blur, done on a reduced picture where it is wide."""
    f = int(sigma / 2.5)
    if f < 2:
        return cv2.GaussianBlur(a, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    h, w = a.shape[:2]
    small = cv2.resize(a, (max(2, w // f), max(2, h // f)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / f, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)


def _learn(t: _Template, w: Any, ok: Any) -> Any:
    """Coefficients (10, 3) of a smooth map from artwork colour to this photo's, light set apart; robust."""
    use = ok.ravel()[t.sample] > 0
    if use.sum() < 60:
        return None
    a, idx = t.basis[use], t.sample[use]
    y = w.reshape(-1, 3)[idx].astype(float)
    weight = np.ones(len(idx))
    x = np.zeros((a.shape[1], 3))
    for _ in range(4):
        aw = a * weight[:, None]
        n = a.T @ aw
        x = np.linalg.solve(n + np.diag(np.full(len(n), 1e-5 * np.trace(n) / len(n))), aw.T @ y)
        r = np.sqrt(np.square(y - a @ x) @ np.ones(3))
        weight = tukey_weights(r, max(float(np.percentile(r, 75)), 0.05))
    return x[:10].astype(np.float32)


def _dot(a: Any, b: Any) -> Any:
    """Sum of products over the channels, (h, w)."""
    return cv2.transform(a * b, _ONES)


@dataclass(frozen=True, slots=True, eq=False)
class _Compared:
    """Artwork (as photographed) and photo without their smooth parts, with local sums of products."""

    t: Any
    w: Any
    ok: Any
    tt: Any
    ww: Any
    wt: Any
    s_tt: Any
    s_ww: Any
    s_wt: Any
    score: float  # correlation over the whole piece
    colours: Any

    def ncc(self) -> Any:
        """Local correlation, (h, w)."""
        return self.s_wt / np.sqrt(self.s_tt * self.s_ww + 1e-12)


def _compare(
    levels: list[_Level], trial: _Trial, art: Artwork, t: _Template, window: float, colours: Any = None
) -> _Compared:
    """Put photo and artwork side by side on the template's grid; ``window`` in pixels for local sums.

    ``colours`` are coefficients learned before.
    """
    w, ok = _warp(levels, trial.pose, art, t, trial.outline)
    x = _learn(t, w, ok) if colours is None else colours
    like = np.zeros_like(w) if x is None else (t.terms.reshape(-1, 10) @ x).reshape(w.shape)
    wide = 0.06 * max(ok.shape)
    norm = (ok / np.maximum(_smooth(ok, wide), 1e-3))[..., None]
    m = ok[..., None]
    th = like * m - _smooth(like * m, wide) * norm
    wh = w * m - _smooth(w * m, wide) * norm
    tt, ww, wt = _dot(th, th), _dot(wh, wh), _dot(wh, th)
    sums = _smooth(cv2.merge([tt, ww, wt]), window) / np.maximum(_smooth(ok, window), 0.05)[..., None]
    den = float(cv2.sumElems(tt)[0]) * float(cv2.sumElems(ww)[0])
    score = float(cv2.sumElems(wt)[0]) / float(np.sqrt(den)) if den > 1e-12 else 0.0
    return _Compared(
        t=th,
        w=wh,
        ok=ok,
        tt=tt,
        ww=ww,
        wt=wt,
        s_tt=sums[..., 0],
        s_ww=sums[..., 1],
        s_wt=sums[..., 2],
        score=score,
        colours=x,
    )


# ------------------------------------------------------------------------------------------- direct alignment


def _block_means(maps: list[Any], blocks: tuple[int, int]) -> Any:
    """Means over a grid of blocks (across, down), (n, maps)."""
    return np.stack([cv2.resize(a, blocks, interpolation=cv2.INTER_AREA).ravel() for a in maps], axis=1)


def _rows(c: _Compared, g: float, block: int, reach: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Offsets of blocks: middle in mm (n, 2), direction (n, 2), offset in mm (n,), weight (n,)."""
    gain = c.s_wt / np.maximum(c.s_tt, 1e-6)
    ncc = np.clip(c.ncc(), 0, 1)
    fits = c.ok * (gain > 0.15) * (gain < 6)
    res = c.w / np.clip(gain, 0.15, 6)[..., None] - c.t
    tx = cv2.Sobel(c.t, cv2.CV_32F, 1, 0, ksize=3, scale=g / 8)
    ty = cv2.Sobel(c.t, cv2.CV_32F, 0, 1, ksize=3, scale=g / 8)
    # where the mask ends the gradient is not the picture's
    solid = cv2.erode(fits.astype(np.float32), np.ones((3, 3), np.uint8))
    wt = solid * (ncc > 0.4) * ncc**3
    parts = [_dot(tx, tx) * wt, _dot(tx, ty) * wt, _dot(ty, ty) * wt, _dot(tx, res) * wt, _dot(ty, res) * wt]
    h, w = c.ok.shape
    nb = max(2, w // block), max(2, h // block)
    a = _block_means(parts, nb).astype(float)
    spot = res[::3, ::3][solid[::3, ::3] > 0]
    noise = float(mad_std(spot.ravel()[:: max(1, spot.size // 6000)])) if spot.size else 1.0
    tensor = np.stack([a[:, 0], a[:, 1], a[:, 1], a[:, 2]], axis=1).reshape(-1, 2, 2)
    values, vectors = np.linalg.eigh(tensor)
    x = (np.arange(nb[0]) + 0.5) * w / nb[0] / g
    y = (np.arange(nb[1]) + 0.5) * h / nb[1] / g
    middles = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    per = w * h / (nb[0] * nb[1])
    out: list[list[Any]] = [[], [], [], []]
    for i in (0, 1):
        v, lam = vectors[:, :, i], values[:, i]
        e = (v * a[:, 3:5]).sum(axis=1) / np.maximum(lam, 1e-12)
        var = (noise**2 + 1e-4) / np.maximum(lam * per, 1e-12) * 4  # neighbouring pixels are not independent
        keep = (lam > 0.08 * values[:, 1]) & (np.sqrt(var) < 1.0 * reach) & (np.abs(e) < 2.5 * reach) & (lam > 1e-9)
        out[0].append(middles[keep])
        out[1].append(v[keep])
        out[2].append(np.clip(e[keep], -reach, reach))
        out[3].append(1.0 / (var[keep] + (0.05 * reach + 0.03) ** 2))
    m, v, e, wgt = (np.concatenate(p) for p in out)
    return m, v, e, wgt


def _stay(art: Artwork, loose_mm: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Weak rows that hold places without structure where they are for this step."""
    fw, fh = art.frame_mm
    xy = np.stack(np.meshgrid(np.linspace(0.05, 0.95, 5) * fw, np.linspace(0.05, 0.95, 5) * fh), -1).reshape(-1, 2)
    both = np.concatenate([xy, xy])
    nrm = np.concatenate([np.tile([1.0, 0.0], (25, 1)), np.tile([0.0, 1.0], (25, 1))])
    return both, nrm, np.zeros(50), np.full(50, loose_mm**-2)


def _with_scale(pose: Pose, art: Artwork) -> Pose:
    fw, fh = art.frame_mm
    return replace(pose, px_per_mm=float(local_px_per_mm(pose, np.array([[fw / 2, fh / 2]]))[0]))


def _align(
    levels: list[_Level],
    trial: _Trial,
    art: Artwork,
    t: _Template,
    *,
    steps: int,
    block: int,
    bend: bool,
    rim_px: Any = None,
) -> tuple[_Trial, _Compared, tuple[Floats, Floats, Floats, Floats]]:
    """Draw a placement towards the picture at one scale; a step that makes it worse is not taken."""
    reach = 2.0 / t.g
    window = max(2.0, 0.75 * block)
    c = _compare(levels, trial, art, t, window)
    trial = replace(trial, score=c.score)
    best, best_c, best_rows = trial, c, _rows(c, t.g, block, reach)
    rows, top = best_rows, c.score
    for k in range(steps):
        m, v, e, wgt = rows
        if len(e) < 10:
            break
        parts = [(m, v, e, wgt), _stay(art, 2.0 * reach)]
        rim = _place_blank(trial.pose, rim_px, art) if rim_px is not None else None
        if rim is not None:
            parts.append(rim.rows)
        mm, nrm, off, weight = (np.concatenate(p) for p in zip(*parts, strict=True))
        slack = (
            None
            if rim is None
            else np.concatenate([np.zeros((len(mm) - len(rim.slack), rim.slack.shape[1])), rim.slack])
        )
        obs = mm_to_px(trial.pose, mm - off[:, None] * nrm)
        try:
            pose = fit_pose(
                trial.pose,
                mm,
                obs,
                nrm,
                art.frame_mm,
                bend=bend,
                weight=weight,
                slack=slack,
                least_sigma=reach * _patience(max(c.ok.shape)),
                stiffness=_STIFF,
                rounds=2,
            )
        except np.linalg.LinAlgError:
            break
        if not _sane(pose, art):
            break
        probe = np.array([[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]]) * art.frame_mm
        moved = float(np.abs(mm_to_px(pose, probe) - mm_to_px(trial.pose, probe)).max()) / trial.pose.px_per_mm
        trial = replace(trial, pose=_with_scale(pose, art))
        # colours learned from a poor fit are learned again
        c = _compare(levels, trial, art, t, window, c.colours if k > 0 and c.score > 0.9 else None)
        trial = replace(trial, score=c.score)
        rows = _rows(c, t.g, block, reach)
        top = max(top, c.score)
        if c.score > top - 0.004:
            best, best_c, best_rows = trial, c, rows
        elif c.score < top - 0.1:
            break
        if moved < 0.04 / t.g:
            break
    return best, best_c, best_rows


def _patience(side: int) -> float:
    """How many pixels off a block may be before it counts as wild, relative: much at coarse scales."""
    return 1.0 if side < 200 else 0.25 if side < 400 else 0.1


def _rim_of(trial: _Trial) -> Any:
    return None if trial.outline is None else trial.outline.rim_px


def _sane(pose: Pose, art: Artwork) -> bool:
    """Whether a pose could be a photo of a flat piece: finite, no fold, no extreme foreshortening."""
    fw, fh = art.frame_mm
    xy = np.array([[0, 0], [fw, 0], [fw, fh], [0, fh], [fw / 2, fh / 2]], dtype=float)
    if not np.isfinite(pose.homography).all() or max(abs(pose.k[0]), abs(pose.k[1])) > 0.25:
        return False
    d = np.column_stack([xy, np.ones(5)]) @ pose.homography[2]
    if not ((d > 0).all() or (d < 0).all()):
        return False
    s = local_px_per_mm(pose, xy)
    return bool(np.isfinite(s).all() and s.max() < 4 * s.min() and s.min() > 0.05)


# ---------------------------------------------------------------------------------------- where to start from


def _pose_of(h: Any, level: _Level, art: Artwork) -> Pose:
    rows, cols = level.pixels.shape[:2]
    cx, cy = (cols - 1) / 2, (rows - 1) / 2
    pose = Pose(
        homography=np.asarray(h, float),
        k=(0.0, 0.0),
        centre_px=(cx, cy),
        radius_px=float(np.hypot(cx, cy)),
        mirrored=False,
        residual_mm=float("nan"),
        px_per_mm=1.0,
        markers_found=0,
        edges_used=0,
    )
    return _with_scale(pose, art)


def _background_distance(enc: Any, region: Any) -> tuple[Any, float]:
    """How far every pixel is from the smooth colour along the rim of a region, and the rim's own spread."""
    h, w = region.shape
    band = max(3, round(0.035 * max(h, w)))
    core = cv2.erode(
        region, np.ones((2 * band + 1, 2 * band + 1), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0
    )
    rim = np.flatnonzero((region > 0) & (core == 0))
    x = (np.arange(w)[None, :] / w * 2 - 1 + np.zeros((h, 1))).ravel()
    y = (np.arange(h)[:, None] / h * 2 - 1 + np.zeros((1, w))).ravel()
    a = np.stack([np.ones(h * w), x, y, x * x, x * y, y * y], axis=1)
    pick = rim[:: max(1, len(rim) // 2500)]
    c, _, _ = robust_least_squares(a[pick], enc.reshape(-1, 3)[pick].astype(float), rounds=6, ridge=1e-6, floor=3e-3)
    d = enc.reshape(-1, 3) - a @ c
    spread = max(float(np.max([mad_std(d[pick][:, i]) for i in range(3)])), 1e-3)
    return np.abs(d).max(axis=1).reshape(h, w).astype(np.float32), spread


def _shape_of(contour: Any, shape: tuple[int, int], to_full: float, art: Artwork) -> _Outline | None:
    """Read a blob as a convex piece: four corners, or an ellipse."""
    hull = cv2.convexHull(contour).reshape(-1, 2).astype(np.float32)
    area = float(cv2.contourArea(hull))
    h, w = shape
    low, high = hull.min(axis=0), hull.max(axis=0)
    edge = 1.5
    on_edge = (hull[:, 0] <= edge) | (hull[:, 1] <= edge) | (hull[:, 0] >= w - 1 - edge) | (hull[:, 1] >= h - 1 - edge)
    cut = bool(on_edge.any()) and float(np.prod(high - low)) > 0
    corners: Any = None
    ellipse: Any = None
    if art.shape == "round":
        if len(hull) < 6:
            return None
        ellipse = cv2.fitEllipse(hull)
        (cx, cy), (d1, d2), angle = ellipse
        if not 0.85 < np.pi * d1 * d2 / 4 / max(area, 1) < 1.18:
            return None
        ellipse = (
            (((cx + 0.5) * to_full) - 0.5, ((cy + 0.5) * to_full) - 0.5),
            (d1 * to_full, d2 * to_full),
            angle,
        )
    else:
        corners = _four_corners(hull, contour.reshape(-1, 2).astype(np.float32))
        if corners is None or not 0.88 < cv2.contourArea(corners) / max(area, 1) < 1.12:
            return None
        corners = (corners.astype(float) + 0.5) * to_full - 0.5
    return _Outline(
        hull=(hull.astype(float) + 0.5) * to_full - 0.5,
        corners=corners,
        ellipse=ellipse,
        share=area / (h * w),
        cut=cut,
    )


def _four_corners(hull: Any, contour: Any) -> Any:
    """Fit four sides to a blob: coarse corners from its hull, then a line through each side's points."""
    length = cv2.arcLength(hull, True)
    quad: Any = None
    for eps in (0.015, 0.025, 0.04, 0.06, 0.09):
        poly = cv2.approxPolyDP(hull, eps * length, True).reshape(-1, 2)
        if len(poly) <= 4:
            quad = poly if len(poly) == 4 else None
            break
    if quad is None:
        quad = cv2.boxPoints(cv2.minAreaRect(hull))
    lines = []
    for i in range(4):
        p, q = quad[i].astype(float), quad[(i + 1) % 4].astype(float)
        d = q - p
        size = float(np.hypot(*d))
        if size < 8:
            return None
        d /= size
        rel = contour - p
        along, off = rel @ d, rel @ np.array([-d[1], d[0]])
        near = (along > 0.08 * size) & (along < 0.92 * size) & (np.abs(off) < 0.03 * size + 2)
        if near.sum() >= 8:
            vx, vy, x0, y0 = cv2.fitLine(contour[near].astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
            lines.append(np.cross([x0, y0, 1.0], [x0 + vx, y0 + vy, 1.0]))
        else:
            lines.append(np.cross([*p, 1.0], [*q, 1.0]))
    out = []
    for i in range(4):
        c = np.cross(lines[i - 1], lines[i])
        if abs(c[2]) < 1e-9:
            return None
        out.append(c[:2] / c[2])
    found = np.array(out, dtype=np.float32)
    return found if cv2.isContourConvex(found) else None


def _outlines(levels: list[_Level], art: Artwork) -> tuple[list[_Outline], bool]:
    """Convex shapes that stand out from what surrounds them; whether several like pieces are in view."""
    level = min(levels, key=lambda lv: abs(max(lv.pixels.shape[:2]) - 500))
    enc = np.ascontiguousarray(level.pixels[..., :3])
    to_full = 1.0 / level.factor
    h, w = enc.shape[:2]
    found: list[_Outline] = []
    several = False
    regions = [np.ones((h, w), np.uint8)]
    for depth in range(2):
        inner: list[Any] = []
        for region in regions:
            d, spread = _background_distance(enc, region)
            for limit in sorted({max(4.5 * spread, 0.03), max(9 * spread, 0.09), max(14 * spread, 0.25)}):
                mask = ((d > limit) & (region > 0)).astype(np.uint8)
                mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
                k = max(3, round(0.012 * max(h, w)) | 1)
                mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((k, k), np.uint8))
                contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
                big = [c for c in contours if len(c) >= 24 and cv2.contourArea(cv2.convexHull(c)) > 0.025 * h * w]
                big.sort(key=cv2.contourArea, reverse=True)
                if depth == 0 and big and cv2.contourArea(big[0]) > 0.2 * h * w:
                    blob = cv2.drawContours(np.zeros((h, w), np.uint8), big[:1], 0, 1, -1)
                    k = 2 * round(0.012 * max(h, w)) + 1
                    blob = cv2.erode(blob, np.ones((k, k), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
                    if not inner:
                        inner.append(blob)
                got = [o for o in (_shape_of(c, (h, w), to_full, art) for c in big[:3]) if o is not None]
                solid = [o for o in got if not o.cut]
                if depth == 0 and len(solid) >= 2 and solid[1].share > 0.75 * solid[0].share:
                    several = True
                for o in got:
                    if not any(_same(o, other) for other in found):
                        found.append(o)
        regions = inner[:2]
    if not any(not o.cut for o in found):
        found += _by_brightness(enc, to_full, art)
    out: list[_Outline] = []
    for o in sorted(found, key=lambda v: -v.share)[:5]:
        r = _refined(levels, o, art) or o
        if not any(_same(r, other) for other in out):
            out.append(r)
    return out, several


def _to_bytes(a: Any) -> Any:
    low, high = float(a.min()), float(a.max())
    return ((a - low) * (255.0 / max(high - low, 1e-6))).astype(np.uint8)


def _by_brightness(enc: Any, to_full: float, art: Artwork) -> list[_Outline]:
    """Find closed convex shapes between light and dark, for pieces on a card that does not fill the frame."""
    grey = _to_bytes(cv2.GaussianBlur(enc.mean(axis=2), (0, 0), 1.0))
    h, w = grey.shape
    level, _ = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    found: list[_Outline] = []
    for limit in (level, 0.7 * level, 0.5 * (level + 255)):
        contours, _ = cv2.findContours((grey > limit).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for c in sorted(contours, key=cv2.contourArea, reverse=True)[:4]:
            hull = float(cv2.contourArea(cv2.convexHull(c)))
            if hull > 0.025 * h * w and cv2.contourArea(c) > 0.9 * hull:
                o = _shape_of(c, (h, w), to_full, art)
                if o is not None and not o.cut and not any(_same(o, other) for other in found):
                    found.append(o)
    return found


def _refined(levels: list[_Level], o: _Outline, art: Artwork) -> _Outline | None:
    """Measure the rim of a candidate and fit it as a whole; None when there is no clear rim all around."""
    pose = _from_corners(o, levels[0], art)[0] if o.corners is not None else _from_ellipse(o, levels[0], art)[0]
    size = max(art.size_mm)
    nominal = _nominal(art)
    residual = float("nan")
    for reach, bend in ((0.04 * size, False), (0.015 * size, True)):
        if not _sane(pose, art):
            return None
        pts, nrm, off, part = _measure_rim(levels, pose, art, lambda mm: _apply(nominal, mm), reach)
        ok = np.isfinite(off)
        if ok.sum() < 70 or len(np.unique(part[ok])) < (4 if art.shape == "rect" else 9):
            return None
        places = _apply(nominal, pts[ok])
        stay = _stay(art, 6.0 if art.shape == "rect" else 1.5)
        mm, n, e, w = (
            np.concatenate(p) for p in zip((places, nrm[ok], -off[ok], np.full(int(ok.sum()), 4.0)), stay, strict=True)
        )
        obs = mm_to_px(pose, mm - e[:, None] * n)
        try:
            pose = _with_scale(
                fit_pose(pose, mm, obs, n, art.frame_mm, bend=bend, weight=w, stiffness=_STIFF, rounds=4), art
            )
        except np.linalg.LinAlgError:
            return None
    if not _sane(pose, art):
        return None
    pts, nrm, off, _ = _measure_rim(levels, pose, art, lambda mm: _apply(nominal, mm), 1.2)
    ok = np.isfinite(off)
    residual = float(np.sqrt(np.mean(np.clip(off[ok], -1, 1) ** 2))) if ok.sum() >= 90 else 1.0
    if residual > 0.3:
        return None
    hull = mm_to_px(pose, _apply(nominal, _rim_hull(art)))
    rim = mm_to_px(pose, _apply(nominal, pts[ok] + off[ok, None] * nrm[ok]))
    return replace(o, pose=pose, hull=hull, residual=residual, rim_px=rim)


def _rim_hull(art: Artwork) -> Floats:
    """Return the nominal rim as a closed polygon in piece mm."""
    w, h = art.size_mm
    if art.shape == "round":
        return _rim_points(art, 120)[0]
    t = np.linspace(0, 1, 12, endpoint=False)[:, None]
    c = np.array([[0, 0], [w, 0], [w, h], [0, h], [0, 0]], dtype=float)
    return np.concatenate([a + t * (b - a) for a, b in itertools.pairwise(c)])


def _same(a: _Outline, b: _Outline) -> bool:
    size = np.ptp(a.hull, axis=0).max()
    return bool(
        np.abs(a.hull.min(axis=0) - b.hull.min(axis=0)).max() < 0.03 * size
        and np.abs(a.hull.max(axis=0) - b.hull.max(axis=0)).max() < 0.03 * size
    )


def _from_corners(o: _Outline, level: _Level, art: Artwork) -> list[Pose]:
    """Four rotations of a rectangle, each seen straight and mirrored."""
    w, h = art.size_mm
    b = art.bleed_mm
    rect = np.array([[b, b], [b + w, b], [b + w, b + h], [b, b + h]], dtype=np.float32)
    out = []
    assert o.corners is not None
    for flip in (False, True):
        for turn in range(4):
            if o.pose is None:
                corners = o.corners[::-1] if flip else o.corners
                m = cv2.getPerspectiveTransform(rect, np.roll(corners, turn, axis=0).astype(np.float32))
                out.append(_pose_of(m, level, art))
            else:
                onto = np.roll(rect[::-1] if flip else rect, turn, axis=0)
                m = o.pose.homography @ cv2.getPerspectiveTransform(rect, np.ascontiguousarray(onto))
                out.append(_with_scale(replace(o.pose, homography=m), art))
    return out


def _circle_views(ellipse: Any, level: _Level, focal_share: float) -> list[Any]:
    """Homographies from the unit circle to an ellipse as such a focal length sees it (two tilts).

    The plane's normal follows from the eigenvectors of the cone over the ellipse (closed form; e.g. Forsyth
    et al., IEEE TPAMI 13(10), 971–991, 1991).
    """
    (cx, cy), (d1, d2), angle = ellipse
    rows, cols = level.pixels.shape[:2]
    f = focal_share * float(np.hypot(rows, cols))
    t = np.deg2rad(angle)
    rot = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    q = rot @ np.diag([(d1 / 2 / f) ** -2.0, (d2 / 2 / f) ** -2.0]) @ rot.T
    c = np.array([cx - (cols - 1) / 2, cy - (rows - 1) / 2]) / f
    cone = np.zeros((3, 3))
    cone[:2, :2], cone[:2, 2], cone[2, :2], cone[2, 2] = q, -q @ c, -q @ c, c @ q @ c - 1
    values, vectors = np.linalg.eigh(cone)  # ascending: one negative, two positive
    l3, l2, l1 = values
    k = np.array([[f, 0, (cols - 1) / 2], [0, f, (rows - 1) / 2], [0, 0, 1]])
    out = []
    for sign in (1.0, -1.0):
        n = (
            sign * np.sqrt(max(l1 - l2, 0) / (l1 - l3)) * vectors[:, 2]
            + np.sqrt(max(l2 - l3, 0) / (l1 - l3)) * vectors[:, 0]
        )
        n = n if n[2] > 0 else -n
        x = np.array([1.0, 0, 0]) - n[0] * n
        x /= np.linalg.norm(x)
        r = np.stack([x, np.cross(n, x), n], axis=1)
        turned = r.T @ cone @ r
        turned = turned / turned[0, 0]
        mx, my = -turned[0, 2], -turned[1, 2]
        radius = np.sqrt(max(mx * mx + my * my - turned[2, 2], 1e-12))
        out.append(k @ r @ np.array([[radius, 0, mx], [0, radius, my], [0, 0, 1.0]]))
    return out


def _from_ellipse(o: _Outline, level: _Level, art: Artwork) -> list[Pose]:
    """Placements of a round piece in some rotation, for both tilts that show such an ellipse."""
    w, h = art.size_mm
    b = art.bleed_mm
    unit = np.array([[2 / w, 0, -(b + w / 2) * 2 / w], [0, 2 / h, -(b + h / 2) * 2 / h], [0, 0, 1.0]])
    (cx, cy), (d1, d2), angle = o.ellipse
    if abs(w - h) > 0.02 * max(w, h):  # an oval blank: its axes tell the rotation
        t = np.deg2rad(angle + (90 if (d2 > d1) == (w > h) else 0))
        along, across = (max(d1, d2), min(d1, d2)) if w > h else (min(d1, d2), max(d1, d2))
        a = np.array(
            [
                [np.cos(t) * along / 2, -np.sin(t) * across / 2, cx],
                [np.sin(t) * along / 2, np.cos(t) * across / 2, cy],
                [0, 0, 1.0],
            ]
        )
        return [
            _pose_of(a @ np.diag([fx, fy, 1.0]) @ unit, level, art) for fx, fy in ((1, 1), (-1, -1), (-1, 1), (1, -1))
        ]
    views = _circle_views(o.ellipse, level, 0.72)
    if min(d1, d2) / max(d1, d2) > 0.985:  # seen square on: the two tilts are one
        views = views[:1]
    return [_pose_of(view @ unit, level, art) for view in views]


def _round_trials(levels: list[_Level], o: _Outline, art: Artwork) -> list[_Trial]:
    """Placements of a round piece in the rotations that look right."""
    poses = [p for p in _from_ellipse(o, levels[0], art) if _sane(p, art)]
    if o.pose is not None:
        poses = [*poses[1:], o.pose] if len(poses) == 1 else [*poses, o.pose]
    trials = [_Trial(pose=p, outline=o, score=0.0) for p in poses]
    if not art.bleed_known:
        trials += [replace(t, pose=_scaled_up(t.pose, art, b)) for t in trials for b in (5.0, 10.0)]
    if abs(art.size_mm[0] - art.size_mm[1]) > 0.02 * max(art.size_mm):
        scores = _quick_scores(levels, [t.pose for t in trials], art)
        return [replace(t, score=float(s)) for t, s in zip(trials, scores, strict=True)]
    return [r for t in trials for r in _rotations(levels, t, art, 6)]


def _turned(pose: Pose, art: Artwork, angle: float, flip: bool) -> Pose:
    """Turn the picture about the piece's middle (radians), mirrored before if told so."""
    fw, fh = art.frame_mm
    c = np.array([[1, 0, fw / 2], [0, 1, fh / 2], [0, 0, 1.0]])
    r = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    m = c @ r @ np.diag([-1.0 if flip else 1.0, 1, 1]) @ np.linalg.inv(c)
    return _with_scale(replace(pose, homography=pose.homography @ m), art)


def _rotations(levels: list[_Level], trial: _Trial, art: Artwork, most: int) -> list[_Trial]:
    """Rotations of a round piece, straight and mirrored, in which photo and artwork agree around the middle.

    Both are unrolled into polar coordinates and compared at all angles at once (circular correlation).
    """
    t = _template(art, 176, 0.6)
    w, ok = _warp(levels, trial.pose, art, t, trial.outline)
    grey = [w.mean(axis=2), np.log((t.terms[..., 1:4].mean(axis=2) + 1) / 2 + 0.08)]
    h, wd = ok.shape
    turns, rings = 512, 56
    a = 2 * np.pi * np.arange(turns) / turns
    r = (np.arange(rings) + 0.5) / rings * 0.95
    x = (wd / 2 - 0.5 + r[:, None] * art.size_mm[0] / 2 * t.g * np.cos(a)).astype(np.float32)
    y = (h / 2 - 0.5 + r[:, None] * art.size_mm[1] / 2 * t.g * np.sin(a)).astype(np.float32)
    polar = []
    for tone in grey:
        g = (tone - _smooth(tone, 12.0)).astype(np.float32)
        p = cv2.remap(g, x, y, cv2.INTER_LINEAR) * np.sqrt(r)[:, None]
        p = np.clip(p, -3 * p.std(), 3 * p.std())
        p -= p.mean(axis=1, keepdims=True)
        polar.append(np.fft.rfft(p, axis=1))
    size = float(np.sqrt(np.prod([np.sum(np.abs(p[:, 1:]) ** 2) for p in polar]))) * 2 / turns + 1e-9
    found = []
    for flip in (False, True):
        # mirrored: x → −x, that is angle → π − angle
        art_side = np.conj(polar[1]) * np.exp(-1j * np.pi * np.arange(polar[1].shape[1])) if flip else polar[1]
        c = np.fft.irfft((polar[0] * np.conj(art_side)).sum(axis=0), turns) / size
        peak = (c >= np.roll(c, 1)) & (c > np.roll(c, -1))
        found += [(float(c[i]), a[i], flip) for i in np.flatnonzero(peak)]
    found.sort(key=lambda v: -v[0])
    found = [v for v in found if v[0] > 0.6 * found[0][0]]
    return [replace(trial, pose=_turned(trial.pose, art, angle, flip), score=c) for c, angle, flip in found[:most]]


def _alternatives(levels: list[_Level], trial: _Trial, art: Artwork, t: _Template) -> list[_Trial]:
    """List the same place with the picture turned or mirrored, best first."""
    if art.shape == "round" and abs(art.size_mm[0] - art.size_mm[1]) < 0.02 * max(art.size_mm):
        others = _rotations(levels, trial, art, 26)
    else:
        square = abs(np.log(art.size_mm[0] / art.size_mm[1])) < 0.12
        others = [
            replace(trial, pose=_turned(trial.pose, art, k * np.pi / 2, flip))
            for flip in (False, True)
            for k in ((0, 1, 2, 3) if square else (0, 2))
            if flip or k
        ]
    seen = _compare(levels, trial, art, t, 8.0).colours
    others = [replace(o, score=_compare(levels, o, art, t, 8.0, seen).score) for o in others if _sane(o.pose, art)]
    return sorted(others, key=lambda v: -v.score)


def _quick_scores(levels: list[_Level], poses: list[Pose], art: Artwork) -> Floats:
    """Share of the blurred photo's variance that the blurred artwork explains, for many placements."""
    t = _template(art, 44, 1.0)
    w = np.flatnonzero(t.inside)
    nuisance = np.column_stack([np.ones(len(w)), t.place.reshape(-1, 5)[w]])
    q0, _ = np.linalg.qr(nuisance)
    v = t.terms.reshape(-1, 10)[w][:, [1, 2, 3, 4, 5, 6]].astype(float)
    v = v - q0 @ (q0.T @ v)
    u, s, _ = np.linalg.svd(v, full_matrices=False)
    q1 = u[:, s > max(0.02 * s[0], 1e-3)]
    fw, fh = art.frame_mm
    x = (t.place[..., 0].ravel()[w] + 1) / 2 * fw
    y = (t.place[..., 1].ravel()[w] + 1) / 2 * fh
    xy1 = np.stack([x, y, np.ones(len(w))]).astype(float)
    level = next((lv for lv in reversed(levels) if poses[0].px_per_mm * lv.factor >= 0.9 * t.g), levels[0])
    soft = cv2.GaussianBlur(level.pixels, (0, 0), 1.0)
    scores = np.zeros(len(poses))
    for i, pose in enumerate(poses):
        p = pose.homography @ xy1
        px = ((p[:2] / p[2]) + 0.5) * level.factor - 0.5
        got = (
            cv2.remap(
                soft,
                px[0].astype(np.float32),
                px[1].astype(np.float32),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            .reshape(-1, 4)[:, :3]
            .astype(float)
        )
        got = got - q0 @ (q0.T @ got)
        scores[i] = float((np.square(q1.T @ got)).sum() / max(float(np.square(got).sum()), 1e-9))
    return scores


def _by_features(levels: list[_Level], art: Artwork) -> list[Pose]:
    """Placements from matching features, straight and mirrored; the best-supported first."""
    level = min(levels, key=lambda lv: abs(max(lv.pixels.shape[:2]) - 1000))
    grey = level.pixels[..., :3].mean(axis=2)
    low, high = np.percentile(grey[::4, ::4], [0.5, 99.5])
    photo = np.clip((grey - low) / max(float(high - low), 0.1) * 255, 0, 255).astype(np.uint8)
    f = min(1.0, 520.0 / max(art.rgb.shape[:2]))
    small = cv2.resize(art.rgb, None, fx=f, fy=f, interpolation=cv2.INTER_AREA)
    fx, fy = small.shape[1] / art.rgb.shape[1], small.shape[0] / art.rgb.shape[0]
    tone = cv2.log(small.astype(np.float32).mean(axis=2) / 255 + 0.15)
    drawn = _to_bytes(tone)
    sift = getattr(cv2, "SIFT_create")(  # noqa: B009  (missing from OpenCV's type stubs)
        nfeatures=2500, contrastThreshold=0.02
    )
    key_p, des_p = sift.detectAndCompute(photo, None)
    out: list[tuple[int, Pose]] = []
    if des_p is None or len(key_p) < 8:
        return []
    at_p = np.array([k.pt for k in key_p])
    matcher = cv2.BFMatcher(cv2.NORM_L2)
    for flip in (False, True):
        view = np.ascontiguousarray(drawn[:, ::-1]) if flip else drawn
        key_a, des_a = sift.detectAndCompute(view, None)
        if des_a is None or len(key_a) < 8:
            continue
        at_a = np.array([k.pt for k in key_a])
        if flip:
            at_a[:, 0] = drawn.shape[1] - 1 - at_a[:, 0]
        pairs = [p for p in matcher.knnMatch(des_a, des_p, k=2) if len(p) == 2 and p[0].distance < 0.82 * p[1].distance]
        if len(pairs) < 8:
            continue
        a = (at_a[[p[0].queryIdx for p in pairs]] + 0.5) / ([fx * art.px_per_mm, fy * art.px_per_mm])
        b = (at_p[[p[0].trainIdx for p in pairs]] + 0.5) / level.factor - 0.5
        cv2.setRNGSeed(7)
        m, inlier = cv2.findHomography(a, b, cv2.RANSAC, 5.0 / level.factor, maxIters=3000, confidence=0.999)
        if m is None or int(inlier.sum()) < 8:
            continue
        pose = _pose_of(m, levels[0], art)
        if _sane(pose, art):
            out.append((int(inlier.sum()), pose))
    return [p for _, p in sorted(out, key=lambda v: -v[0])]


# ------------------------------------------------------------------------------------------------ the outline


def _rim_points(art: Artwork, count: int) -> tuple[Floats, Floats, Any]:
    """Places on the nominal rim in piece mm (n, 2), outward normals (n, 2), their stretch (n,)."""
    w, h = art.size_mm
    if art.shape == "round":
        a = 2 * np.pi * (np.arange(count) + 0.5) / count
        pts = np.stack([w / 2 + w / 2 * np.cos(a), h / 2 + h / 2 * np.sin(a)], axis=1)
        nrm = np.stack([np.cos(a) / w, np.sin(a) / h], axis=1)
        return pts, nrm / np.linalg.norm(nrm, axis=1, keepdims=True), (np.arange(count) * 12 // count)
    n = count // 4
    s = 0.03 + 0.94 * (np.arange(n) + 0.5) / n
    o, i = np.zeros(n), np.ones(n)
    pts = np.concatenate([np.stack(p, 1) for p in ((s * w, o), (w * i, s * h), (s * w, h * i), (o, s * h))])
    nrm = np.repeat(np.array([[0, -1.0], [1, 0], [0, 1], [-1, 0]]), n, axis=0)
    return pts, nrm, np.repeat(np.arange(4), n)


def _outermost_line(d: Any, step: float, most: float) -> tuple[float, float, float] | None:
    """Outermost straight edge that a stretch of the rim shares: index at its middle, slope in mm, strength.

    ``d`` (rows, n) is the strength of edges from inside to outside; the line may change by ``most`` mm
    from the stretch's one end to the other.
    """
    rows, n = d.shape
    across = np.linspace(-0.5, 0.5, rows)
    slopes = np.arange(-most, most + 1e-9, max(2 * step, 0.5))
    table = np.zeros((len(slopes), n))
    cap = np.minimum(d, 3.0 * np.median(d.max(axis=1)))
    for k, slope in enumerate(slopes):
        at = np.arange(n)[None, :] + np.round(slope * across / step).astype(int)[:, None]
        inside = (at >= 0) & (at < n)
        got = np.take_along_axis(cap, np.clip(at, 0, n - 1), axis=1) * inside
        table[k] = np.where(inside.mean(axis=0) > 0.8, got.sum(axis=0) / np.maximum(inside.sum(axis=0), 1), 0.0)
    best = table.max(axis=0)
    ground = float(np.median(best))
    top = float(best.max())
    if top < max(0.004, 2.5 * ground):
        return None
    near = max(2, round(0.9 / step))
    padded = np.pad(best, near)
    local = np.lib.stride_tricks.sliding_window_view(padded, 2 * near + 1).max(axis=1)
    peaks = np.flatnonzero((best >= local) & (best > max(0.15 * top, 0.004, 2.5 * ground)))
    peaks = peaks[(peaks > 0) & (peaks < n - 1)]
    if not len(peaks):
        return None
    i = int(peaks.max())
    k = int(np.argmax(table[:, i]))
    return float(i), float(slopes[k]), float(table[k, i])


def _measure_rim(
    levels: list[_Level], pose: Pose, art: Artwork, to_frame: Any, reach: float
) -> tuple[Floats, Floats, Floats, Any]:
    """Where the rim is along its normal, in mm of the nominal piece; NaN where it is not seen.

    Of the edges within reach the outermost clear one counts that a whole side shares: inside lies the picture
    with edges of its own, outside the card.
    """
    pts, nrm, part = _rim_points(art, 160)
    level = next((lv for lv in reversed(levels) if pose.px_per_mm * lv.factor >= 2.5), levels[0])
    step = max(0.12, 0.5 / (pose.px_per_mm * level.factor))
    n = 2 * int(np.ceil((reach + 1.3) / step)) + 1
    s = (np.arange(n) - n // 2) * step
    tangent = np.stack([-nrm[:, 1], nrm[:, 0]], axis=1)
    along = np.linspace(-0.008, 0.008, 5) * max(art.size_mm)
    mm = pts[:, None, None, :] + s[None, :, None, None] * nrm[:, None, None, :]
    mm = mm + along[None, None, :, None] * tangent[:, None, None, :]
    px = mm_to_px(scaled(pose, level.factor), to_frame(mm.reshape(-1, 2))).astype(np.float32)
    maps = px.reshape(len(pts), n * 5, 2)
    got = cv2.remap(
        level.pixels,
        np.ascontiguousarray(maps[..., 0]),
        np.ascontiguousarray(maps[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 4,
    )
    profile = got.reshape(len(pts), n, 5, 4)[..., :3].mean(axis=2)
    width = max(1, round(max(0.3, 0.9 / (pose.px_per_mm * level.factor)) / step))
    edge = np.full((len(pts), n), np.nan)
    m = 3 * width  # a soft slope (a shadow) rises three times as much over three times the width: not an edge
    if n < 2 * m + 5:
        return pts, nrm, np.full(len(pts), np.nan), part
    short = np.sqrt(np.square(profile[:, 2 * width :] - profile[:, : -2 * width]) @ np.ones(3))
    wide = np.sqrt(np.square(profile[:, 2 * m :] - profile[:, : -2 * m]) @ np.ones(3))
    edge[:, m:-m] = np.maximum(short[:, m - width : short.shape[1] - (m - width)] - 0.45 * wide, 0)
    d = edge
    offset = np.full(len(pts), np.nan)
    for k in np.unique(part):
        rows = np.flatnonzero(part == k)
        good = np.isfinite(d[rows, m : n - m]).all(axis=1)
        if good.sum() < 3:
            continue
        line = _outermost_line(d[rows[good], m : n - m], step, min(reach, 5.0))
        if line is None:
            continue
        across = np.linspace(-0.5, 0.5, len(rows))[good]
        half = max(2, round(0.9 / step))
        for r, t in zip(rows[good], across, strict=True):
            at = m + round(line[0] + line[1] * t / step)
            a, b = max(m, at - half), min(n - m, at + half + 1)
            if b - a < 3:
                continue
            i = a + int(np.argmax(d[r, a:b]))
            if d[r, i] < 0.4 * line[2] or not m < i < n - m - 1:
                continue
            y0, y1, y2 = d[r, i - 1], d[r, i], d[r, i + 1]
            bow = y0 - 2 * y1 + y2
            shift = 0.5 * (y0 - y2) / bow if np.isfinite(bow) and bow < 0 else 0.0
            offset[r] = s[i] + float(np.clip(shift, -0.5, 0.5)) * step
    return pts, nrm, offset, part


def _keeps_proportions(art: Artwork) -> bool:
    """Whether one scale places the picture: the file's proportions are those of its frame."""
    fw, fh = art.frame_mm
    return abs(art.file_size_px[0] / art.file_size_px[1] / (fw / fh) - 1) < 0.003


def _fit_placing(pts: Floats, seen: Floats, nrm: Floats, art: Artwork) -> tuple[Floats, Floats, Floats]:
    """Affine map piece mm → frame mm (2, 3), with one or two scales, from rim places seen in the frame.

    ``seen`` (n, 2) are frame mm of the nominal rim places ``pts``; only the part along the normal counts.
    Returns the map, the residuals (n,) and the columns (n, k) of its unknowns.
    """
    w, h = art.size_mm
    c = np.array([w / 2, h / 2])
    d = (pts - c) / max(w, h)
    nx, ny = nrm.T
    both = [d[:, 0] * nx, d[:, 1] * ny]
    even = _keeps_proportions(art)
    a = np.stack([nx, ny, -d[:, 1] * nx + d[:, 0] * ny, *([both[0] + both[1]] if even else both)], axis=1)
    b = ((seen - art.bleed_mm - pts) * nrm).sum(axis=1)
    weights = np.ones(len(b))
    x = np.zeros(a.shape[1])
    for _ in range(6):
        x = np.linalg.lstsq(a * weights[:, None], b * weights, rcond=1e-9)[0]
        r = b - a @ x
        weights = np.sqrt(tukey_weights(r, max(1.4826 * float(np.median(np.abs(r))), 0.05)))
    size = max(w, h)
    lin = np.array([[1 + x[3] / size, -x[2] / size], [x[2] / size, 1 + x[-1] / size]])
    shift = c + x[:2] - lin @ c + art.bleed_mm
    return np.column_stack([lin, shift]), np.asarray(b - a @ x), a


def _apply(affine: Floats, xy: Floats) -> Floats:
    return np.asarray(xy @ affine[:, :2].T + affine[:, 2])


def _inverse(affine: Floats) -> Floats:
    m = np.linalg.inv(np.vstack([affine, [0, 0, 1.0]]))
    return np.asarray(m[:2])


def _px_to_mm(pose: Pose, px: Floats) -> Floats:
    """Undo `mm_to_px` (fixed-point iteration on the radius)."""
    c = np.array(pose.centre_px)
    bent = (px - c) / pose.radius_px
    flat = bent.copy()
    for _ in range(12):
        r2 = np.square(flat).sum(axis=1, keepdims=True)
        flat = bent / (1 + pose.k[0] * r2 + pose.k[1] * r2 * r2)
    uv = flat * pose.radius_px + c
    q = np.column_stack([uv, np.ones(len(uv))]) @ np.linalg.inv(pose.homography).T
    return np.asarray(q[:, :2] / q[:, 2:])


@dataclass(frozen=True, slots=True, eq=False)
class _Rim:
    """The blank placed under the picture.

    Piece mm → frame mm (2, 3), rows for the pose fit, residual in mm, the measured rim in frame mm (n, 2).
    """

    to_frame: Floats
    rows: tuple[Floats, Floats, Floats, Floats]
    slack: Floats
    residual: float
    seen: Floats


def _place_blank(pose: Pose, rim_px: Floats, art: Artwork) -> _Rim | None:
    """Lay the nominal blank onto the measured rim; what does not fit is the pose's error."""
    q = _px_to_mm(pose, rim_px)
    w, h = art.size_mm
    low, high = np.percentile(q, [1, 99], axis=0)
    size = high - low
    if not (np.isfinite(size).all() and (size > 0.5 * np.array([w, h])).all()):
        return None
    u = (q - (low + high) / 2) / (size / 2)
    if art.shape == "round":
        a = np.arctan2(u[:, 1], u[:, 0])
        pts = np.stack([w / 2 + w / 2 * np.cos(a), h / 2 + h / 2 * np.sin(a)], axis=1)
        nrm = np.stack([np.cos(a) / w, np.sin(a) / h], axis=1)
        nrm /= np.linalg.norm(nrm, axis=1, keepdims=True)
    else:
        upright = np.abs(u[:, 0]) > np.abs(u[:, 1])
        pts = np.clip(u, -1, 1) * [w / 2, h / 2] + [w / 2, h / 2]
        pts[upright, 0] = np.where(u[upright, 0] > 0, w, 0)
        pts[~upright, 1] = np.where(u[~upright, 1] > 0, h, 0)
        nrm = (
            np.where(upright[:, None], [1.0, 0.0], [0.0, 1.0])
            * np.where(upright, np.sign(u[:, 0]), np.sign(u[:, 1]))[:, None]
        )
    to_frame, res, slack = _fit_placing(pts, q, nrm, art)
    rms = float(np.sqrt(np.mean(np.clip(res, -2, 2) ** 2)))
    rows = (_apply(to_frame, pts), nrm, -res, np.full(len(res), 1.0 / (0.08**2 + 2 * rms**2)))
    return _Rim(to_frame=to_frame, rows=rows, slack=slack, residual=rms, seen=q)


def _find_rim(levels: list[_Level], trial: _Trial, art: Artwork, reach: float) -> Any:
    """Places of the rim in pixels around a picture already placed, or None when it is not seen all around."""
    to_frame = _nominal(art)
    found: Any = None
    for r in (reach, min(reach, 2.0)):
        affine = to_frame
        pts, nrm, offset, part = _measure_rim(levels, trial.pose, art, lambda mm, a=affine: _apply(a, mm), r)
        ok = np.isfinite(offset)
        if ok.sum() < 90 or len(np.unique(part[ok])) < (4 if art.shape == "rect" else 9):
            return None
        seen = _apply(affine, pts[ok] + offset[ok, None] * nrm[ok])
        to_frame, res, _ = _fit_placing(pts[ok], seen, nrm[ok], art)
        near = np.abs(res) < 1.0
        if near.sum() < 80:
            return None
        found = mm_to_px(trial.pose, seen[near])
    return found


# ----------------------------------------------------------------------------------------------- the decision


def _structure(c: _Compared, g: float) -> tuple[float, float, int]:
    """Shares of structure that agree and that contradict each other, number of blocks with structure."""
    side = max(4, round(6.0 * g))
    h, w = c.ok.shape
    nb = max(3, w // side), max(3, h // side)

    def mean(a: Any) -> Any:
        return cv2.resize(np.ascontiguousarray(a), nb, interpolation=cv2.INTER_AREA).ravel()

    share = mean(c.ok)
    tt, ww, wt = (mean(a) / np.maximum(share, 0.1) for a in (c.tt, c.ww, c.wt))
    full = share > 0.6
    quiet = float(np.percentile(ww[full], 15)) if full.any() else 0.0
    floor = max(2.5 * quiet, 0.02**2)
    busy = full & ((ww > floor) | (tt > floor))
    if not busy.any():
        return 0.0, 0.0, 0
    ncc = wt / np.sqrt(np.maximum(tt * ww, 1e-12))
    left = np.maximum(ww - np.square(np.maximum(wt, 0)) / np.maximum(tt, 1e-9), 0)
    strength = np.sqrt(ww)
    # only what stands out counts as foreign: noise and weak texture never match well
    clear = max(floor, (0.3 * float(np.sqrt(np.percentile(ww[busy], 95)))) ** 2)
    shows = full & (ww > clear)
    foreign = shows & (ncc < 0.5) & (left > 0.5 * clear)
    weight = np.sqrt(np.maximum(ww, tt))
    agree = float((weight * (ncc > 0.6))[busy].sum() / weight[busy].sum())
    # another picture shows what the artwork lacks and lacks what it shows; glare or a bare spot do one of it
    asked = full & (tt > clear)
    missing = asked & (wt < 0.35 * tt)
    # single blocks fail by chance, several next to each other do not
    bad = (foreign | missing).reshape(nb[1], nb[0]).astype(np.float32)
    company = cv2.boxFilter(bad, -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT).ravel() > 3.5
    drawn = np.sqrt(np.maximum(tt, 0))
    strange = min(
        float(strength[foreign & company].sum() / max(float(strength[shows].sum()), 1e-9)),
        float(drawn[missing & company].sum() / max(float(drawn[asked].sum()), 1e-9)),
    )
    return agree, strange, int(busy.sum())


def _best_start(levels: list[_Level], trials: list[_Trial], art: Artwork, keep: tuple[int, int]) -> list[_Trial]:
    """Draw the most promising placements in, coarse to middling, and rank them."""
    first, second = _template(art, 64, 0.8), _template(art, 128, 0.7)
    got = []
    for trial in trials[: keep[0]]:
        if trial.outline is None:  # features and earlier photos place finely enough
            got.append(trial)
            continue
        t, _, _ = _align(levels, trial, art, first, steps=3, block=8, bend=False, rim_px=_rim_of(trial))
        got.append(t)
    got = _distinct(sorted(got, key=lambda v: -v.score), art)
    out = []
    for trial in got[: keep[1]]:
        t, _, _ = _align(levels, trial, art, second, steps=3, block=10, bend=False, rim_px=_rim_of(trial))
        out.append(t)
    out = _distinct(sorted(out, key=lambda v: -v.score), art)
    if out:
        for trial in _distinct([out[0], *_alternatives(levels, out[0], art, second)], art)[1:3]:
            if trial.score > 0.3 * out[0].score:
                t, _, _ = _align(levels, trial, art, second, steps=3, block=10, bend=False, rim_px=_rim_of(trial))
                out.append(t)
    return _distinct(sorted(out, key=lambda v: -v.score), art)


def _distinct(trials: list[_Trial], art: Artwork) -> list[_Trial]:
    """Leave out placements that are the same as a better one."""
    fw, fh = art.frame_mm
    probe = np.array([[0.2 * fw, 0.2 * fh], [0.8 * fw, 0.2 * fh], [0.5 * fw, 0.85 * fh]])
    kept: list[_Trial] = []
    seen: list[tuple[Floats, Any]] = []
    for t in trials:
        at = mm_to_px(t.pose, probe)
        near = 0.02 * t.pose.px_per_mm * max(fw, fh)
        if all(o is not t.outline or float(np.abs(at - other).max()) > near for other, o in seen):
            kept.append(t)
            seen.append((at, t.outline))
    return kept


def _scaled_up(pose: Pose, art: Artwork, extra_mm: float) -> Pose:
    """Return the placement if the picture had been printed ``extra_mm`` larger on every side."""
    w, h = art.size_mm
    fw, fh = art.frame_mm
    sx, sy = (w + 2 * extra_mm) / w, (h + 2 * extra_mm) / h
    m = np.array([[sx, 0, (1 - sx) * fw / 2], [0, sy, (1 - sy) * fh / 2], [0, 0, 1.0]])
    return _with_scale(replace(pose, homography=pose.homography @ m), art)


def _start(levels: list[_Level], art: Artwork, outlines: list[_Outline], hints: Iterable[Pose]) -> list[_Trial]:
    """Placements from earlier photos and from outlines, best first."""
    trials = [_Trial(pose=p, outline=None, score=1.0) for p in hints]
    for o in outlines:
        if o.ellipse is not None:
            trials += _round_trials(levels, o, art)
            continue
        poses = [p for p in _from_corners(o, levels[0], art) if _sane(p, art)]
        if not poses:
            continue
        if not art.bleed_known:
            order = np.argsort(-_quick_scores(levels, poses, art))[:10]
            poses += [_scaled_up(poses[i], art, b) for i in order for b in (5.0, 10.0)]
        scores = _quick_scores(levels, poses, art)
        trials += [_Trial(pose=p, outline=o, score=float(s)) for p, s in zip(poses, scores, strict=True)]
    return sorted(trials, key=lambda t: -t.score)


def _nominal(art: Artwork) -> Floats:
    return np.array([[1, 0, art.bleed_mm], [0, 1, art.bleed_mm]], dtype=float)


def register(image: LinearImage, artwork: Artwork, *, hints: tuple[Pose, ...] = ()) -> Registered:
    """Find the pressed piece in a photo and fix where every millimetre of it lies.

    Parameters
    ----------
    image : LinearImage
    artwork : Artwork
    hints : tuple of Pose
        Piece mm → pixels of this image as taken, for instance from a photo with the same set-up; tried first.

    Returns
    -------
    Registered

    Raises
    ------
    TargetError
        The photo does not show this artwork, or no piece can be made out.
    PhotoError
        The piece is cut off by the frame, or several lie in view.
    DataError
        The piece in the photo has other proportions than its stated size.
    """
    art = artwork
    levels, factor = _levels(image)
    outlines, several = _outlines(levels, art)
    to_piece = np.vstack([_inverse(_nominal(art)), [0, 0, 1.0]])
    given = [
        _with_scale(replace(scaled(p, factor), homography=scaled(p, factor).homography @ to_piece), art) for p in hints
    ]
    middle = _template(art, 280, 0.6)
    keep = (8, 4) if art.shape == "round" else (6, 3)
    final: list[_Fit] = []

    def finish(trials: list[_Trial]) -> None:
        ready = _best_start(levels, trials, art, keep)
        clear = len(ready) > 1 and ready[0].score > 0.85 and ready[1].score < ready[0].score - 0.3
        for trial in ready[: 1 if clear else 3]:
            t, c, _ = _align(levels, trial, art, middle, steps=4, block=18, bend=True, rim_px=_rim_of(trial))
            agree, strange, busy = _structure(c, middle.g)
            final.append(_Fit(trial=t, agree=agree, foreign=strange, busy=busy, contrast=_contrast(c)))
        final.sort(key=lambda v: -v.trial.score)

    finish(_start(levels, art, outlines, given))
    if not final or final[0].agree < 0.8 or final[0].trial.score < 0.7:
        finish([_Trial(pose=p, outline=None, score=1.0) for p in _by_features(levels, art)])
    plain = _plainness(art)
    found = bool(final) and _belongs(final[0])
    if found and not (plain and final[0].trial.score < 0.8):
        result = _by_content(image, art, levels, factor, final)
    elif plain and any(o.pose is not None for o in outlines):
        result = _by_outline(image, art, levels, factor, outlines, final)
    elif any(o.cut for o in outlines) and not any(not o.cut for o in outlines):
        raise _cut_off(image)
    elif not final and not outlines:
        raise TargetError(
            f"no piece can be made out in {image.source}",
            "lay it on plain white card, whole in the frame, evenly lit",
        )
    else:
        _check_proportions(image, art, levels, outlines)
        raise TargetError(
            f"{image.source} does not show this artwork ({art.source})",
            "give the picture that was printed, as its owner sees it, and its size",
        )
    rim = mm_to_px(result.pose, _rim_hull(art))
    tall, wide = result.image.rgb.shape[:2]
    reach = 1.0 * result.pose.px_per_mm
    outside = (
        (rim[:, 0] < -reach) | (rim[:, 1] < -reach) | (rim[:, 0] > wide - 1 + reach) | (rim[:, 1] > tall - 1 + reach)
    )
    if outside.mean() > 0.02:
        raise _cut_off(image)
    if several:
        raise PhotoError(f"{image.source} shows several pieces", "photograph one piece at a time")
    return result


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """An aligned placement and how well photo and artwork agree there."""

    trial: _Trial
    agree: float
    foreign: float
    busy: int
    contrast: float  # of the photo's fine structure, log units


def _contrast(c: _Compared) -> float:
    return float(np.sqrt(cv2.sumElems(c.ww)[0] / max(3 * cv2.sumElems(c.ok)[0], 1.0)))


def _plainness(art: Artwork) -> bool:
    """Whether the artwork has too little structure to be recognised by it."""
    t = _template(art, 128, 0.7)
    v = np.ascontiguousarray(t.terms[..., 1:4]) / 2
    fine = (v - _smooth(v, 0.06 * 128))[t.inside]
    return bool(np.sqrt(np.mean(fine**2)) < _PLAIN)


def _belongs(fit: _Fit) -> bool:
    """Whether photo and artwork belong together; limits from photos of right and of wrong pictures."""
    return fit.trial.score > 0.6 and fit.agree > 0.75 and fit.foreign < _MOST_FOREIGN


def _cut_off(image: LinearImage) -> PhotoError:
    return PhotoError(
        f"the piece is cut off by the frame in {image.source}",
        "photograph it whole, with some card around it",
    )


def _check_proportions(image: LinearImage, art: Artwork, levels: list[_Level], outlines: list[_Outline]) -> None:
    """Refuse a rectangle whose sides are in another proportion than the stated size, by more than 10 %.

    From the homography of its corners, for any usual focal length.
    """
    seen = [o for o in outlines if o.corners is not None and o.pose is not None and not o.cut]
    if not seen:
        return
    pose = max(seen, key=lambda o: o.share).pose
    assert pose is not None
    rows, cols = levels[0].pixels.shape[:2]
    w, h = art.size_mm
    ratios = []
    for share in (0.55, 0.65, 0.8, 1.0, 1.3):
        f = share * float(np.hypot(rows, cols))
        k = np.array([[f, 0, (cols - 1) / 2], [0, f, (rows - 1) / 2], [0, 0, 1]])
        m = np.linalg.inv(k) @ pose.homography
        ratios.append(w / h * np.linalg.norm(m[:, 0]) / np.linalg.norm(m[:, 1]))
    stated = (w / h, h / w)
    off = min(abs(np.log(r / v)) for r in ratios for v in stated)
    if off > np.log(1.10):
        r = float(np.median(ratios))
        raise DataError(
            f"the piece in {image.source} measures about {max(r, 1 / r):.2f} : 1, not the stated {w:g} × {h:g} mm",
            "check --size, and that the photo shows this piece",
        )


def _turned_back(image: LinearImage, pose: Pose) -> tuple[LinearImage, Pose]:
    """Flip a photo in which the piece appears mirrored, and its pose with it."""
    if float(np.linalg.det(pose.homography / pose.homography[2, 2])) > 0:
        return image, pose
    width = image.rgb.shape[1]
    flip = np.array([[-1.0, 0, width - 1], [0, 1, 0], [0, 0, 1]])
    pose = replace(
        pose,
        homography=flip @ pose.homography,
        mirrored=True,
        centre_px=(width - 1 - pose.centre_px[0], pose.centre_px[1]),
    )
    return replace(
        image,
        rgb=np.ascontiguousarray(image.rgb[:, ::-1]),
        clipped=np.ascontiguousarray(image.clipped[:, ::-1]),
    ), pose


def _by_content(image: LinearImage, art: Artwork, levels: list[_Level], factor: float, final: list[_Fit]) -> Registered:
    """Finish the best placement at the finest scale, and lay the blank under the picture."""
    trial = final[0].trial
    side = int(min(_FINEST, max(art.frame_mm) * min(4.5, 1.1 * trial.pose.px_per_mm)))
    fine = _template(art, max(side, 160), 0.6)
    block = max(12, round(side / 26))
    rim_px = _rim_of(trial)
    t, _, rows = _align(levels, trial, art, fine, steps=4, block=block, bend=True, rim_px=rim_px)
    first = _place_blank(t.pose, rim_px, art) if rim_px is not None else None
    if first is None or first.residual > _LOOSE_RIM:
        # no rim yet, or one side of it was a line of the picture: look again around the picture
        t = replace(t, outline=None)
        t, _, rows = _align(levels, t, art, fine, steps=3, block=block, bend=True)
        rim_px = _find_rim(levels, t, art, 7.0)
        if rim_px is not None:
            t, _, rows = _align(levels, t, art, fine, steps=3, block=block, bend=True, rim_px=rim_px)
    rim = _place_blank(t.pose, rim_px, art) if rim_px is not None else None
    to_frame = rim.to_frame if rim is not None else _nominal(art)
    notes = []
    if rim is None:
        notes.append("the rim of the piece could not be made out: it is taken to lie where the artwork ends")
    residual, uncertainty = _uncertainty(rows, rim, art)
    ambiguous = any(f.trial.score > final[0].trial.score - 0.006 and not _near(f.trial, trial, art) for f in final[1:])
    if ambiguous:
        notes.append("the artwork looks nearly the same when turned or mirrored: its rotation is uncertain")
    return _registered(
        image,
        art,
        t.pose,
        to_frame,
        factor,
        rim,
        placed_by="content",
        residual=residual,
        uncertainty=uncertainty,
        inliers=len(rows[2]),
        fit=replace(final[0], trial=t),
        ambiguous=ambiguous,
        notes=notes,
    )


def _near(a: _Trial, b: _Trial, art: Artwork) -> bool:
    return len(_distinct([replace(a, outline=None), replace(b, outline=None)], art)) == 1


def _by_outline(
    image: LinearImage,
    art: Artwork,
    levels: list[_Level],
    factor: float,
    outlines: list[_Outline],
    final: list[_Fit],
) -> Registered:
    """Place by the rim alone; the rotation is the likeliest one."""
    whole = [o for o in outlines if o.pose is not None and not o.cut]
    if not whole:
        raise _cut_off(image)
    best = max(whole, key=lambda o: o.share - o.residual)
    assert best.pose is not None
    scale = best.pose.px_per_mm
    trials = [t for t in _start(levels, art, [best], []) if abs(t.pose.px_per_mm / scale - 1) < 0.02]
    trial = trials[0] if trials else _Trial(pose=best.pose, outline=best, score=0.0)
    middle = _template(art, 200, 0.6)
    c = _compare(levels, trial, art, middle, 12.0)
    if _contrast(c) > 0.12:
        raise TargetError(
            f"{image.source} does not show this artwork ({art.source}), which is nearly plain",
            "give the picture that was printed, and its size",
        )
    rim = _place_blank(trial.pose, best.rim_px, art)
    notes = ["the artwork has too little structure: the piece is placed by its outline, its rotation is a guess"]
    fit = _Fit(trial=replace(trial, score=max(c.score, 0.0)), agree=0.0, foreign=0.0, busy=0, contrast=_contrast(c))
    spread = 0.4 if art.shape == "rect" else 1.5  # an ellipse leaves perspective and rotation open
    return _registered(
        image,
        art,
        trial.pose,
        _nominal(art),
        factor,
        rim,
        placed_by="outline",
        residual=best.residual,
        uncertainty=float(np.hypot(spread, best.residual)),
        inliers=len(best.rim_px),
        fit=fit,
        ambiguous=True,
        notes=notes,
    )


def _uncertainty(rows: tuple[Floats, Floats, Floats, Floats], rim: _Rim | None, art: Artwork) -> tuple[float, float]:
    """Residual of the blocks (mm) and standard error of a typical place of the picture (mm).

    First-order covariance of homography and distortion, from blocks and rim, scaled to the residuals; blocks
    next to each other err together, for which three of them count as one.
    """
    m, v, e, wgt = rows
    if len(e) < 12:
        return float("nan"), 2.0
    keep = np.abs(e) < 4 * max(1.4826 * float(np.median(np.abs(e))), 0.02)
    residual = float(np.sqrt(np.average(e[keep] ** 2, weights=wgt[keep])))
    fw, fh = art.frame_mm

    def columns(xy: Floats, n: Floats) -> Floats:
        x, y = (xy[:, 0] / fw * 2 - 1), (xy[:, 1] / fh * 2 - 1)
        one, r2 = np.ones(len(x)), x * x + y * y
        gx = np.stack([one, x, y, 0 * x, 0 * x, 0 * x, x * x, x * y, r2 * x], axis=1)
        gy = np.stack([0 * x, 0 * x, 0 * x, one, x, y, x * y, y * y, r2 * y], axis=1)
        return np.asarray(gx * n[:, :1] + gy * n[:, 1:])

    a = columns(m[keep], v[keep])
    w = wgt[keep] / float(np.mean(wgt[keep])) / max(residual, 0.02) ** 2 / 3
    k = 9 + (rim.slack.shape[1] if rim is not None else 0)
    normal = np.zeros((k, k))
    normal[:9, :9] = a.T @ (a * w[:, None]) + np.diag([1e-2] * 8 + [4.0])
    if rim is not None:
        b = np.hstack([columns(rim.rows[0], rim.rows[1]), rim.slack])
        normal += b.T @ b / (max(rim.residual, 0.05) ** 2) / 8
    cov = np.linalg.pinv(normal)[:9, :9]
    g = np.stack(np.meshgrid(np.linspace(0.03, 0.97, 8) * fw, np.linspace(0.03, 0.97, 8) * fh), -1).reshape(-1, 2)
    total = sum(
        np.einsum("ij,jk,ik->i", c, cov, c) for c in (columns(g, np.tile(d, (64, 1))) for d in ([1.0, 0], [0, 1.0]))
    )
    return residual, float(np.sqrt(np.mean(total) + 0.03**2))


def _registered(
    image: LinearImage,
    art: Artwork,
    frame_pose: Pose,
    to_frame: Floats,
    factor: float,
    rim: _Rim | None,
    *,
    placed_by: Literal["content", "outline"],
    residual: float,
    uncertainty: float,
    inliers: int,
    fit: _Fit,
    ambiguous: bool,
    notes: list[str],
) -> Registered:
    picture = _inverse(to_frame) @ np.vstack([_nominal(art), [0, 0, 1.0]])
    pose = replace(frame_pose, homography=frame_pose.homography @ np.vstack([to_frame, [0, 0, 1.0]]))
    image, pose = _turned_back(image, scaled(pose, 1.0 / factor))
    mid = np.array([[art.size_mm[0] / 2, art.size_mm[1] / 2]])
    off = (_apply(picture, mid) - mid)[0]
    pose = replace(pose, residual_mm=residual, edges_used=inliers, px_per_mm=float(local_px_per_mm(pose, mid)[0]))
    return Registered(
        pose=pose,
        image=image,
        placed_by=placed_by,
        picture_to_piece=picture,
        picture_offset_mm=(float(off[0]), float(off[1])),
        picture_scale=(
            float(np.hypot(picture[0, 0], picture[1, 0])),
            float(np.hypot(picture[0, 1], picture[1, 1])),
        ),
        picture_turn_deg=float(np.rad2deg(np.arctan2(picture[1, 0], picture[0, 0]))),
        outline_mm=_apply(_inverse(to_frame), rim.seen) if rim is not None else _EMPTY,
        outline_residual_mm=rim.residual if rim is not None else float("nan"),
        residual_mm=residual,
        uncertainty_mm=uncertainty,
        inliers=inliers,
        score=fit.trial.score,
        foreign=fit.foreign,
        ambiguous=ambiguous,
        notes=tuple(notes),
    )
