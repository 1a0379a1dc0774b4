"""Read the code printed on a target: by a general reader where it is plain, by likelihood where it is not."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np

from ..ground.records import LinearImage
from .codebook import function_modules, read_symbol
from .markers import Seen, grey_of
from .target import CODE_FORM, CODE_MARKER, CODE_MODULES, MAX_SIZE_MM, MIN_SIZE_MM, furniture

_SIDE = 90.0  # px of the code's marker in its crop
_MODULE = 10  # px of a module where all markers say where the code is
_AROUND = 0.3  # of the code's side taken along on each side: its size is known roughly
_LEAST_MARK = 0.35  # likeness of the worst corner mark below which there is no code
_PLAIN = 0.35  # agreement of the modules that never change below which a grid is not on the code
_GRIDS_TRIED = 10
_FLAT = 0.12  # spread of 5 × 5 modules, as a share of the code's contrast, below which nothing is seen of them
_MOST_FLAT = 0.7  # of the code
_HIDDEN, _GRIDS_OF_A_HIDDEN = 0.35, 2  # share of a code under which little hope is left, and grids then tried
_DOUBTFUL = 6.0  # standard errors: what chance alone reaches at most
_TEXTS_NAMED = 8
_LONG_SEEDS_AT = 2  # grids on which seeds of five and six digits are looked for as well


def read_code(image: LinearImage, seen: Seen, factor: float, *, thorough: bool = True) -> tuple[str, ...]:
    """Read the printed code: beside its own marker at full resolution, else anywhere.

    Parameters
    ----------
    image : LinearImage
    seen : Seen
        Markers in a picture ``factor`` times the size of ``image``.
    factor : float
    thorough : bool
        Go to the end for a code that is hard to read.

    Returns
    -------
    tuple of str
        One text in the form that targets print; several, likeliest first, when the code alone
        leaves a doubt that the cells must settle; none when it cannot be read.
    """
    qr = cv2.QRCodeDetector()
    crops = list(_beside_marker(image, seen, factor))
    for crop in crops:
        for picture in (crop, _harder(crop)):
            if text := _try_code(qr, picture):
                return (text,)
    if not thorough:
        return ()
    small: Any = image.rgb
    longest = max(small.shape[:2])
    if longest > 1600:
        size = (round(small.shape[1] * 1600 / longest), round(small.shape[0] * 1600 / longest))
        small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    if text := _try_code(qr, grey_of(small)):
        return (text,)
    sheet = _likely_sheet(seen)
    grids: list[Any] = []
    if sheet is not None:
        crop = _where_markers_say(image, factor, sheet[0], sheet[1])
        for picture in (crop, _harder(crop)):
            if text := _try_code(qr, picture):
                return (text,)
        grids += _grids(crop, 0.0, module_px=_MODULE)
    for crop in crops:
        grids += _grids(crop, _SIDE)
    return _likeliest(grids, None if sheet is None or len(seen.ids) < 4 else sheet[2])


def _likeliest(grids: list[Any], near_mm: tuple[float, float] | None) -> tuple[str, ...]:
    """Texts that the grey modules speak for: one where they leave no doubt, the likeliest grids first."""
    tried = sorted(((_known(v), k) for k, v in enumerate(grids)), reverse=True)
    tried = [t for t in tried if t[0] >= _PLAIN][:_GRIDS_TRIED]
    hidden = bool(tried) and float((grids[tried[0][1]] == 0).mean()) > _HIDDEN
    tried = tried[:_GRIDS_OF_A_HIDDEN] if hidden else tried
    sizes = [near_mm, None] if near_mm is not None else [None]
    best: dict[str, float] = {}
    promising: dict[int, float] = {}

    def look(k: int, size: tuple[float, float] | None, digits: int) -> str:
        got = read_symbol(grids[k], near_mm=size, seed_digits=digits)
        for text, agreement in zip(got.texts, got.agreements, strict=True):
            best[text] = max(best.get(text, 0.0), agreement)
        promising[k] = max(promising.get(k, 0.0), *got.agreements)
        return got.texts[0] if got.certain else ""

    for n, (_, k) in enumerate(tried):
        for size in sizes if n < _LONG_SEEDS_AT else sizes[:1]:
            if text := look(k, size, 4):
                return (text,)
    for k in sorted(promising, key=lambda k: -promising[k])[: 0 if hidden else _LONG_SEEDS_AT]:
        if text := look(k, near_mm, 6):
            return (text,)
    doubtful = sorted((t for t, a in best.items() if a >= _DOUBTFUL), key=lambda t: -best[t])
    return tuple(doubtful[:_TEXTS_NAMED])


def _harder(crop: Any) -> Any:
    """Grey counted as white: a second faint copy of the print lies grey over the code."""
    low, high = (float(v) for v in np.percentile(crop, (5, 95)))
    return cv2.convertScaleAbs(np.maximum(crop.astype(np.float32) - low, 0), alpha=255 / max(0.4 * (high - low), 1))


def _beside_marker(image: LinearImage, seen: Seen, factor: float) -> Iterator[Any]:
    """Crops that hold the code's marker and, right of it, the code."""
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    to = ((unit + [0.2, 1.8]) * _SIDE).astype(np.float32)
    for k in np.flatnonzero(seen.ids == CODE_MARKER):
        full = ((seen.corners[k] + 0.5) / factor - 0.5).astype(np.float32)
        low = np.maximum(np.floor(full.min(axis=0) - 5 * np.ptp(full, axis=0)), 0).astype(int)
        high = np.ceil(full.max(axis=0) + 5 * np.ptp(full, axis=0)).astype(int) + 1
        part = image.rgb[low[1] : high[1], low[0] : high[0]]
        if not part.size:
            continue
        grey = grey_of(part)
        reach = int(np.clip(np.linalg.norm(full[1] - full[0]) / 10, 2, 12))
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        corners = np.ascontiguousarray((full - low).astype(np.float32).reshape(-1, 1, 2))
        corners = cv2.cornerSubPix(grey, corners, (reach, reach), (-1, -1), stop).reshape(-1, 2)
        h = cv2.getPerspectiveTransform(corners, to)
        size = (int(4.6 * _SIDE), int(3.3 * _SIDE))
        yield cv2.warpPerspective(grey, h, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def _marker_plan(shape: str, w: float, h: float, ids: Any) -> tuple[Any, dict[str, Any]] | None:
    """Corners in mm of the seen markers on a sheet of this size, or None when it has no such markers."""
    parts = furniture("rect" if shape == "rect" else "round", w, h)
    index = {m: k for k, m in enumerate(parts["ids"])}
    if any(int(i) not in index for i in ids):
        return None
    out = []
    for i in ids:
        x, y, bw, bh = parts["marker_boxes"][index[int(i)]]
        out.append([(x, y), (x + bw, y), (x + bw, y + bh), (x, y + bh)])
    return np.array(out, dtype=float).reshape(-1, 2), parts


def _likely_sheet(seen: Seen) -> tuple[Any, Any, tuple[float, float]] | None:
    """Homography from mm to the picture, code box and size of the sheet whose markers fit best.

    Where the markers stand on a sheet follows from its shape and size alone; the size whose
    markers fit best is near enough to find the code, though not to name the layout.
    """
    ids, count = np.unique(seen.ids, return_counts=True)
    once = np.isin(seen.ids, ids[count == 1])  # of two alike, one is something else
    if once.sum() >= 4:
        seen = Seen(seen.ids[once], seen.corners[once])
    if len(seen.ids) < 2:
        return None
    px = seen.corners.reshape(-1, 2)
    best: tuple[float, Any, Any, tuple[float, float]] | None = None

    def fit(shape: str, w: float, h: float) -> tuple[float, Any, Any, tuple[float, float]] | None:
        plan = _marker_plan(shape, w, h, seen.ids)
        if plan is None:
            return None
        homography, _ = cv2.findHomography(plan[0], px, 0)
        if homography is None:
            return None
        off = cv2.perspectiveTransform(plan[0][None], homography)[0] - px
        return float(np.sqrt((off**2).mean())), homography, plan[1], (w, h)

    for shape in ("rect", "round"):
        sizes = np.arange(MIN_SIZE_MM, MAX_SIZE_MM + 1, 20.0)
        tried = [(f[0], w, h) for w in sizes for h in (sizes if shape == "rect" else (w,)) if (f := fit(shape, w, h))]
        if not tried:
            continue
        _, w, h = min(tried)
        for step in (10.0, 5.0, 2.5, 1.2, 0.6):
            around = [
                (w + a * step, h + (b if shape == "rect" else a) * step)
                for a in (-1, 0, 1)
                for b in ((-1, 0, 1) if shape == "rect" else (0,))
            ]
            close = [
                (f[0], u, v)
                for u, v in around
                if min(u, v) >= MIN_SIZE_MM and max(u, v) <= MAX_SIZE_MM and (f := fit(shape, u, v))
            ]
            if close:
                _, w, h = min(close)
        got = fit(shape, w, h)
        if got and (best is None or got[0] < best[0]):
            best = got
    if best is None:
        return None
    return best[1], best[2]["code"], best[3]


def _where_markers_say(image: LinearImage, factor: float, homography: Any, code_mm: Any) -> Any:
    """Crop of the code alone, where all markers together say it must be."""
    x, y, side, _ = code_mm
    margin = side * _AROUND
    scale = (CODE_MODULES + 8) * _MODULE / side
    to_crop = np.array([[scale, 0, -(x - margin) * scale], [0, scale, -(y - margin) * scale], [0, 0, 1]])
    small_to_full = np.array([[1 / factor, 0, 0.5 / factor - 0.5], [0, 1 / factor, 0.5 / factor - 0.5], [0, 0, 1]])
    h_crop = to_crop @ np.linalg.inv(small_to_full @ homography)
    span = round((side + 2 * margin) * scale)
    return cv2.warpPerspective(
        grey_of(image.rgb), h_crop, (span, span), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )


def _finder(module_px: float) -> Any:
    """Picture of the code's corner mark (ISO/IEC 18004) at a module size, a little blurred."""
    a = np.ones((9, 9), np.float32)
    a[1:8, 1:8], a[2:7, 2:7], a[3:6, 3:6] = 0, 1, 0
    s = round(9 * module_px)
    return cv2.GaussianBlur(cv2.resize(a, (s, s), interpolation=cv2.INTER_AREA), (0, 0), 0.45 * module_px)


def _peak(response: Any, x: float, y: float, reach: float) -> tuple[float, float, float]:
    """Highest point of a response near a place: value, x, y."""
    x0, x1 = int(max(x - reach, 0)), int(min(x + reach + 1, response.shape[1]))
    y0, y1 = int(max(y - reach, 0)), int(min(y + reach + 1, response.shape[0]))
    if x1 - x0 < 2 or y1 - y0 < 2:
        return -1.0, x, y
    _, value, _, at = cv2.minMaxLoc(response[y0:y1, x0:x1])
    return value, float(at[0] + x0), float(at[1] + y0)


def _grids(crop: Any, side: float, *, module_px: float = 0.0) -> list[Any]:
    """Brightness of every module about the middle between light and dark, as the code's corner marks place them.

    ``side`` is that of the code's marker in the crop, left of the middle; with ``module_px``
    the crop holds the code alone, at about this module size.
    """
    n = CODE_MODULES
    best: tuple[float, float, list[tuple[float, float]]] = (-1.0, 1.0, [])
    soft = crop.astype(np.float32)
    # side of the code over side of its marker
    modules: Any = np.linspace(1.6, 2.4, 14) * side / (n + 8)
    if module_px:
        modules = module_px * np.array([0.9, 0.95, 1.0, 1.05, 1.1])
    for m in modules:
        template = _finder(m)
        r = cv2.matchTemplate(soft, template, cv2.TM_CCOEFF_NORMED)
        half, span = template.shape[0] / 2, (n - 7) * m
        _, x, y = _peak(r, r.shape[1] / 2 + 0.65 * side, r.shape[0] / 2, r.shape[1] / 2 - 0.65 * side)
        for ox, oy in ((0.0, 0.0), (span, 0.0), (0.0, span)):
            spots = [_peak(r, x - ox + dx, y - oy + dy, 2.5 * m) for dx, dy in ((0, 0), (span, 0), (0, span))]
            worst = min(s[0] for s in spots)
            if worst > best[0]:
                best = (worst, m, [(s[1] + half - 0.5, s[2] + half - 0.5) for s in spots])
    picture = cv2.GaussianBlur(soft, (0, 0), best[1] * 0.3)
    tries: list[tuple[Any, float, float, float, float]] = []
    if best[0] >= _LEAST_MARK:
        at = np.array([[3.5, 3.5], [n - 3.5, 3.5], [3.5, n - 3.5]], dtype=np.float32)
        affine = cv2.getAffineTransform(at, np.array(best[2], dtype=np.float32))
        # the far corner is extrapolated: try it a little off
        tries += [(affine, 0, 0, *s) for s in ((0.0, 0.0), (0.5, 0.0), (-0.5, 0.0), (0.0, 0.5), (0.0, -0.5))]
    if module_px:  # corner marks may be hidden; where the markers say, and a little around
        begin = (crop.shape[0] - n * module_px) / 2 - 0.5
        affine = np.array([[module_px, 0.0, begin], [0.0, module_px, begin]])
        steps = np.linspace(-1.0, 1.0, 9)
        tries += [(affine, x, y, 0.0, 0.0) for x in steps for y in steps]
    out: list[tuple[float, Any]] = []
    jj, ii = np.mgrid[0:n, 0:n] + 0.5
    far = (ii / n) * (jj / n)
    for affine, right, down, skew, slant in tries:
        grid = np.stack([ii + right + skew * far, jj + down + slant * far, np.ones((n, n))])
        xy = np.einsum("ab,bij->aij", affine, grid).astype(np.float32)
        v = cv2.remap(picture, xy[0], xy[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        out += [(_known(q), q) for q in _about_middle(v)]
    out.sort(key=lambda g: -g[0])
    return [q for _, q in out[:10]]


def _about_middle(v: Any) -> list[Any]:
    """Brightness of modules about the middle between light and dark, −1 to 1, more and less sharpened.

    Nought where nothing changes from module to module: something lies on the code.
    """
    where, what = function_modules()
    low, high = np.percentile(v, (10, 90))
    flat = cv2.blur(v * v, (5, 5)) - cv2.blur(v, (5, 5)) ** 2 <= (_FLAT * (high - low)) ** 2
    seen = where & ~flat
    if not (seen & (what > 0)).any() or not (seen & (what < 0)).any() or flat.mean() > _MOST_FLAT:
        return []
    out = []
    for sharpen in (0.6, 1.5):
        q = v + sharpen * (v - cv2.blur(v, (3, 3)))
        middle = (np.median(q[seen & (what > 0)]) + np.median(q[seen & (what < 0)])) / 2
        reach = max(float(np.percentile(np.abs(q - middle)[~flat], 60)), 1e-6)
        out.append(np.where(flat, 0.0, np.clip((q - middle) / reach, -1.0, 1.0)))
    return out


def _known(v: Any) -> float:
    """How well the modules that never change agree with a grid."""
    where, what = function_modules()
    return float((v[where] * what[where]).sum() / (np.abs(v[where]).sum() + 1e-9))


def _try_code(qr: Any, picture: Any) -> str:
    try:
        text, _, _ = qr.detectAndDecode(picture)
    except cv2.error:
        return ""
    return text if isinstance(text, str) and CODE_FORM.match(text) else ""
