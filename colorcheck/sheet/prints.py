"""What went wrong before or beside the pressing: ghost, banding, missing ink, scorch, crisp dots.

Everything is judged on one flat photo with the light taken out. What a lens, a sharpening
filter, bleeding dye or scatter in thick glass do to an edge is alike on both sides of it;
a ghost lies on one side only, which is what tells it apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.places import where_in_words
from ..ground.records import CellFlag, CellKind, Cells, Finding, FlatImage, Floats, Light, Mask, PrintCheck, Target
from ..ground.relative import relative_lab
from ..ground.robust import mad_std, polynomial_terms, tukey_weights

_WORK_PIXELS = 1_000_000
_GHOST_PIXELS = 500_000
_GHOST_REACH_MM = 6.0
_GHOST_LEAST = 0.02  # share of the print; a weaker copy is not seen on a finished piece (estimate)
_GHOST_SIGNIFICANT = 5.0  # standard errors between the ninths of the sheet
_BAND_LEAST_L = 0.25  # a regular band of 0.2 L* can already disturb (J. Electron. Imaging 19(1) 011017, 2010)
_BAND_SIGNIFICANT = 7.0
_BAND_MM = (0.5, 10.0)
_SCORCH_LEAST_B = 2.0  # yellowing of bare coat runs from b* +2 (common practice, no source)
_SCORCH_SIGNIFICANT = 4.0
_SCORCH_LACK = 0.018  # blue lost on bare coat and grey alike, averaged over a cell's pitch
_SCORCH_ALIKE = 0.32  # correlation between the two over the sheet
_MISSING_SHARE = 0.12
_BLOCKS = 1.3  # a dot's threshold over the reach of wrong blocks; its height must be 2.2 times the threshold
_COARSE_FILE = 0.042  # reach of wrong blocks beyond that of a file of quality 80 (measured 0.015–0.036)
_BLOCK_L = 2.5  # a dot of a coarse file that changes L* by less is a coloured block, not dye
_FULL_BLACK = 1.6  # visual density a good coat reaches in a photo (estimate)
_RIM_MM = 1.5
_INKS = ("cyan", "magenta", "yellow")


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """The flat photo relative to the coat on a grid of ``q`` pixels per mm, and what lies where.

    ``rel`` (H, W, 3) float32; ``valid`` (H, W) usable pixels; ``bare`` unprinted coat and
    ``field`` plain grey, both kept ``margin_mm`` away from printed edges; ``glare`` (H, W).
    """

    rel: Any
    valid: Mask
    bare: Mask
    field: Mask
    glare: Mask
    q: float
    margin_mm: float


def check_print(
    target: Target, flat: FlatImage, light: Light, field_rel: Floats, cells: Cells, *, edge_mm: float
) -> PrintCheck:
    """Look for faults of print and paper in one photo of a pressed target.

    Parameters
    ----------
    target : Target
    flat : FlatImage
    light : Light
        As fitted to this photo.
    field_rel : (r, c, 3)
        The grey field relative to the coat on the grid of ``light.step_mm``; NaN where there is none.
    cells : Cells
    edge_mm : float
        Width of a cell's blurred edge, as the locating step found it.

    Returns
    -------
    PrintCheck
        ``ghost_shift_mm`` where the second copy lies from the first (x right, y down) and
        ``ghost_strength`` its density as a share of the print's; significances in standard
        errors; ``banding_amplitude_l`` half of the swing between the lines in L*, and
        ``banding_axis`` the axis along which the lines run; ``scorch_b`` the largest rise of
        the bare coat's b*, within ± ``scorch_u``; ``edge_width_mm`` 10–90 % of the linear
        signal, with lens and pixels in it; NaN where nothing could be measured.

    Notes
    -----
    ``uptake`` is an upper bound by reason, not a measurement: a print that took up too little
    dye is pale in the mid-tones *and* in black, while a wrong curve moves the mid-tones alone
    and a weak coat (or a mirrored room) lifts black alone. So the larger of the two ratios is
    taken, mid-tone density to that of the sRGB aim and black density to 1.6, and half of their
    difference goes into ``uptake_u``. It is not cut off: a coat that takes much dye, or a
    printer whose mid-tones come out darker than sRGB, gives more than 1. Yellowing of the whole
    sheet cannot be told from the lamp's colour in one photo, since colours are balanced on that
    very coat; only its local part is reported here. With a characterised camera the absolute b*
    of the coat shows the rest.
    """
    sheet = _prepare(target, flat, light, edge_mm)
    ghost, found = _ghost(target, sheet)
    moved = bool(found)
    band, more = _banding(target, sheet)
    if not moved or band[2] > 2 * _BAND_SIGNIFICANT:  # the copy's strips repeat with the lattice
        found += more
    missing = _missing(target, cells)
    found += [_ink_finding(name, target, cells) for name in missing]
    scorch_b, scorch_u, more = _scorch(target, sheet, light, field_rel, cells)
    found += [] if moved else more  # the copy's own dye tints bare coat
    found += _dots(target, sheet, ghost=moved)
    uptake, uptake_u = _uptake(target, cells)
    return PrintCheck(
        ghost_shift_mm=(ghost[0], ghost[1]),
        ghost_strength=ghost[2],
        ghost_significance=ghost[3],
        banding_period_mm=band[0],
        banding_amplitude_l=band[1],
        banding_significance=band[2],
        banding_axis="x" if band[3] == 0 else "y",
        missing=missing,
        scorch_b=scorch_b,
        scorch_u=scorch_u,
        edge_width_mm=_edge_width(target, flat),
        uptake=uptake,
        uptake_u=uptake_u,
        findings=tuple(found),
    )


# ---------------------------------------------------------------- the sheet on its working grid


def _boxes(mask: Any, boxes: Any, q: float, grow_mm: float, value: int) -> None:
    """Fill boxes in mm, grown by ``grow_mm`` (shrunk when negative), in place."""
    for x, y, w, h in np.asarray(boxes, dtype=float).reshape(-1, 4):
        # a grown box takes every pixel it touches, a shrunk one only whole pixels
        out = np.floor if grow_mm >= 0 else np.ceil
        back = np.ceil if grow_mm >= 0 else np.floor
        c0, c1 = int(out((x - grow_mm) * q)), int(back((x + w + grow_mm) * q))
        r0, r1 = int(out((y - grow_mm) * q)), int(back((y + h + grow_mm) * q))
        if c1 > max(c0, 0) and r1 > max(r0, 0):
            mask[max(r0, 0) : r1, max(c0, 0) : c1] = value


def _outline(target: Target, shape: tuple[int, int], q: float, rim_mm: float) -> Any:
    """Where the piece is, without its rim, (H, W) uint8."""
    ok = np.zeros(shape, np.uint8)
    w, h = target.size_mm
    if target.shape == "rect":
        r = int(np.ceil(rim_mm * q))
        ok[r : shape[0] - r, r : shape[1] - r] = 1
    else:
        cv2.circle(ok, (round(w * q / 2), round(h * q / 2)), int((w / 2 - rim_mm) * q), 1, -1)
    return ok


def _quiet(target: Target) -> Floats:
    """Markers and code with their quiet zones, (k, 4): those keep-out boxes that hold one."""
    if not len(target.keep_out_mm):
        return np.zeros((0, 4))
    b = target.keep_out_mm
    m = target.marker_box_mm
    mid = m[:, :2] + m[:, 2:] / 2
    inside = (b[:, None, :2] <= mid[None]) & (mid[None] <= (b[:, :2] + b[:, 2:])[:, None])
    return np.asarray(b[np.any(np.all(inside, axis=2), axis=1)])


def _bare_mask(target: Target, shape: tuple[int, int], q: float, margin: float) -> Any:
    """Unprinted coat away from printed edges: white cells, quiet zones of markers and code."""
    out = np.zeros(shape, np.uint8)
    _boxes(out, target.box_mm[target.kind == CellKind.WHITE], q, -margin, 1)
    _boxes(out, _quiet(target), q, -margin, 1)
    _boxes(out, target.marker_box_mm, q, margin, 0)
    x, y, w, h = target.code_box_mm
    if w:
        _boxes(out, [(x, y, w, h)], q, -margin, 1)
        side = 4 / 29 * w  # quiet zone of four modules around 21 (ISO/IEC 18004)
        _boxes(out, [(x + side, y + side, w - 2 * side, h - 2 * side)], q, margin, 0)
    return out


def _field_mask(target: Target, shape: tuple[int, int], q: float, margin: float, rim_mm: float) -> Any:
    """Plain grey away from cells, marks and rim."""
    out = _outline(target, shape, q, rim_mm)
    _boxes(out, target.box_mm, q, margin, 0)
    _boxes(out, target.keep_out_mm, q, margin, 0)
    return out


def _stretch(coarse: Any, step_mm: float, q: float, shape: tuple[int, int]) -> Any:
    """Coarse map (r, c[, 3]) brought to (H, W[, 3]) at ``q`` pixels per mm, bilinear."""
    big = cv2.resize(
        np.ascontiguousarray(coarse, np.float32),
        (round(coarse.shape[1] * step_mm * q), round(coarse.shape[0] * step_mm * q)),
        interpolation=cv2.INTER_LINEAR,
    )
    pad = [(0, max(0, shape[k] - big.shape[k])) for k in (0, 1)]
    if any(p[1] for p in pad):
        big = cv2.copyMakeBorder(big, 0, pad[0][1], 0, pad[1][1], cv2.BORDER_REPLICATE)
    return big[: shape[0], : shape[1]]


def _prepare(target: Target, flat: FlatImage, light: Light, edge_mm: float) -> _Sheet:
    """Reduce the flat photo to the working grid and take light and glare out of it."""
    w, h = target.size_mm
    q = float(min(flat.px_per_mm, np.sqrt(_WORK_PIXELS / (w * h))))
    shape = (round(h * q), round(w * q))
    size = (shape[1], shape[0])
    rgb = flat.rgb if q == flat.px_per_mm else cv2.resize(flat.rgb, size, interpolation=cv2.INTER_AREA)
    shape = rgb.shape[:2]
    size = (shape[1], shape[0])
    bad = ((flat.clipped & 1) | ~flat.inside).astype(np.uint8)
    how = cv2.INTER_AREA if q < flat.px_per_mm else cv2.INTER_NEAREST
    valid = cv2.resize(bad * np.uint8(255), size, interpolation=how) == 0
    e = _stretch(light.e_map, light.step_mm, q, shape)
    rel = (rgb - _stretch(light.g_map, light.step_mm, q, shape)) / np.maximum(e, 1e-5)
    glare = _stretch(light.glare.astype(np.float32), light.step_mm, q, shape) > 0.01
    gap = target.pitch_mm - target.cell_mm
    margin = float(np.clip(0.55 * edge_mm + 0.5 / q, 0.25, 0.3 * gap))
    bare = _bare_mask(target, shape, q, margin).astype(bool)
    plain = _field_mask(target, shape, q, margin, _RIM_MM).astype(bool)
    return _Sheet(
        rel=rel.astype(np.float32),
        valid=valid,
        bare=bare & valid & ~glare,
        field=plain & valid & ~glare,
        glare=glare,
        q=q,
        margin_mm=margin,
    )


def _clipped(image: Any, low: float, high: float) -> Any:
    """Clip an image; as one plane, since cv2 applies a number to the first channel only."""
    flat: Any = np.ascontiguousarray(image).reshape(image.shape[0], -1)
    least: Any = low
    most: Any = high
    return cv2.min(cv2.max(flat, least), most).reshape(image.shape)


def _extremes(image: Any) -> tuple[Any, Any]:
    """Largest and smallest channel of every pixel, (H, W) each."""
    a, b, c = cv2.split(image)
    return cv2.max(cv2.max(a, b), c), cv2.min(cv2.min(a, b), c)


def _local_mean(value: Any, mask: Any, sigma_px: float) -> Any:
    """Gaussian mean of the masked pixels around every place; made on a coarser grid when wide."""
    k = max(1, int(sigma_px / 3))
    m = mask.astype(np.float32)
    v = value * (m if value.ndim == 2 else m[..., None])
    small = (-(-m.shape[1] // k), -(-m.shape[0] // k))
    up = cv2.GaussianBlur(cv2.resize(v, small, interpolation=cv2.INTER_AREA), (0, 0), sigma_px / k)
    down = cv2.GaussianBlur(cv2.resize(m, small, interpolation=cv2.INTER_AREA), (0, 0), sigma_px / k)
    mean = up / np.maximum(down if value.ndim == 2 else down[..., None], 1e-6)
    return cv2.resize(mean, (m.shape[1], m.shape[0]), interpolation=cv2.INTER_LINEAR)


# ---------------------------------------------------------------- ghost


def _correlate(a: Any, b: Any, reach: int) -> Floats:
    """Σ a(x)·b(x − d) for shifts |d| ≤ ``reach``, (2·reach + 1, 2·reach + 1); a, b spectra."""
    full = cv2.idft(cv2.mulSpectrums(a, b, 0, conjB=True), flags=cv2.DFT_SCALE | cv2.DFT_REAL_OUTPUT)
    k = np.arange(-reach, reach + 1)
    return np.asarray(full[np.ix_(k, k)], dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class _Shifts:
    """Least squares over all shifts: strength, its normal-equation weight and their signed root gain."""

    strength: Floats
    weight: Floats
    gain: Floats
    reach: int
    q: float


def _regress(density: Any, residual: Any, bare: Any, plain: Any, q: float) -> _Shifts:
    """Regress the residual of bare coat and field on the shifted print, for every shift."""
    reach = int(_GHOST_REACH_MM * q)
    h, w = density.shape
    rows, cols = cv2.getOptimalDFTSize(h + reach + 1), cv2.getOptimalDFTSize(w + reach + 1)

    def spectrum(a: Any) -> Any:
        padded = np.zeros((rows, cols), np.float32)
        padded[:h, :w] = a
        return cv2.dft(padded)

    d, d2 = spectrum(density), spectrum(density * density)
    numerator, weight = np.zeros((2 * reach + 1,) * 2), np.zeros((2 * reach + 1,) * 2)
    both = spectrum((bare | plain).astype(np.float32))
    weight += _correlate(both, d2, reach)
    r = np.where(bare | plain, residual, 0).astype(np.float32)
    for part in (bare, plain):
        n = float(part.sum())
        if n < 50:
            continue
        r[part] -= r[part].mean()
        total = _correlate(spectrum(part.astype(np.float32)), d, reach)
        weight -= total**2 / n
    numerator = _correlate(spectrum(r), d, reach)
    weight = np.maximum(weight, 1e-3 * weight.max() + 1e-9)
    return _Shifts(numerator / weight, weight, numerator / np.sqrt(weight), reach, q)


def _ghost(target: Target, sheet: _Sheet) -> tuple[tuple[float, float, float, float], list[Finding]]:
    """Look for a second, shifted copy of the print: (dx, dy, strength, significance), findings."""
    h, w = sheet.valid.shape
    f = min(1.0, float(np.sqrt(_GHOST_PIXELS / (h * w))))
    q = sheet.q * f
    size = (round(w * f), round(h * f))
    rel = sheet.rel if f == 1.0 else cv2.resize(sheet.rel, size, interpolation=cv2.INTER_AREA)
    # the geometric mean of the channels: every dye of the copy counts
    density = cv2.transform(cv2.log(_clipped(rel, 0.02, 2.0)), np.full((1, 3), -1 / (3 * np.log(10))))

    def small(m: Any) -> Mask:
        return np.asarray(cv2.resize(m.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.999)

    bare, plain, valid = small(sheet.bare), small(sheet.field), small(sheet.valid)
    inside = _outline(target, density.shape, q, 0.5).astype(bool) & valid
    density = np.where(inside, np.clip(density, -0.05, 1.9), 0).astype(np.float32)
    residual = density.copy()
    smooth = _local_mean(density, plain, 5.0 * q)
    residual[plain] -= smooth[plain]
    limit = 0.25
    plain &= np.abs(residual) < limit  # spots and specks are none of it
    bare &= np.abs(residual) < limit
    none = (0.0, 0.0, 0.0, 0.0)
    if bare.sum() + plain.sum() < 500:
        return none, []
    s = _regress(density, residual, bare, plain, q)
    one_sided = s.gain - s.gain[::-1, ::-1]
    k = np.arange(-s.reach, s.reach + 1)
    r = np.hypot(k[:, None], k[None, :]) / q
    ring = (r <= _GHOST_REACH_MM - 0.5) & (r >= max(0.28, 0.6 / q))
    score = np.where(ring & (s.strength > 0), one_sided, -np.inf)
    j, i = np.unravel_index(int(np.argmax(score)), score.shape)
    dy, dx = _peak(one_sided, int(j), int(i))
    dy, dx = (dy - s.reach) / q, (dx - s.reach) / q
    strength, spread = _by_part(density, residual, bare, plain, dx, dy, q)
    significance = strength / max(spread, 1e-6)
    # a copy nearer than the edges are wide is easily feigned by a slightly wrong place of the sheet
    needed = _GHOST_SIGNIFICANT * (1 + float(np.clip((0.9 - np.hypot(dx, dy)) / 0.4, 0, 0.7)))
    if strength < _GHOST_LEAST or significance < needed:
        return (float(dx), float(dy), float(max(strength, 0.0)), float(max(significance, 0.0))), []
    field_d = float(np.median(density[plain])) if plain.any() else 0.7
    shadow = 10.0 ** (-strength * field_d)
    lab = relative_lab(np.array([[1.0, 1.0, 1.0], [shadow] * 3]))
    mid = (target.size_mm[0] / 2, target.size_mm[1] / 2)
    return (float(dx), float(dy), strength, float(significance)), [
        Finding(
            kind="ghost",
            x_mm=mid[0],
            y_mm=mid[1],
            diameter_mm=float(max(target.size_mm)),
            area_mm2=float(target.size_mm[0] * target.size_mm[1]),
            delta_e00=float(delta_e00(lab[1], lab[0])),
            delta_l=float(lab[1, 0] - 100.0),
            confidence=float(min(0.99, 1 - 2 / significance**2)),
            where=_direction(dx, dy),
            severity="fault",
            detail={"shift_mm": [round(float(dx), 2), round(float(dy), 2)], "strength": round(strength, 3)},
        )
    ]


def _peak(a: Floats, j: int, i: int) -> tuple[float, float]:
    """Refine a maximum to a part of a pixel by parabolas."""
    out = []
    for axis, k in ((0, j), (1, i)):
        line = a[:, i] if axis == 0 else a[j, :]
        if 0 < k < len(line) - 1:
            lo, mid, hi = line[k - 1], line[k], line[k + 1]
            bend = lo - 2 * mid + hi
            out.append(k + float(np.clip(0.5 * (lo - hi) / bend, -0.5, 0.5)) if bend < 0 else float(k))
        else:
            out.append(float(k))
    return float(out[0]), float(out[1])


def _by_part(density: Any, residual: Any, bare: Any, plain: Any, dx: float, dy: float, q: float) -> tuple[float, float]:
    """Strength at one shift net of its mirror image, from parts of the sheet, and its standard error."""
    h, w = density.shape
    moves = [np.array([[1, 0, k * dx * q], [0, 1, k * dy * q]]) for k in (1, -1)]
    reach = [cv2.warpAffine(density, m, (w, h), flags=cv2.INTER_LINEAR) for m in moves]
    values, weights = [], []
    rows, cols = np.linspace(0, h, 4).astype(int), np.linspace(0, w, 4).astype(int)
    for a in range(3):
        for b in range(3):
            part = (slice(rows[a], rows[a + 1]), slice(cols[b], cols[b + 1]))
            normal, right = np.zeros((2, 2)), np.zeros(2)
            for m in (bare[part], plain[part]):
                if m.sum() < 60:
                    continue
                p = np.stack([x[part][m] for x in reach], axis=1).astype(float)
                y = residual[part][m].astype(float)
                p -= p.mean(axis=0)
                y -= y.mean()
                normal += p.T @ p
                right += p.T @ y
            if normal[0, 0] > 1e-6 and normal[1, 1] > 1e-6:
                x = np.linalg.solve(normal + 0.02 * np.trace(normal) / 2 * np.eye(2), right)
                values.append(x[0] - max(x[1], 0.0))
                weights.append(normal[0, 0])
    if len(values) < 4:
        return 0.0, 1.0
    v, wt = np.array(values), np.array(weights)
    wt = np.minimum(wt, 3 * np.median(wt))
    mean = float((v * wt).sum() / wt.sum())
    n = wt.sum() ** 2 / (wt**2).sum()
    spread = float(np.sqrt((wt * (v - mean) ** 2).sum() / wt.sum() / max(n - 1, 1)))
    return mean, max(spread, 0.001)


def _direction(dx: float, dy: float) -> str:
    """Say which way the copy lies."""
    side = "right" if dx > 0 else "left"
    down = "down" if dy > 0 else "up"
    if abs(dx) < 0.35 * abs(dy):
        words = down
    elif abs(dy) < 0.35 * abs(dx):
        words = f"to the {side}"
    else:
        words = f"{down} and to the {side}"
    return f"whole sheet, copy lies {np.hypot(dx, dy):.1f} mm {words}"


# ---------------------------------------------------------------- banding


def _profile(log: Any, mask: Any, axis: int) -> tuple[Floats, Floats]:
    """Mean along rows (axis 1) or columns (axis 0) of the masked pixels, and their number."""
    m = mask.astype(np.float32)
    n = cv2.reduce(m, axis, cv2.REDUCE_SUM, dtype=cv2.CV_64F).reshape(-1)
    planes = cv2.merge([c * m for c in cv2.split(log)])
    total = cv2.reduce(planes, axis, cv2.REDUCE_SUM, dtype=cv2.CV_64F).reshape(-1, 3)
    return total / np.maximum(n, 1)[:, None], np.asarray(n, dtype=float)


def _waves(profile: Floats, weight: Floats, q: float, freq: Floats) -> Any:
    """Complex amplitude of the weighted profile at each frequency (cycles per mm), (f, c)."""
    y = (np.arange(len(profile)) + 0.5) / q
    waves = np.exp(-2j * np.pi * freq[:, None] * y[None, :])
    return 2 * (waves * weight) @ profile / weight.sum()


def _banding(target: Target, sheet: _Sheet) -> tuple[tuple[float, float, float, int], list[Finding]]:
    """Look for regular fine lines in the field: (period, amplitude, significance, axis), findings."""
    log = cv2.log(_clipped(sheet.rel, 0.01, 2.0)) * np.float32(-1 / np.log(10))
    plain = sheet.field.copy()
    # twice the margin of everything else: what is left of the lattice is small
    h, w = plain.shape
    wide = min(2.2 * sheet.margin_mm, 0.38 * (target.pitch_mm - target.cell_mm))
    plain &= _field_mask(target, (h, w), sheet.q, wide, 2 * _RIM_MM).astype(bool)
    if plain.sum() < 2000:
        return (0.0, 0.0, 0.0, 0), []
    res = log - _local_mean(log, plain, 4.0 * sheet.q)
    high, low = _extremes(res)
    plain &= (high < 0.12) & (low > -0.12)
    best: tuple[float, float, float, int] = (0.0, 0.0, 0.0, 0)
    dye, found = "", False
    rel_field = np.median(sheet.rel[plain], axis=0)
    for axis in (0, 1):
        got = _one_axis(target, res, plain, sheet.q, axis, rel_field)
        if got is not None and got[2] > best[2]:
            best, dye, found = (got[0], got[1], got[2], axis), got[3], got[4]
    if not found:
        return best, []
    period, amplitude, significance, axis = best
    lab = relative_lab(rel_field[None, :])[0]
    swing = np.array([lab, lab + np.array([2 * amplitude, 0, 0])])
    return best, [
        Finding(
            kind="banding",
            x_mm=target.size_mm[0] / 2,
            y_mm=target.size_mm[1] / 2,
            diameter_mm=period,
            area_mm2=float(target.size_mm[0] * target.size_mm[1]),
            delta_e00=float(delta_e00(swing[1], swing[0])),
            delta_l=amplitude,
            confidence=float(min(0.99, 1 - 4 / significance**2)),
            where=f"whole sheet, lines {'level' if axis == 0 else 'upright'}, one every {period:.1f} mm",
            severity="fault",
            detail={"period_mm": round(period, 3), "axis": "x" if axis == 0 else "y", "dye": dye},
        )
    ]


def _one_axis(
    target: Target, res: Any, plain: Any, q: float, axis: int, rel_field: Floats
) -> tuple[float, float, float, str, bool] | None:
    """Lines along x (axis 0) or y (axis 1): period, amplitude in L*, significance, dye, certain."""
    across = 1 - axis  # the numpy axis to average over
    profile, n = _profile(res, plain, across)
    weight = np.minimum(n, np.percentile(n, 90)) if n.max() > 0 else n
    if weight.sum() < 500:
        return None
    length = float(target.size_mm[1 - axis])
    profile = profile - (profile * weight[:, None]).sum(axis=0) / weight.sum()
    # a spectrum fine enough that the harmonics of a frequency lie on it too
    points = cv2.getOptimalDFTSize(int(20 * len(profile)))
    amp = 2 * np.fft.rfft(profile * weight[:, None], n=points, axis=0) / weight.sum()
    step = q / points
    last = int(min(1 / _BAND_MM[0], 0.42 * q) / step)
    power = np.abs(amp[: last + 1])
    freq = np.arange(last + 1) * step
    thin = max(1, int(1 / (4 * length) / step))
    k = max(9, int(0.15 * last / thin) | 1)
    # the median of a Rayleigh distribution lies at 1.1774 of its scale
    middle = [_running_median(power[::thin, c], k) / 1.1774 for c in range(3)]
    noise = np.stack([np.interp(freq, freq[::thin], m) for m in middle], axis=1)
    z2 = (power / np.maximum(noise, 1e-5)) ** 2
    # residue of the lattice: its pitch and harmonics
    off = np.abs(freq * target.pitch_mm - np.round(freq * target.pitch_mm)) / target.pitch_mm
    z2[off < 1.2 / length] /= 16
    z2[freq < 0.8 / _BAND_MM[1]] = 0
    first, end = int(np.ceil(1 / _BAND_MM[1] / step)), last
    at = np.arange(first, end + 1)
    score = np.zeros((len(at), 3))
    total = np.zeros((len(at), 3))
    for h in range(1, 9):  # harmonics: fine lines far apart have many of like height
        inside = h * at <= last
        total[inside] += z2[h * at[inside]] - 2
        if h in (1, 2, 4, 8):
            gain = np.where(inside[:, None], total / (2 * np.sqrt(h)), 0)
            score = np.maximum(score, np.sqrt(np.maximum(2 * gain + 2, 0)))
    f, c = np.unravel_index(int(np.argmax(score)), score.shape)
    l_of = _lightness_slope(rel_field)
    significance = float(score[f, c])
    fine: Floats = np.asarray(freq[int(f) + first] + np.linspace(-1, 1, 17) / (6 * length), dtype=np.float64)
    total = np.abs(_waves(profile, weight, q, fine)) @ np.ones(3)
    base = float(fine[int(np.argmax(total))])
    harmonics = np.arange(1, 1 + max(1, int(min(8, freq[-1] / base))), dtype=np.float64)
    series: Floats = np.asarray(base * harmonics, dtype=np.float64)
    parts = _waves(profile, weight, q, series)
    phase = np.exp(2j * np.pi * np.arange(64)[:, None] / 64 * np.arange(1, len(series) + 1)[None, :])
    wave = np.real(phase @ parts)  # one period, density per channel
    lightness = -wave @ l_of
    amplitude = float(np.ptp(lightness) / 2)
    main = np.real(parts[0] * np.conj(parts[0, c]) / max(abs(parts[0, c]), 1e-12))
    # the two halves of the sheet must show the same lines
    agree = _halves_agree(res, plain, q, across, base, int(c))
    certain = (
        agree
        and significance >= _BAND_SIGNIFICANT
        and amplitude >= _BAND_LEAST_L * (0.6 if significance > 1.7 * _BAND_SIGNIFICANT else 1.0)
    )
    return 1 / base, amplitude, significance, _dye_of(main), bool(certain)


def _running_median(v: Floats, k: int) -> Floats:
    """Median over ``k`` neighbours; the ends repeat."""
    padded = np.pad(v, k // 2, mode="reflect") if len(v) > k // 2 else np.pad(v, k // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, k), axis=1))


def _lightness_slope(rel: Floats) -> Floats:
    """Change of −L* per unit of density in each channel, (3,)."""
    base = relative_lab(rel[None, :])[0, 0]
    out = []
    for c in range(3):
        moved = rel.copy().astype(float)
        moved[c] *= 10**-0.01
        out.append((base - relative_lab(moved[None, :])[0, 0]) / 0.01)
    return np.array(out)


def _halves_agree(res: Any, plain: Any, q: float, across: int, base: float, channel: int) -> bool:
    """Whether the lines run through both halves of the sheet with one phase and like depth."""
    half = res.shape[across] // 2
    pair = []
    for part in (slice(0, half), slice(half, None)):
        cut = (slice(None), part) if across == 1 else (part, slice(None))
        p, n = _profile(res[cut], plain[cut], across)
        if n.sum() < 200:
            return False
        weight = np.minimum(n, max(float(np.percentile(n, 90)), 1.0))
        pair.append(_waves(p, weight, q, np.array([base]))[0, channel])
    a, b = pair
    big = max(abs(a), abs(b), 1e-12)
    return bool(np.real(a * np.conj(b)) > 0.3 * big * big)


def _dye_of(density: Floats) -> str:
    """Name the dye whose lines show this density in red, green and blue."""
    d = density * np.sign(density[int(np.argmax(np.abs(density)))])
    if d.min() > 0.6 * d.max():
        return "black"
    return _INKS[int(np.argmax(d))]


# ---------------------------------------------------------------- ink


def _density(cells: Cells) -> Floats:
    """Density of each camera channel relative to the coat, (n, 3); for one photo only, no standard status."""
    return -np.log10(np.clip(cells.rgb_rel, 0.003, 2.0))


def _usable(cells: Cells) -> Mask:
    bad = CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE
    return np.asarray((cells.flags & int(bad)) == 0)


def _missing(target: Target, cells: Cells) -> tuple[str, ...]:
    """Name the inks that were not printed.

    A dye shows by what it alone absorbs: somewhere on the sheet one channel is denser than
    both others. Whatever the curves, casts or exchanged inks, that excess scales with uptake
    alike for all three; where a dye is missing it vanishes. Black shows by how much denser
    the full black is than pairs of full dyes.
    """
    ok = _usable(cells) & ((target.kind == CellKind.COLOUR) | (target.kind == CellKind.CONTROL))
    d = _density(cells)
    out: list[str] = []
    if ok.sum() >= 12:
        rank = min(3, max(1, int(0.04 * ok.sum())))
        excess = np.array([np.sort(d[ok, c] - np.delete(d[ok], c, axis=1).max(axis=1))[-rank] for c in range(3)])
        for c, name in enumerate(_INKS):
            others = np.delete(excess, c)
            if np.max(others) > 0.15 and excess[c] < _MISSING_SHARE * max(float(np.median(others)), 0.15):
                out.append(name)
        chroma = np.hypot(cells.lab[ok, 1], cells.lab[ok, 2])
        if not out and float(np.percentile(chroma, 95)) < 4.0 and float(np.percentile(d[ok], 95)) > 0.3:
            out = list(_INKS)
    if not out and _black_missing(target, cells):
        out.append("black")
    return tuple(out)


def _black_missing(target: Target, cells: Cells) -> bool:
    """Full black hardly denser than two full dyes, or dark greys that stop getting darker."""
    ok = _usable(cells)
    rgb = target.device_rgb
    pairs = np.array([(255, 0, 0), (0, 255, 0), (0, 0, 255)])
    black = ok & (rgb == 0).all(axis=1)
    at = [ok & (rgb == p).all(axis=1) for p in pairs]
    if not black.any() or not all(m.any() for m in at):
        return False
    depth = float(np.median(cells.density[black]))
    ratio = 2 * depth / max(float(np.sum([cells.density[m].mean() for m in at])), 1e-3)
    if ratio < 1.25:
        return True
    grey = ok & (np.ptp(rgb, axis=1) == 0)
    v, d = rgb[grey, 0].astype(float), cells.density[grey]
    order = np.argsort(v)
    if len(v) < 6:
        return False
    dark, mid = np.interp([60.0, 120.0], v[order], d[order])
    # a mirrored room shortens the scale from black on; without black ink dark grey itself stays pale
    return bool(ratio < 1.48 and dark < min(1.5 * mid, 0.95))


def _ink_finding(name: str, target: Target, cells: Cells) -> Finding:
    """Describe a missing ink; the difference is that of the field from a neutral of its lightness."""
    control = (target.kind == CellKind.CONTROL) & (np.ptp(target.device_rgb, axis=1) == 0)
    lab = cells.lab[control] if control.any() else cells.lab[target.kind == CellKind.BLACK]
    seen = np.median(lab, axis=0) if len(lab) else np.array([50.0, 0.0, 0.0])
    neutral = np.array([50.0, 0.0, 0.0])
    w, h = target.size_mm
    return Finding(
        kind="missing-ink",
        x_mm=w / 2,
        y_mm=h / 2,
        diameter_mm=float(max(w, h)),
        area_mm2=float(w * h),
        delta_e00=float(delta_e00(seen, neutral)),
        delta_l=float(seen[0] - neutral[0]),
        confidence=0.8 if name == "black" else 0.97,
        where="whole sheet",
        severity="fault",
        detail={"ink": name},
    )


def _uptake(target: Target, cells: Cells) -> tuple[float, float]:
    """Dye taken up relative to a full pressing, and its uncertainty; see `check_print`."""
    ok = _usable(cells)
    black = ok & (target.kind == CellKind.BLACK)
    grey = ok & (np.ptp(target.device_rgb, axis=1) == 0)
    v = target.device_rgb[:, 0]
    grey &= (v >= 80) & (v <= 215)
    ratios = []
    if black.any():
        ratios.append(float(np.median(cells.density[black])) / _FULL_BLACK)
    if grey.any():
        code = v[grey] / 255.0
        aim = -np.log10(np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4))
        ratios.append(float(np.median(cells.density[grey] / aim)))
    if not ratios:
        return float("nan"), float("nan")
    doubt = 0.08 + 0.5 * (max(ratios) - min(ratios)) + (0.2 if len(ratios) == 1 else 0.0)
    return max(ratios), doubt


# ---------------------------------------------------------------- scorch

_RED_RISE = 0.25  # yellowing takes green down too: rise of log R/G per fall of log B/G
# a lamp that moves blue moves red too: slope of log B/G believed over half a sheet without and per spread of red
_TINT, _TINT_SHARE = 0.005, 0.1
_SAME_LIGHT, _SAME_TINT = 0.01, 0.1  # how far the light on bare coat may stray from that on the field (estimates)
_LAMP_SLOPE = -1.6  # daylight to lamplight: fall of log B/G per rise of log R/G (CIE D65, D50, A in sRGB)


def _scorch(
    target: Target, sheet: _Sheet, light: Light, field_rel: Floats, cells: Cells
) -> tuple[float, float, list[Finding]]:
    """Look for yellowed coat: Δb*, its uncertainty, findings.

    Two lamps of unlike colour, mixed in any shares, move a colour along a straight line in the
    plane of the channel ratios R/G and B/G, and slowly; yellowing leaves R/G nearly alone and
    takes B/G down in one region. So blue is predicted from red, a slow surface and the colours
    printed near by, robustly, on bare coat and on the grey field apart; both must lack it.
    """
    xy, ratio, bare = _chroma_places(target, sheet, light, field_rel, cells)
    if bare.sum() < 4 or len(xy) < 8:
        return float("nan"), float("nan"), []
    half = max(target.size_mm) / 2
    unit = (xy - np.array(target.size_mm) / 2) / half
    lack, sigma = np.zeros(len(xy)), np.ones(len(xy))
    around = _surround(sheet, xy)
    lamp: Floats | None = None
    for part in (~bare, bare):
        if part.sum() >= 4:
            known = lamp if part is bare else None
            lack[part], sigma[part], lamp = _blue_lack(
                ratio[part, 0], ratio[part, 1], unit[part], around[part], field=part is not bare, lamp=known
            )
    b_of = -float(relative_lab(np.array([[1 - _RED_RISE * 0.01, 1.0, 1.01]]))[0, 2]) / 0.01
    top, u, k, sure = _most_yellow(xy, lack, sigma, bare, target.pitch_mm, 0.1 / b_of)
    top, u = max(top, 0.0) * b_of, u * b_of
    u = max(u, 0.1 * top)
    if not sure:
        return top, max(u, top / (_SCORCH_SIGNIFICANT - 1)), []  # not borne out: as unsure as it is large
    far = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    z = max(top / u, _SCORCH_SIGNIFICANT)
    region = (lack * b_of > 0.4 * top) & (far[k] < 60)
    region[k] = True
    peak = max(top, float(np.sort(lack[region] * b_of)[-min(2, int(region.sum()))]))
    if peak < _SCORCH_LEAST_B:
        return peak, u, []
    centre = (xy[region] * lack[region, None]).sum(axis=0) / lack[region].sum()
    size = 2 * float(np.sqrt(2 * np.mean(((xy[region] - centre) ** 2).sum(axis=1))))
    size = max(size, target.pitch_mm)
    y = peak / b_of
    lab = relative_lab(np.array([[1.0, 1.0, 1.0], [1 + _RED_RISE * y, 1.0, 1 - y]]))
    cx, cy = (float(v) for v in centre)
    return (
        peak,
        u,
        [
            Finding(
                kind="scorch",
                x_mm=cx,
                y_mm=cy,
                diameter_mm=min(size, 2 * half),
                area_mm2=float(np.pi / 4 * size**2),
                delta_e00=float(delta_e00(lab[1], lab[0])),
                delta_l=float(lab[1, 0] - lab[0, 0]),
                confidence=float(np.clip(1 - (2 / z) ** 2, 0.5, 0.98)),
                where=where_in_words(cx, cy, target.size_mm, target.shape),
                severity="fault",
                detail={"delta_b": round(peak, 2), "u": round(u, 2)},
            )
        ],
    )


def _chroma_places(
    target: Target, sheet: _Sheet, light: Light, field_rel: Floats, cells: Cells
) -> tuple[Floats, Floats, Mask]:
    """Places (n, 2), their log R/G and log B/G with the lamp's colour left in (n, 2), bare or field (n,)."""
    xy: list[Any] = []
    rgb: list[Any] = []
    bare: list[bool] = []
    white = (target.kind == CellKind.WHITE) & _usable(cells)
    for k in np.nonzero(white)[0]:
        xy.append(target.box_mm[k, :2] + target.box_mm[k, 2:] / 2)
        rgb.append(cells.rgb_rel[k] * light.e_cell[k])
        bare.append(True)
    rows, cols = light.e_map.shape[:2]
    for x, y, bw, bh in _quiet(target):
        part = (
            slice(max(int(y * sheet.q), 0), int((y + bh) * sheet.q)),
            slice(max(int(x * sheet.q), 0), int((x + bw) * sheet.q)),
        )
        m = sheet.bare[part]
        if m.sum() < 80:
            continue
        place = np.array([x + bw / 2, y + bh / 2])
        r, c = (min(int(v / light.step_mm), n - 1) for v, n in zip(place[::-1], (rows, cols), strict=True))
        xy.append(place)
        rgb.append(np.median(sheet.rel[part][m], axis=0) * light.e_map[r, c])
        bare.append(True)
    ok = np.isfinite(field_rel[..., 0]) & ~light.glare & (np.nan_to_num(field_rel).min(axis=2) > 0.01)
    step = max(1, round(0.8 * target.pitch_mm / light.step_mm))
    seen = field_rel * light.e_map
    place, value = _block_medians(seen, ok, step, light.step_mm)
    xy += list(place)
    rgb += list(value)
    bare += [False] * len(place)
    if not xy:
        return np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0, bool)
    v = np.log(np.maximum(np.array(rgb), 1e-6))
    return np.array(xy), np.stack([v[:, 0] - v[:, 1], v[:, 2] - v[:, 1]], axis=1), np.array(bare)


