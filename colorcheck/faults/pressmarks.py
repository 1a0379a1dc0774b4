"""Marks that are no spots: a second copy, regular lines, yellowed coat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.grid import Array
from ..ground.places import where_in_words
from ..ground.records import Finding, Kind
from ..ground.relative import relative_lab
from ..ground.residue import Residue
from ..ground.robust import mad_std
from .finedetail import FineDetail
from .lack import confidence

_GHOST_SIGMAS = 5.0  # the second copy must agree between the tiles; good pieces reach 5.5 with shifts of 1.3 mm
_GHOST_TILES = 15  # so many tiles, counted by their weight, must have something to say
_GHOST_LEAST = 0.03  # share of the print's density; fainter copies are not seen


def find_ghost(fine: FineDetail, res: Residue) -> Finding | None:
    """Find a second, faint copy: what is left goes with the artwork's density moved to one side.

    The kernel that takes the print's density to what is left gives a few candidates; a copy is
    a copy everywhere, so each is then fitted tile by tile beside displacement, blur and
    sharpening, and must agree between the tiles.
    """
    g = fine.g
    mask = cv2.erode(fine.ok.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)

    share = np.maximum(cv2.GaussianBlur(mask, (0, 0), 3.0 * g), 1e-3)

    def high(a: Any) -> Any:
        return (a - cv2.GaussianBlur(a * mask, (0, 0), 3.0 * g) / share) * (mask > 0.5)

    r = np.clip(high((np.clip(-fine.left.mean(axis=2), -0.3, 0.3) * mask).astype(np.float32)), -0.4, 0.4)
    d = high(fine.density.astype(np.float32))
    if float((d * d).sum()) < 1e-3 * mask.sum():
        return None
    best: tuple[float, float, float, float] | None = None
    candidates = _ghost_candidates(r, d, g)
    if not candidates:
        return None
    tiles = _tiles_of(r, d, mask, g)
    for dx, dy in candidates:
        strength, z = _copy_everywhere(tiles, d, g, dx, dy)
        if z > 3.0 and strength > _GHOST_LEAST and (best is None or z > best[3]):
            best = (strength, dx, dy, z)
    if best is None:
        return None
    for ox, oy in ((0.25, 0.0), (-0.25, 0.0), (0.0, 0.25), (0.0, -0.25)):
        dx, dy = best[1] + ox, best[2] + oy
        strength, z = _copy_everywhere(tiles, d, g, dx, dy)
        if z > best[3]:
            best = (strength, dx, dy, z)
    strength, dx, dy, z = best
    # displacement and sharpening leave traces close by: there a copy must stand out further
    if z < float(np.interp(np.hypot(dx, dy), (1.0, 1.5), (1.5 * _GHOST_SIGMAS, _GHOST_SIGMAS))):
        return None
    w, h = res.size_mm
    return Finding(
        kind=Kind.GHOST,
        x_mm=round(w / 2, 1),
        y_mm=round(h / 2, 1),
        diameter_mm=round(float(np.sqrt(4 / np.pi * res.inside.sum())) * res.step_mm, 1),
        area_mm2=round(float(res.inside.sum()) * res.step_mm**2, 1),
        delta_e00=round(40 * strength, 2),
        delta_l=round(-30 * strength, 2),
        confidence=confidence(z),
        where="all over",
        detail={
            "shift_mm": (round(dx, 2), round(dy, 2)),
            "strength": round(strength, 3),
            "significance": round(z, 1),
        },
    )


def _ghost_candidates(r: Any, d: Any, g: float) -> list[tuple[float, float]]:
    """Displacements in mm at which the kernel from density ``d`` to what is left ``r`` has a one-sided peak."""
    shape = tuple(cv2.getOptimalDFTSize(n + 40) for n in r.shape)
    fr, fd = np.fft.rfft2(r, shape), np.fft.rfft2(d, shape)
    energy = np.abs(fd) ** 2
    gain = np.conj(fd) / (energy + 0.05 * energy.mean())
    reach = int(np.ceil(12 * g))
    k = np.arange(-reach, reach + 1)
    rows, cols = (slice(n // 2 - reach, n // 2 + reach + 1) for n in shape)

    def kernel(spectrum: Any) -> Any:
        soft = cv2.GaussianBlur(np.fft.fftshift(np.fft.irfft2(spectrum * gain, shape)), (0, 0), 0.3 * g)
        return soft[rows, cols]

    unit, seen = kernel(fd), kernel(fr)
    peak = max(float(unit.max()), 1e-9)
    odd = 0.5 * (seen - seen[::-1, ::-1]) / peak
    yy, xx = np.meshgrid(k / g, k / g, indexing="ij")
    away = np.hypot(xx, yy)
    # a displacement of the whole makes a pair of lobes at the middle: fitted along each line through it
    uy, ux = np.gradient(unit / peak)
    lobes = np.stack([ux.ravel(), uy.ravel()], axis=1)
    inside = (away < 0.75).ravel()
    odd = odd - (lobes @ np.linalg.lstsq(lobes[inside], odd.ravel()[inside], rcond=None)[0]).reshape(odd.shape)
    noise = max(1.4826 * float(np.median(np.abs(odd[away > 7]))), 2e-4)
    out: list[tuple[float, float]] = []
    left = np.where((away > 0.75) & (away < 5.5), odd, -1)
    for _ in range(4):
        at = int(left.argmax())
        if left.ravel()[at] < max(4 * noise, 0.5 * _GHOST_LEAST):
            break
        x, y = float(xx.ravel()[at]), float(yy.ravel()[at])
        out.append((x, y))
        left = np.where(np.hypot(xx - x, yy - y) < 0.6, -1, left)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Tiles:
    """What is left and what may explain it, in tiles: ``design`` (n, pixels, 11), ``seen`` and ``mask`` (n, pixels)."""

    design: Any
    seen: Any
    mask: Any
    cut: Any
    use: Any


def _tiles_of(r: Any, d: Any, mask: Any, g: float) -> _Tiles:
    """Cut the picture into tiles, each with displacement, blur and level of its own to be fitted."""
    h, w = r.shape
    tile = max(int(16 * g), 24)
    rows, cols = h // tile, w // tile

    def cut(a: Any) -> Any:
        whole = a[: rows * tile, : cols * tile].reshape(rows, tile, cols, tile)
        return whole.transpose(0, 2, 1, 3).reshape(rows * cols, tile * tile)

    inside = cut((mask > 0.5).astype(np.float32))
    use = inside.mean(axis=1) > 0.4
    soft = cv2.GaussianBlur(d, (0, 0), 0.3 * g)
    free = [cv2.Sobel(soft, cv2.CV_32F, i, j) for i, j in ((1, 0), (0, 1), (2, 0), (0, 2), (1, 1))]
    free += [d, cv2.GaussianBlur(d, (0, 0), 0.6 * g), cv2.GaussianBlur(d, (0, 0), 1.2 * g)]
    free = [f / max(float(f.std()), 1e-6) for f in free] + [np.ones_like(d)]
    design = np.zeros((int(use.sum()), tile * tile, 2 + len(free)), np.float32)
    for k, f in enumerate(free):
        design[:, :, 2 + k] = cut(f)[use] * inside[use]
    return _Tiles(design=design, seen=cut(r)[use] * inside[use], mask=inside[use], cut=cut, use=use)


def _copy_everywhere(tiles: _Tiles, d: Any, g: float, dx: float, dy: float) -> tuple[float, float]:
    """Strength of a copy moved by (dx, dy) mm, fitted tile by tile, and its standard errors from how tiles differ.

    What a copy moved the opposite way would show as well (a halo) is no ghost and counts against it.
    """
    if len(tiles.seen) < 4:
        return 0.0, 0.0
    for k, sign in enumerate((1, -1)):
        move = np.array([[1, 0, sign * dx * g], [0, 1, sign * dy * g]], float)
        copy = cv2.warpAffine(d, move, d.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
        tiles.design[:, :, k] = tiles.cut(copy)[tiles.use] * tiles.mask
    a = tiles.design
    turned = a.transpose(0, 2, 1)
    number = tiles.mask.sum(axis=1)
    normal = (turned @ a).astype(float)
    free = np.arange(2, a.shape[2])
    normal[:, free, free] += 5e-5 * number[:, None]
    inverse = np.linalg.pinv(normal, hermitian=True)
    right = (turned @ tiles.seen[..., None]).astype(float)
    x = inverse @ right
    power = (tiles.seen.astype(float) ** 2).sum(axis=1)
    rest = (power - (x * right).sum(axis=(1, 2))) / np.maximum(number, 1)
    noise2 = np.maximum(rest, 1e-5) * 30  # neighbouring pixels err alike
    weight = 1 / (inverse[:, 0, 0] * noise2 + 0.03**2)
    back = 1 / (inverse[:, 1, 1] * noise2 + 0.03**2)
    strength = float((weight * x[:, 0, 0]).sum() / weight.sum())
    mirror = float((back * x[:, 1, 0]).sum() / back.sum())
    count = weight.sum() ** 2 / (weight**2).sum()
    if count < _GHOST_TILES:
        return 0.0, 0.0
    spread = float(np.sqrt((weight * (x[:, 0, 0] - strength) ** 2).sum() / weight.sum() / max(count - 1, 1)))
    return strength, (strength - max(mirror, 0.0)) / max(spread, 0.003)


def find_banding(fine: FineDetail, res: Residue) -> list[Finding]:
    """Fine regular lines along one axis."""
    g, out = fine.g, []
    ok = fine.ok & (fine.noise < 0.12) & (fine.density > 0.15)
    for axis, name in ((1, "x"), (0, "y")):
        length = ok.shape[1 - axis]
        if ok.sum() < 0.1 * ok.size:
            continue
        halves = []
        along = np.arange(ok.shape[axis]) % 2  # two interleaved sets, so that chance must repeat itself
        for h in range(2):
            pick = ok & (along == h)[None, :] if axis == 1 else ok & (along == h)[:, None]
            n = pick.sum(axis=axis)
            prof = np.stack(
                [
                    np.where(pick, np.clip(fine.left[..., c], -0.15, 0.15), 0).sum(axis=axis) / np.maximum(n, 1)
                    for c in range(3)
                ],
                axis=1,
            )
            prof[n < 10] = np.nan
            good = np.isfinite(prof[:, 0])
            if good.sum() < 0.6 * length:
                break
            prof = np.stack(
                [np.interp(np.arange(length), np.flatnonzero(good), prof[good, c]) for c in range(3)], axis=1
            )
            prof -= cv2.blur(prof, (1, 2 * int(3 * g) + 1))
            halves.append(prof)
        if len(halves) < 2:
            continue
        window = np.hanning(length)[:, None]
        fa, fb = (np.fft.rfft(p * window, axis=0) for p in halves)
        power = np.real(fa * np.conj(fb)).sum(axis=1)
        freq = np.fft.rfftfreq(length, 1 / g)
        band = (freq > 1 / 7) & (freq < 0.42 * g)
        back = 1.4826 * np.median(np.abs(power[band])) + 1e-12
        local = cv2.blur(np.abs(power)[:, None], (1, 41))[:, 0]
        k = int(np.where(band, power, 0).argmax())
        amp = 2 * np.sqrt(max(power[k] * 1.5, 0) / 2) / (0.5 * length)
        score = power[k] / max(back, 1.0 * (local[k] * 41 - np.abs(power[max(k - 2, 0) : k + 3]).sum()) / 36)
        l_amp = 25 * amp
        if score < 40 or l_amp < 0.25:
            continue
        out.append(
            Finding(
                kind=Kind.BANDING,
                x_mm=round(res.size_mm[0] / 2, 1),
                y_mm=round(res.size_mm[1] / 2, 1),
                diameter_mm=round(float(np.sqrt(4 / np.pi * res.inside.sum())) * res.step_mm, 1),
                area_mm2=round(float(res.inside.sum()) * res.step_mm**2, 1),
                delta_e00=round(float(l_amp), 2),
                delta_l=round(float(-l_amp), 2),
                confidence=confidence(float(np.sqrt(score))),
                where="all over",
                detail={
                    "period_mm": round(float(1 / freq[k]), 2),
                    "axis": "y" if name == "x" else "x",
                    "amplitude_l": round(float(l_amp), 2),
                    "significance": round(float(np.sqrt(score)), 1),
                },
            )
        )
    return out


def find_scorch(res: Residue, left: Array, var: Array, hidden: Array) -> list[Finding]:
    """Yellow clouds on bare or nearly bare coat."""
    edge = cv2.dilate((res.texture > 0.3).astype(np.uint8), np.ones((2 * round(3 / res.step_mm) + 1,) * 2, np.uint8))
    bare = res.inside & (res.rel.min(axis=2) > 0.6) & (edge == 0)
    ok = bare & np.isfinite(left[0]).all(axis=2) & ~hidden[0]
    if ok.sum() < 40:
        return []
    yellow = np.where(ok, (left[0][..., :2].mean(axis=2) - left[0][..., 2]), 0.0)
    middle = float(np.percentile(yellow[ok], 30))
    w = np.where(ok, 1 / (var[0][..., 2] + 0.5 * var[0][..., 0] + 1e-6), 0.0)
    s = 5.0 / res.step_mm
    mean = cv2.GaussianBlur((yellow - middle) * w, (0, 0), s) / np.maximum(cv2.GaussianBlur(w, (0, 0), s), 1e-9)
    noise = max(float(mad_std(mean[ok])), 0.0025)
    core = ok & (mean > max(5 * noise, 0.02))
    if core.sum() < 8:
        return []
    count, label, _, centre = cv2.connectedComponentsWithStats((ok & (mean > max(3 * noise, 0.012))).astype(np.uint8))
    out = []
    for j in range(1, count):
        here = label == j
        area = float(here.sum()) * res.step_mm**2
        if not (here & core).any() or area < 60:
            continue
        rel = res.rel[here]
        top = here & (mean >= np.percentile(mean[here], 75))
        change = np.array([0, 0, -float(mean[top].mean())])
        lab0, lab1 = relative_lab(res.rel[top]), relative_lab(res.rel[top] * np.exp(change))
        de, db = float(np.median(delta_e00(lab1, lab0))), float(np.median(lab1[:, 2] - lab0[:, 2]))
        if db < 1.2:
            continue
        x, y = (float(centre[j][i] + 0.5) * res.step_mm for i in (0, 1))
        out.append(
            Finding(
                kind=Kind.SCORCH,
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(float(np.sqrt(4 * area / np.pi)), 1),
                area_mm2=round(area, 1),
                delta_e00=round(de, 2),
                delta_l=0.0,
                confidence=confidence(float(mean[top].mean()) / noise),
                where=where_in_words(x, y, res.size_mm, res.shape),
                detail={"delta_b": round(db, 2), "significance": round(float(mean[top].mean()) / noise, 1)},
            )
        )
        del rel
    return out
