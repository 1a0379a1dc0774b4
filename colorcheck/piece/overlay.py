"""Photo and artwork side by side on one grid: what they share, what they contradict, how far they are apart.

The photo is compared with the artwork *as this photo shows it*: a smooth map from artwork colour to photo colour
under smooth light, learned on the spot. Offsets of blocks follow Lucas & Kanade (IJCAI 1981, 674–679).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.geometry import sampling_maps, scaled
from ..ground.records import LinearImage, Pose
from ..ground.robust import mad_std, tukey_weights
from .artwork import Artwork
from .placement import Level, Offsets, Outline, Trial, level_for

_WORK_SIDE = 1600  # alignment never looks at more pixels than this on the longer side
_DARK = 0.15  # added before the logarithm, share of white
_MARGIN = 0.012  # of the piece's size, left out along its outline while comparing
_PLAIN = 0.012  # spread of fine structure, share of the code range, under which a picture counts as plain
_MAP_CELLS = 8  # cells of device codes along each axis in which the map's own error is looked up
_SAMPLES = 1800  # places from which the photo's colours are learned
_ONES = np.ones((1, 3), np.float32)
# lightness, and two axes on which grey is nothing
_OPPONENT = np.array([[1.0, 1.0, 1.0], [1.0, -1.0, 0.0], [1.0, 1.0, -2.0]]).T / np.sqrt([3.0, 2.0, 6.0])


@dataclass(frozen=True, slots=True, eq=False)
class Template:
    """The artwork at one scale: polynomial terms (h, w, 10), nominal piece mask, pixels per mm."""

    terms: Any
    place: Any
    inside: Any
    g: float
    blur: float
    sample: Any
    basis: Any  # terms and smooth light (n, 15) at every pixel's place, float64, on the sample only


def photo_levels(image: LinearImage) -> tuple[list[Level], float]:
    """Logarithmic colour at halving scales; also the scale of the finest one in the photo."""
    rgb: Any = image.rgb
    f = min(1.0, _WORK_SIDE / max(rgb.shape[:2]))
    size = max(1, round(rgb.shape[1] * f)), max(1, round(rgb.shape[0] * f))
    valid: Any = ((image.clipped & 1) == 0).astype(np.uint8) * 255
    if f < 1.0:
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
        valid = cv2.resize(valid, size, interpolation=cv2.INTER_AREA)
    white = max(float(np.percentile(rgb[::5, ::5, 1].ravel(), 99)), 1e-3)
    full: Any = cv2.cvtColor(rgb, cv2.COLOR_RGB2RGBA)
    np.maximum(full, 0, out=full)
    full *= np.float32(1 / white)
    full += np.float32(_DARK)
    cv2.log(full, dst=full)
    cv2.insertChannel(valid.astype(np.float32) * np.float32(1 / 255), full, 3)
    out = [Level(full, 1.0)]
    while max(out[-1].pixels.shape[:2]) > 90:
        p = out[-1].pixels
        small = cv2.resize(p, (max(1, p.shape[1] // 2), max(1, p.shape[0] // 2)), interpolation=cv2.INTER_AREA)
        out.append(Level(small, small.shape[1] / full.shape[1]))
    return out, size[0] / image.rgb.shape[1]


def _inside_piece(x: Any, y: Any, art: Artwork, margin: float) -> Any:
    """Whether places in the artwork's frame lie on the nominal piece, ``margin`` (share of size) within."""
    w, h = art.size_mm
    u, v = (x - art.bleed_mm - w / 2) / (w / 2), (y - art.bleed_mm - h / 2) / (h / 2)
    if art.shape == "round":
        return np.hypot(u, v) < 1 - 2 * margin
    return (np.abs(u) < 1 - 2 * margin) & (np.abs(v) < 1 - 2 * margin)


