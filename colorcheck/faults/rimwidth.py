"""How sharp is the rim of a pale place? Heat makes none that is sharp.

In the minutes of a pressing heat spreads some 18 mm sideways in the glass, so a place that stayed
cold fades into its surroundings over many millimetres. A wide pale place with a rim much
narrower than that is no fault of heat: a mirrored lamp or window, or print that is missing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..ground.grid import Array
from ..ground.records import Finding
from ..ground.residue import Residue
from .finedetail import FineDetail

_SHARP_MM = 3.0  # a rim narrower than this (10 to 90 %) is not made by heat; a soft spot of 8 mm has 5.7 mm
_SHARE_OF_DIAMETER = 0.3  # nor one narrower than this share of a small spot; a bell has 0.72, a flat top 0.36
_SMOOTH_MM = 0.7  # standard deviation of the smoothing before the rim is measured
_OUTLINE_MM = 1.4  # the same before the outline is drawn
_NEAR_MM, _FAR_MM = 1.5, 6.0
_ROUGH = 0.1  # noise of a fine pixel beyond which an edge of the artwork runs there
_SMALLEST_MM = 6.0  # smaller places are crisp dots if they are sharp: `finedetail` tells them
_GOOD_PART = 0.4  # share of the outline that must be sharp; soft spots stay below, mirrored windows reach 0.5 to 1
_LEAST_MM = 6.0  # so much of the outline must be seen clear of the artwork's edges
_TO_90 = 2.563  # width from 10 to 90 % of a step blurred by a Gaussian, in standard deviations


@dataclass(frozen=True, slots=True)
class Rim:
    """Rim of a pale place, along the part of its outline that is clear of the artwork's edges.

    ``width_mm`` from 10 to 90 % (median), ``sharp_share`` of that outline that is narrower than
    heat could make it, ``seen_mm`` its length.
    """

    width_mm: float
    sharp_share: float
    seen_mm: float


def mark_sharp_rim(f: Finding, res: Residue, fine: FineDetail, clear: Array) -> Finding:
    """Note at a pale place whether its rim is sharper than heat makes one, if the first photo is ``clear`` there."""
    if f.kind not in ("pale", "pale-centre") or f.diameter_mm < _SMALLEST_MM:
        return f
    x, y = np.moveaxis(res.places(), 2, 0)
    if (~clear & (np.hypot(x - f.x_mm, y - f.y_mm) < 0.8 * f.diameter_mm + _FAR_MM)).any():
        return f
    # whatever it is, one of the two maps is true: only what is sharp in both has a sharp rim
    rims = [rim_of(res, fine, f.x_mm, f.y_mm, f.diameter_mm, additive=a) for a in (True, False)]
    seen = [r for r in rims if r.seen_mm >= _LEAST_MM]
    if not seen or min(r.sharp_share for r in seen) < _GOOD_PART:
        return f
    return replace(
        f,
        doubt="rim" if res.photos == 1 else f.doubt,
        detail={**f.detail, "rim_mm": round(max(r.width_mm for r in seen), 1)},
    )


def rim_of(res: Residue, fine: FineDetail, x_mm: float, y_mm: float, diameter_mm: float, *, additive: bool) -> Rim:
    """Measure the rim of a pale place in the first photo.

    Parameters
    ----------
    res : Residue
    fine : FineDetail
        Of the first photo.
    x_mm, y_mm, diameter_mm : float
        The place, as fitted by a soft spot.
    additive : bool
        Measure it as added light, rather than as missing dye: the two differ where the artwork
        has many colours.

    Returns
    -------
    Rim
        With ``seen_mm`` 0 where the artwork's own edges leave nothing to measure.
    """
    none = Rim(float("nan"), 0.0, 0.0)
    g = fine.g
    reach = 0.8 * diameter_mm + _FAR_MM + 4
    h, w = fine.ok.shape
    r0, r1 = int(np.clip((y_mm - reach) * g, 0, h)), int(np.clip((y_mm + reach) * g + 1, 0, h))
    c0, c1 = int(np.clip((x_mm - reach) * g, 0, w)), int(np.clip((x_mm + reach) * g + 1, 0, w))
    cut = np.s_[r0:r1, c0:c1]
    if min(r1 - r0, c1 - c0) < 8:
        return none
    y, x = np.mgrid[r0:r1, c0:c1]
    away = np.hypot((x + 0.5) / g - x_mm, (y + 0.5) / g - y_mm)
    plain = fine.ok[cut] & (fine.noise[cut] < _ROUGH)
    value, weight = _amount(res, fine, cut, additive)
    weight = np.where(plain, weight, 0.0).astype(np.float32)
    core = plain & (away < max(0.25 * diameter_mm, 1.5))
    ground = plain & (away > 0.75 * diameter_mm) & (away < 0.75 * diameter_mm + _FAR_MM)
    if core.sum() < 12 or ground.sum() < 12:
        return none
    low, high = float(np.median(value[ground])), float(np.median(value[core]))
    if high <= low:
        return none
    shape = _smooth(value, weight, _OUTLINE_MM * g)
    label = cv2.connectedComponents((shape > 0.5 * (low + high)).astype(np.uint8), connectivity=4)[1]
    names = label[core]
    names = names[names > 0]
    if not len(names):
        return none
    body = (label == np.bincount(names).argmax()).astype(np.uint8)
    outlines, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    at = max(outlines, key=len)[:, 0].astype(np.float32)
    fall_x = cv2.Sobel(shape, cv2.CV_32F, 1, 0, ksize=3)
    fall_y = cv2.Sobel(shape, cv2.CV_32F, 0, 1, ksize=3)
    col, row = at[:, 0].astype(int), at[:, 1].astype(int)
    normal = -np.stack([fall_x[row, col], fall_y[row, col]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    far = float(min(_FAR_MM, 0.5 * diameter_mm))
    offsets = np.array([-far, -_NEAR_MM, -0.5 * _NEAR_MM, 0.0, 0.5 * _NEAR_MM, _NEAR_MM, far]) * g
    map_x = (at[:, :1] + normal[:, :1] * offsets).astype(np.float32)
    map_y = (at[:, 1:] + normal[:, 1:] * offsets).astype(np.float32)
    fine_value = _smooth(value, weight, _SMOOTH_MM * g)
    seen = cv2.remap(fine_value, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.remap(plain.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    clear = (inside[:, 1:6] > 0.9).all(axis=1) & (inside[:, [0, 6]] > 0.5).all(axis=1)
    length = float(clear.sum()) / g
    if length < _LEAST_MM:
        return Rim(float("nan"), 0.0, length)
    # neighbours along the outline share what they see: a mean over 4 mm, as far as it is clear
    span = max(round(4.0 * g), 1)
    ring = np.concatenate([np.where(clear[:, None], seen, 0.0), clear[:, None].astype(np.float32)], axis=1)
    kernel = np.ones(span) / span
    mean = np.stack([np.convolve(np.r_[c[-span:], c, c[:span]], kernel, "same")[span:-span] for c in ring.T], axis=1)
    mean = mean[:, :7] / np.maximum(mean[:, 7:], 1e-9)
    step = np.maximum(mean[:, 0] - mean[:, 6], 0.6 * (high - low))
    share = np.clip((mean[:, 1] - mean[:, 5]) / step, 1e-3, 0.999)
    width = _width(share, far)
    limit = min(_SHARP_MM, _SHARE_OF_DIAMETER * diameter_mm)
    return Rim(float(np.median(width[clear])), float((width[clear] < limit).mean()), length)


def _amount(res: Residue, fine: FineDetail, cut: tuple[slice, slice], additive: bool) -> tuple[Array, Array]:
    """Give added light, or share of missing dye, in fine pixels of the first photo, and its weight."""
    rel = res.fine_rel[cut].astype(np.float32)
    left = np.clip(fine.left[cut], -3, 3).astype(np.float32)
    if additive:
        return (rel * np.expm1(left)).mean(axis=2), 1 / (rel.mean(axis=2) + np.float32(0.05)) ** 2
    depth = -np.log(np.clip(rel, 0.012, 1.0))
    power = (depth * depth).sum(axis=2)
    return (depth * left).sum(axis=2) / np.maximum(power, 1e-3), power


def _smooth(value: Array, weight: Array, sigma: float) -> Array:
    up = cv2.GaussianBlur((value * weight).astype(np.float32), (0, 0), sigma)
    down = cv2.GaussianBlur(weight, (0, 0), sigma)
    return np.asarray(up / np.maximum(down, 1e-9))


def _width(share: Array, far: float) -> Array:
    """Width from 10 to 90 % of a blurred step of which ``share`` (n,) falls within ``_NEAR_MM`` of its middle."""
    sigma = np.geomspace(0.3, 12.0, 60)
    # error function by its integral: no scipy for one curve
    t = np.linspace(0.0, 1.0, 65)

    def within(half: float) -> Array:
        u = half / sigma[:, None] * t
        return np.asarray(np.exp(-0.5 * u * u).mean(axis=1) * half / sigma)

    curve = within(_NEAR_MM) / within(far)
    own = np.interp(-share, -curve, sigma)
    return np.asarray(_TO_90 * np.sqrt(np.maximum(own**2 - _SMOOTH_MM**2, 0.0)))