def _block_medians(seen: Floats, ok: Mask, step: int, step_mm: float) -> tuple[Floats, Floats]:
    """Medians of square blocks with enough good places: middle of the good ones in mm (n, 2), value (n, 3)."""
    rows, cols = ok.shape
    tall, wide = -(-rows // step), -(-cols // step)
    v = np.full((tall * step, wide * step, 3), np.nan)
    v[:rows, :cols] = np.where(ok[..., None], seen, np.nan)
    blocks = v.reshape(tall, step, wide, step, 3).transpose(0, 2, 1, 3, 4).reshape(tall * wide, step * step, 3)
    good = np.isfinite(blocks[..., 0])
    n = good.sum(axis=1)
    held = np.minimum(step, rows - step * np.arange(tall))[:, None] * np.minimum(step, cols - step * np.arange(wide))
    use = n >= np.maximum(3, 0.25 * held.ravel())
    blocks, good, n = np.sort(blocks[use], axis=1), good[use], n[use]  # what is missing sorts to the end
    k = np.arange(len(n))
    middle = (blocks[k, (n - 1) // 2] + blocks[k, n // 2]) / 2
    inner = np.stack(np.meshgrid(np.arange(step), np.arange(step)), axis=-1).reshape(-1, 2) + 0.5
    at = (good[..., None] * inner).sum(axis=1) / np.maximum(n, 1)[:, None]
    row, col = np.divmod(np.nonzero(use)[0], wide)
    return (np.stack([col, row], axis=1) * step + at) * step_mm, middle


def _surround(sheet: _Sheet, xy: Floats) -> Floats:
    """Red and blue over green of the print around each place, near and wide, (n, 4).

    Thick glass spreads light sideways and a photo's file spreads colour (4:2:0): both tint a
    place by what is printed beside it.
    """
    h, w = sheet.valid.shape
    size = (max(1, round(w / sheet.q)), max(1, round(h / sheet.q)))
    coarse = cv2.resize(sheet.rel, size, interpolation=cv2.INTER_AREA)
    out = []
    for sigma in (2.5, 8.0):
        soft = cv2.GaussianBlur(coarse, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
        r = np.clip(xy[:, 1].astype(int), 0, soft.shape[0] - 1)
        c = np.clip(xy[:, 0].astype(int), 0, soft.shape[1] - 1)
        v = soft[r, c].astype(float)
        out += [v[:, 0] - v[:, 1], v[:, 2] - v[:, 1]]
    return np.stack(out, axis=1)


def _blue_lack(
    red: Floats, blue: Floats, unit: Floats, around: Floats, *, field: bool, lamp: Floats | None = None
) -> tuple[Floats, float, Floats]:
    """How much blue is lacking against the lamp's own line and a slow surface (n,), its scale, and the fit.

    ``lamp`` is the fit of the field, whose many places hold the few of the bare coat to the same light.

    Yellowed places may be many: the fit holds to the blue side by counting yellow residuals less.
    """
    t = polynomial_terms(unit[:, 0], unit[:, 1], 2)
    near = around - np.median(around, axis=0)
    a = np.column_stack([t, near, red - np.median(red)])
    noise = 0.006
    few = max(len(blue) / 12, 1.0)  # neighbours share their errors: the prior weighs as if places were few
    ridge = np.zeros(a.shape[1])
    spread = float(np.subtract(*np.percentile(red, (90, 10)))) if len(red) > 4 else 0.0
    ridge[1:3] = few * (noise / (_TINT + _TINT_SHARE * spread)) ** 2
    ridge[3:6] = few * (noise / 0.006) ** 2  # what is left of a lamp's curvature once red is used is small
    ridge[6:-1] = (noise / 0.3) ** 2 if field else few * (noise / 0.1) ** 2
    ridge[-1] = (noise / 0.5) ** 2 if field else few * (noise / 0.3) ** 2
    prior = np.zeros(a.shape[1])
    prior[-1] = _LAMP_SLOPE
    if lamp is not None:
        prior[1:6], prior[-1] = lamp[1:6], lamp[-1]
        ridge[1:6] = few * (noise / _SAME_LIGHT) ** 2
        ridge[6:-1] = few * (noise / _SAME_TINT) ** 2
        ridge[-1] = few * (noise / 0.1) ** 2
    w: Floats = np.ones(len(blue))
    r: Floats = np.asarray(blue - np.median(blue), dtype=np.float64)
    sigma = noise
    x: Floats = prior
    for _ in range(12):
        normal = a.T @ (a * w[:, None]) + np.diag(ridge + 1e-9)
        x = np.asarray(np.linalg.solve(normal, a.T @ (w * blue) + ridge * prior))
        r = np.asarray(blue - a @ x)
        upper = r[r >= np.median(r)] - np.median(r)
        sigma = max(float(np.median(upper)) * 1.48, float(np.percentile(upper, 85)) / 1.44, 0.0025)
        w = np.asarray(np.maximum(tukey_weights(np.where(r < 0, 1.5 * r, r), sigma), 1e-3), dtype=np.float64)
    share = 1 + float(np.clip(x[-1], -2.0, 0.0)) * _RED_RISE
    return np.asarray(-(r - np.median(r[r >= np.percentile(r, 30)])) / share), sigma / share, x


def _most_yellow(
    xy: Floats, lack: Floats, sigma: Floats, bare: Mask, pitch_mm: float, least: float
) -> tuple[float, float, int, bool]:
    """Strongest yellowing that bare coat and grey field show at one place: lack, error, place, certain.

    The smaller of the two counts. A weak one counts only when the whole sheet shows the same
    pattern on coat and grey: colours that stray from printed neighbours differ between the two.
    """
    far = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    near = np.exp(-0.5 * (far / (0.75 * pitch_mm)) ** 2)
    values, own, known = [], [], np.ones(len(xy), dtype=bool)
    for part, enough in ((bare, 0.3), (~bare, 1.0)):
        w = near[:, part]
        total = np.maximum(w.sum(axis=1), 1e-9)
        values.append(w @ lack[part] / total)
        own.append(sigma[part][0] * np.sqrt((w**2).sum(axis=1)) / total if part.any() else np.ones(len(xy)))
        known &= w.sum(axis=1) > enough
    if known.sum() < 8:
        return 0.0, least, 0, False
    joint = np.where(known, np.minimum(*values), -np.inf)
    k = int(np.argmax(joint))
    varies = min(float(np.ptp(v[known])) for v in values) > 1e-12
    alike = float(np.corrcoef(values[0][known], values[1][known])[0, 1]) if varies else 0.0
    low = max(-float(np.percentile(v[known], 3)) / 2 for v in values)
    error = max(least, 0.5 * float(np.hypot(own[0][k], own[1][k])), 0.5 * low)
    value = float(joint[k])
    sure = value > 2 * _SCORCH_LACK or (value > _SCORCH_LACK and alike > _SCORCH_ALIKE)
    return value, error, k, sure and value > 2 * error


# ---------------------------------------------------------------- crisp dots and hairs


def _dots(target: Target, sheet: _Sheet, *, ghost: bool) -> list[Finding]:
    """Find pale and coloured dots with a sharp rim in the field and in the cells' middles."""
    q = sheet.q
    h, w = sheet.valid.shape
    # the square root is close enough to the eye's scale and cheap
    v = cv2.sqrt(_clipped(sheet.rel, 0.0, 1.5))
    look = _field_mask(target, (h, w), q, sheet.margin_mm + 0.15, 2 * _RIM_MM)
    base = _local_mean(v, (look > 0) & sheet.valid, 3.0 * q)
    inner, rough = np.zeros((h, w), np.uint8), np.zeros((h, w), np.float32)
    cut = max(0.14 * target.cell_mm, sheet.margin_mm + 0.3)
    _boxes(inner, target.box_mm, q, -cut, 1)
    top, left = (
        np.ceil((target.box_mm[:, 1] + cut) * q).astype(int),
        np.ceil((target.box_mm[:, 0] + cut) * q).astype(int),
    )
    low_, right = target.box_mm[:, 1] + target.box_mm[:, 3] - cut, target.box_mm[:, 0] + target.box_mm[:, 2] - cut
    end_r, end_c = (low_ * q).astype(int), (right * q).astype(int)
    k = int(min((end_r - top).min(), (end_c - left).min())) if len(top) else 0
    if k >= 3:
        steps = np.arange(0, k, 2)
        some = v[
            np.clip(top[:, None] + steps, 0, h - 1)[:, :, None], np.clip(left[:, None] + steps, 0, w - 1)[:, None, :]
        ]
        some = some.reshape(len(top), -1, 3)
        middle = np.median(some, axis=1)
        worst = (some - middle[:, None]).min(axis=2)
        uneven = 1.4826 * np.median(np.abs(worst), axis=1)
        for n in range(len(top)):
            part = (slice(top[n], end_r[n]), slice(left[n], end_c[n]))
            base[part], rough[part] = middle[n], uneven[n]
    area = ((look | inner) > 0) & sheet.valid & ~sheet.glare
    d = v - base
    high, least = (np.where(area, k, 0).astype(np.float32) for k in _extremes(d))
    pale, dark = least, -least
    noise = np.maximum(mad_std(least[look > 0][::7]), 0.002) if (look > 0).any() else 0.01
    out: list[Finding] = []
    # a rough cell (dark, strongly coloured, sharpened) must be exceeded by its own roughness
    blocks = _tail(np.minimum(high, -least)[area])
    low = max(0.055, 7 * float(noise), _BLOCKS * blocks)
    for kind, strength in (("pinhole", pale), ("speck", dark)):
        calm = np.minimum(1.0, low / np.maximum(7 * rough, low)).astype(np.float32)
        out += _components(target, sheet, kind, strength * calm, low, v, base, area)
    if blocks > _COARSE_FILE:
        out = [f for f in out if abs(f.delta_l) >= _BLOCK_L]
    # the copy's own strips and crossings look like threads and dots
    return [f for f in out if f.kind == "pinhole" and f.delta_l > 15] if ghost else out


def _tail(values: Any) -> float:
    """How far wrong blocks of the file reach, from what is paler in one channel and darker in another at once.

    A strongly compressed file (4:2:0) leaves coloured blocks beside edges, few of them, so that the spread of
    the common pixels tells nothing of them. A dot without dye is paler in every channel and one with more dye in
    none: real dots do not count here, however many.
    """
    return float(np.percentile(values, 99.99)) if values.size > 3000 else 0.0


def _components(
    target: Target, sheet: _Sheet, kind: str, strength: Any, low: float, v: Any, base: Any, area: Mask
) -> list[Finding]:
    """Turn connected pixels over the threshold into findings, if small and sharp."""
    q = sheet.q
    over = (strength > low).astype(np.uint8)
    count, label, stats, middle = cv2.connectedComponentsWithStats(over, connectivity=8)
    if count > 4000:
        return []
    out: list[Finding] = []
    for k in range(1, count):
        c0, r0, cw, ch, n = (int(s) for s in stats[k])
        if n < 3 or max(cw, ch) > 16 * q:
            continue
        box = (slice(max(r0 - 2, 0), r0 + ch + 2), slice(max(c0 - 2, 0), c0 + cw + 2))
        own = label[box] == k
        s = strength[box]
        peak = float(np.sort(s[own])[-max(1, n // 10)])
        if peak < 2.2 * low:
            continue
        # size at half height; a sharp rim has few pixels between a quarter and three quarters
        core = own & (s > 0.5 * peak)
        size = 2 * np.sqrt(core.sum() / np.pi) / q
        long_mm, wide_mm = _extent(core, q)
        hair = long_mm > 3 * wide_mm and long_mm > 1.5
        if not 0.3 <= size <= 8.0:
            continue
        if not _alone(strength, core, box, area, v, base, peak, q):
            continue
        slope = _rim_slope(s, core) * q / peak
        if slope < 0.45:  # less than this share of the height per mm is not crisp
            continue
        x, y = (float(middle[k][0]) + 0.5) / q, (float(middle[k][1]) + 0.5) / q
        values = v[box][core & (s >= 0.8 * peak)] if (core & (s >= 0.8 * peak)).any() else v[box][core]
        before = base[box][core].mean(axis=0).astype(float) ** 2
        after = values.mean(axis=0).astype(float) ** 2
        lab = relative_lab(np.array([before, after]))
        name = "hair" if hair else kind
        out.append(
            Finding(
                kind=name,
                x_mm=x,
                y_mm=y,
                diameter_mm=float(long_mm if hair else size),
                area_mm2=float(core.sum() / q**2),
                delta_e00=float(delta_e00(lab[1], lab[0])),
                delta_l=float(lab[1, 0] - lab[0, 0]),
                confidence=float(np.clip(peak / (peak + low), 0, 0.98)),
                where=where_in_words(x, y, target.size_mm, target.shape),
                severity="fault",
                detail={"pale": kind == "pinhole"},
            )
        )
    return sorted(out, key=lambda f: -f.delta_e00)[:50]


def _alone(strength: Any, core: Any, box: Any, area: Mask, v: Any, base: Any, peak: float, q: float) -> bool:
    """Whether a dot lies in calm surroundings on all sides: a mirrored window's rim or an edge does not."""
    gap, wide = max(2, round(0.35 * q)), max(2, round(0.6 * q))
    grow = gap + wide
    r0, c0 = max(box[0].start - grow, 0), max(box[1].start - grow, 0)
    r1, c1 = box[0].start + core.shape[0] + grow, box[1].start + core.shape[1] + grow
    part = (slice(r0, r1), slice(c0, c1))
    own = np.zeros(area[part].shape, np.uint8)
    top, left = box[0].start - r0, box[1].start - c0
    own[top : top + core.shape[0], left : left + core.shape[1]] = core

    def grown(k: int) -> Any:
        return cv2.dilate(own, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * k + 1, 2 * k + 1)))

    rim = (grown(1) > 0) & (own == 0)
    if (rim & area[part]).sum() < 0.6 * rim.sum():
        return False  # cut off by a cell's edge or the end of what is looked at
    ring = (grown(grow) > 0) & (grown(gap) == 0)
    seen = ring & area[part]
    if seen.sum() < 0.3 * ring.sum():
        return False
    off = np.abs(v[part][seen] - base[part][seen]).max(axis=1)
    return bool(np.median(off) < 0.22 * peak and np.percentile(off, 85) < 0.5 * peak)


def _extent(core: Any, q: float) -> tuple[float, float]:
    """Length and width in mm of a set of pixels, from their second moments."""
    r, c = np.nonzero(core)
    if len(r) < 3:
        return 1 / q, 1 / q
    m = np.cov(np.stack([c, r])) + np.eye(2) / 12
    e = np.sqrt(np.maximum(np.linalg.eigvalsh(m), 0)) * np.sqrt(12) / q
    return float(e[1]), float(e[0])


def _rim_slope(s: Any, core: Any) -> float:
    """Mean steepness per pixel where the half-height line runs."""
    gx, gy = cv2.Sobel(s, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(s, cv2.CV_32F, 0, 1, scale=1 / 8)
    c = core.astype(np.uint8)
    rim = cv2.dilate(c, np.ones((3, 3), np.uint8)) - cv2.erode(c, np.ones((3, 3), np.uint8))
    g = np.hypot(gx, gy)[rim > 0]
    return float(np.median(g)) if len(g) else 0.0


# ---------------------------------------------------------------- edges


def _edge_width(target: Target, flat: FlatImage) -> float:
    """10–90 % width of the edges between anchors and field, mm, median over the sheet."""
    g = flat.px_per_mm
    anchors = target.box_mm[(target.kind == CellKind.WHITE) | (target.kind == CellKind.BLACK)]
    anchors = anchors[:: max(1, len(anchors) // 16)]
    gap = target.pitch_mm - target.cell_mm
    t = np.arange(-min(2.0, 0.4 * target.cell_mm), 0.8 * gap, 0.25 / g)
    along = np.linspace(-0.25, 0.25, 15)
    u, v = np.meshgrid(t, along, indexing="ij")  # outwards from the edge, and along it in cell widths
    xs, ys = [], []
    for x, y, w, h in anchors:
        xs += [x + w + u, x - u, x + w / 2 + v * w, x + w / 2 + v * w]
        ys += [y + h / 2 + v * h, y + h / 2 + v * h, y + h + u, y - u]
    if not xs:
        return float("nan")
    px, py = (np.concatenate(k) * g - 0.5 for k in (xs, ys))
    lines = (
        cv2.remap(
            flat.rgb[..., 1],
            px.astype(np.float32),
            py.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        .mean(axis=1)
        .reshape(-1, len(t))
    )
    widths = [k for k in (_ten_ninety(t, line) for line in lines) if k is not None]
    return float(np.median(widths)) if len(widths) >= 4 else float("nan")


def _ten_ninety(t: Floats, line: Floats) -> float | None:
    """Width between 10 and 90 % of one step, or None when it is no clean step."""
    k = max(3, len(t) // 6)
    a, b = float(np.median(line[:k])), float(np.median(line[-k:]))
    if abs(a - b) < 0.02:
        return None
    s = (line - a) / (b - a)
    half = int(np.argmin(np.abs(s - 0.5)))
    low = np.nonzero(s[: half + 1] <= 0.1)[0]
    high = np.nonzero(s[half:] >= 0.9)[0]
    if not len(low) or not len(high):
        return None
    i, j = int(low[-1]), half + int(high[0])
    if i + 1 >= len(s) or j < 1 or s[i + 1] == s[i] or s[j] == s[j - 1]:
        return None
    t10 = t[i] + (0.1 - s[i]) / (s[i + 1] - s[i]) * (t[i + 1] - t[i])
    t90 = t[j - 1] + (0.9 - s[j - 1]) / (s[j] - s[j - 1]) * (t[j] - t[j - 1])
    return float(t90 - t10)