def make_template(art: Artwork, side: int, blur: float) -> Template:
    """Artwork at ``side`` pixels along its longer edge, blurred by ``blur`` pixels."""
    fw, fh = art.frame_mm
    g = side / max(fw, fh)
    size = max(4, round(fw * g)), max(4, round(fh * g))
    small = cv2.resize(art.rgb, size, interpolation=cv2.INTER_AREA if size[0] < art.rgb.shape[1] else cv2.INTER_LINEAR)
    r, gr, b = cv2.split(small.astype(np.float32) * np.float32(1 / 127.5) - np.float32(1))
    terms = _stacked([np.ones_like(r), r, gr, b, r * r, gr * gr, b * b, r * gr, gr * b, b * r])
    x = (np.arange(size[0], dtype=np.float32)[None, :] + 0.5) / np.float32(g) + np.zeros((size[1], 1), np.float32)
    y = (np.arange(size[1], dtype=np.float32)[:, None] + 0.5) / np.float32(g) + np.zeros((1, size[0]), np.float32)
    u, w = 2 * x / fw - 1, 2 * y / fh - 1
    place = _stacked([u, w, u * u, u * w, w * w])
    inside = _inside_piece(x, y, art, _MARGIN)
    sample = np.flatnonzero(inside)
    if len(sample) > _SAMPLES:  # rare colours as well as common ones: at equal steps of a sum that weighs them more
        sixth = (small.reshape(-1, 3)[sample].astype(np.uint16) * 6) >> 8
        colour = sixth[:, 0] * 36 + sixth[:, 1] * 6 + sixth[:, 2]
        rare = np.cumsum(np.maximum(np.bincount(colour, minlength=216), 1.0)[colour] ** -0.6)
        steps = (np.arange(_SAMPLES) + 0.5) * (rare[-1] / _SAMPLES)
        sample = sample[np.unique(np.searchsorted(rare, steps))]
    basis = np.concatenate([terms.reshape(-1, 10)[sample], place.reshape(-1, 5)[sample]], axis=1).astype(float)
    return Template(terms=terms, place=place, inside=inside, g=g, blur=blur, sample=sample, basis=basis)


def _stacked(maps: list[Any]) -> Any:
    """Put maps (h, w) into one array (h, w, n), map by map in memory: a product with coefficients is quick."""
    return np.moveaxis(np.stack(maps), 0, -1)


def warp_photo(levels: list[Level], pose: Pose, art: Artwork, t: Template, outline: Outline | None) -> tuple[Any, Any]:
    """Photo on the template's grid, (h, w, 3), and where it counts, (h, w) float32."""
    level = level_for(levels, pose, 0.9 * t.g)
    mx, my = sampling_maps(scaled(pose, level.factor), art.frame_mm, t.g)
    h, w = t.inside.shape
    mx, my = mx[:h, :w], my[:h, :w]
    got = cv2.remap(level.pixels, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0, 0))
    ok = got[..., 3] > 0.9
    if outline is None:
        ok &= t.inside
    else:
        ok &= _within(outline, mx / level.factor, my / level.factor)
    return cv2.cvtColor(got, cv2.COLOR_RGBA2RGB), ok.astype(np.float32)


def _within(outline: Outline, x: Any, y: Any) -> Any:
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


