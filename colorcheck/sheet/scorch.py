"""Yellowed coat: where the press was too hot or closed too long."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.places import where_in_words
from ..ground.records import CellKind, Cells, Finding, Floats, Light, Mask, Target
from ..ground.relative import relative_lab
from ..ground.robust import polynomial_terms, tukey_weights
from .sheetgrid import SheetGrid, quiet_zones, usable

_SCORCH_LEAST_B = 2.0  # yellowing of bare coat runs from b* +2 (common practice, no source)
_SCORCH_SIGNIFICANT = 4.0
_SCORCH_LACK = 0.018  # blue lost on bare coat and grey alike, averaged over a cell's pitch
_SCORCH_ALIKE = 0.32  # correlation between the two over the sheet
_RED_RISE = 0.25  # yellowing takes green down too: rise of log R/G per fall of log B/G
# a lamp that moves blue moves red too: slope of log B/G believed over half a sheet without and per spread of red
_TINT, _TINT_SHARE = 0.005, 0.1
_SAME_LIGHT, _SAME_TINT = 0.01, 0.1  # how far the light on bare coat may stray from that on the field (estimates)
_LAMP_SLOPE = -1.6  # daylight to lamplight: fall of log B/G per rise of log R/G (CIE D65, D50, A in sRGB)


def find_scorch(
    target: Target, sheet: SheetGrid, light: Light, field_rel: Floats, cells: Cells
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
    target: Target, sheet: SheetGrid, light: Light, field_rel: Floats, cells: Cells
) -> tuple[Floats, Floats, Mask]:
    """Places (n, 2), their log R/G and log B/G with the lamp's colour left in (n, 2), bare or field (n,)."""
    xy: list[Any] = []
    rgb: list[Any] = []
    bare: list[bool] = []
    white = (target.kind == CellKind.WHITE) & usable(cells)
    for k in np.nonzero(white)[0]:
        xy.append(target.box_mm[k, :2] + target.box_mm[k, 2:] / 2)
        rgb.append(cells.rgb_rel[k] * light.e_cell[k])
        bare.append(True)
    rows, cols = light.e_map.shape[:2]
    for x, y, bw, bh in quiet_zones(target):
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


def _surround(sheet: SheetGrid, xy: Floats) -> Floats:
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