def smoothed(a: Any, sigma: float) -> Any:
    """Gaussian blur, done on a reduced picture where it is wide."""
    f = int(sigma / 2.5)
    if f < 2:
        return cv2.GaussianBlur(a, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    h, w = a.shape[:2]
    small = cv2.resize(a, (max(2, w // f), max(2, h // f)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / f, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)


def _learn(t: Template, w: Any, ok: Any) -> Any:
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


def as_seen(t: Template, x: Any) -> Any:
    """Artwork in this photo's log colours: lens and dye mix light, not its logarithm, across an edge."""
    light = cv2.exp((t.terms.reshape(-1, 10) @ x).reshape(*t.inside.shape, 3))
    return cv2.log(np.maximum(cv2.GaussianBlur(light, (0, 0), t.blur), 1e-3))


def _dot(a: Any, b: Any) -> Any:
    """Sum of products over the channels, (h, w)."""
    return cv2.transform(cv2.multiply(a, b), _ONES)


def _thrice(a: Any) -> Any:
    """Give a map (h, w) once for every channel, (h, w, 3): faster to multiply with than a broadcast one."""
    return cv2.merge((a, a, a))


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
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


def compare_at(
    levels: list[Level], trial: Trial, art: Artwork, t: Template, window: float, colours: Any = None
) -> Compared:
    """Put photo and artwork side by side on the template's grid; ``window`` in pixels for local sums.

    ``colours`` are coefficients learned before.
    """
    w, ok = warp_photo(levels, trial.pose, art, t, trial.outline)
    x = _learn(t, w, ok) if colours is None else colours
    like = np.zeros_like(w) if x is None else as_seen(t, x)
    # what is smoother than this is light, or light that strays within thick glass
    wide = (0.06 if max(ok.shape) < 200 else 0.04 if max(ok.shape) < 300 else 0.018) * max(ok.shape)
    norm = _thrice(ok / np.maximum(smoothed(ok, wide), 1e-3))
    m = _thrice(ok)
    like *= m
    w *= m
    th, wh = (cv2.subtract(a, cv2.multiply(smoothed(a, wide), norm)) for a in (like, w))
    tt, ww, wt = _dot(th, th), _dot(wh, wh), _dot(wh, th)
    share = np.maximum(smoothed(ok, window), 0.05)
    s_tt, s_ww, s_wt = (smoothed(a, window) / share for a in (tt, ww, wt))
    den = float(cv2.sumElems(tt)[0]) * float(cv2.sumElems(ww)[0])
    score = float(cv2.sumElems(wt)[0]) / float(np.sqrt(den)) if den > 1e-12 else 0.0
    return Compared(
        t=th,
        w=wh,
        ok=ok,
        tt=tt,
        ww=ww,
        wt=wt,
        s_tt=s_tt,
        s_ww=s_ww,
        s_wt=s_wt,
        score=score,
        colours=x,
    )


def _block_means(maps: list[Any], blocks: tuple[int, int]) -> Any:
    """Means over a grid of blocks (across, down), (n, maps)."""
    return np.stack([cv2.resize(a, blocks, interpolation=cv2.INTER_AREA).ravel() for a in maps], axis=1)


def block_offsets(c: Compared, g: float, block: int, reach: float) -> Offsets:
    """Offsets of blocks of the picture between artwork and photo."""
    gain = c.s_wt / np.maximum(c.s_tt, 1e-6)
    ncc = np.clip(c.ncc(), 0, 1)
    fits = c.ok * (gain > 0.15) * (gain < 6)
    res = cv2.subtract(cv2.divide(c.w, _thrice(np.clip(gain, 0.15, 6))), c.t)
    tx = cv2.Sobel(c.t, cv2.CV_32F, 1, 0, ksize=3, scale=g / 8)
    ty = cv2.Sobel(c.t, cv2.CV_32F, 0, 1, ksize=3, scale=g / 8)
    # where the mask ends the gradient is not the picture's
    solid = cv2.erode(fits.astype(np.float32), np.ones((3, 3), np.uint8))
    wt = solid * (ncc > 0.4) * ncc**3
    xx, xy, yy = _dot(tx, tx) * wt, _dot(tx, ty) * wt, _dot(ty, ty) * wt
    lx, ly = cv2.transform(tx, _ONES), cv2.transform(ty, _ONES)
    steep = cv2.magnitude(lx, ly) + np.float32(1e-9)
    lx, ly = lx / steep, ly / steep
    parts = [xx, xy, yy, _dot(tx, res) * wt, _dot(ty, res) * wt, xx * lx + xy * ly, xy * lx + yy * ly]
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
    out: list[list[Any]] = [[], [], [], [], []]
    for i in (0, 1):
        v, lam = vectors[:, :, i], values[:, i]
        e = (v * a[:, 3:5]).sum(axis=1) / np.maximum(lam, 1e-12)
        var = (noise**2 + 1e-4) / np.maximum(lam * per, 1e-12) * 4  # neighbouring pixels are not independent
        keep = (lam > 0.08 * values[:, 1]) & (np.sqrt(var) < 1.0 * reach) & (np.abs(e) < 2.5 * reach) & (lam > 1e-9)
        out[0].append(middles[keep])
        out[1].append(v[keep])
        out[2].append(np.clip(e[keep], -reach, reach))
        out[3].append(1.0 / (var[keep] + (0.05 * reach + 0.03) ** 2))
        out[4].append(np.clip((v * a[:, 5:7]).sum(axis=1)[keep] / lam[keep], -1.5, 1.5))
    return Offsets(*(np.concatenate(p) for p in out))


def _without_map_error(c: Compared, t: Template) -> Any:
    """Photo less what its mean difference from the artwork, colour by colour, tells: the learned map's own error.

    A smooth picture has each colour in one place, and the error of the map must not pass for structure there.
    """
    cell = ((t.terms[..., 1:4] + 1) * (0.4999 * _MAP_CELLS)).astype(np.int64) @ [_MAP_CELLS**2, _MAP_CELLS, 1]
    cell, ok = cell.ravel(), c.ok.ravel()
    apart = (c.w - c.t).reshape(-1, 3) * ok[:, None]
    count = np.bincount(cell, ok, _MAP_CELLS**3) + 1e-9
    mean = np.stack([np.bincount(cell, apart[:, k], _MAP_CELLS**3) / count for k in range(3)], axis=1)
    return (c.w - mean.astype(np.float32)[cell].reshape(c.w.shape) * _thrice(c.ok)).astype(np.float32)


def shares_of_structure(c: Compared, t: Template) -> tuple[float, float, int]:
    """Shares of structure that agree and that contradict each other, number of blocks with structure."""
    side = max(4, round(6.0 * t.g))
    h, w = c.ok.shape
    nb = max(3, w // side), max(3, h // side)

    def mean(a: Any) -> Any:
        return cv2.resize(np.ascontiguousarray(a), nb, interpolation=cv2.INTER_AREA).ravel()

    share = mean(c.ok)
    seen = _without_map_error(c, t)
    tt, ww, wt = (mean(a) / np.maximum(share, 0.1) for a in (c.tt, _dot(seen, seen), _dot(seen, c.t)))
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


def colour_likeness(levels: list[Level], trial: Trial, art: Artwork, t: Template) -> tuple[float, float]:
    """How much of the photo's colours the artwork explains when its codes are read as sRGB, 0 to 1.

    Returns likeness, and the share of the photo's colours that is hue and remains unexplained.

    Correlation of the layout of lightness, smooth light set apart, and of hue, which light hardly changes; no colour
    may stand for another, as the learned map allows. For pictures whose drawing says little (stripes, a hue disc).
    """
    seen, ok = warp_photo(levels, trial.pose, art, t, trial.outline)
    use = ok.ravel()[t.sample] > 0
    if use.sum() < 60:
        return 0.0, 1.0
    photo = seen.reshape(-1, 3)[t.sample[use]].astype(float) @ _OPPONENT
    drawn = np.log(np.clip((t.basis[use, 1:4] + 1) / 2, 0, 1) ** 2.2 + _DARK) @ _OPPONENT
    light, _ = np.linalg.qr(np.column_stack([t.basis[use, :1], t.basis[use, 10:]]))
    for v in (photo, drawn):
        v[:, 0] -= light @ (light.T @ v[:, 0])
        v[:, 1:] -= v[:, 1:].mean(axis=0)
    told = []
    for part in (slice(0, 1), slice(1, 3)):
        a, b = photo[:, part], drawn[:, part]
        told.append(max(float((a * b).sum()), 0.0) ** 2 / max(float(np.square(b).sum()), 1e-9))
    whole = max(float(np.square(photo).sum()), 1e-9)
    odd = max(float(np.square(photo[:, 1:]).sum()) - told[1], 0.0) / whole
    return float(np.sqrt(min(sum(told) / whole, 1.0))), odd


def contrast_of(c: Compared) -> float:
    """Strength of the photo's fine structure, log units."""
    return float(np.sqrt(cv2.sumElems(c.ww)[0] / max(3 * cv2.sumElems(c.ok)[0], 1.0)))


def is_plain(art: Artwork) -> bool:
    """Whether the artwork has too little structure to be recognised by it."""
    t = make_template(art, 128, 0.7)
    v = np.ascontiguousarray(t.terms[..., 1:4]) / 2
    fine = (v - smoothed(v, 0.06 * 128))[t.inside]
    return bool(np.sqrt(np.mean(fine**2)) < _PLAIN)
