"""Was the piece lit from where we were told? Light from behind passes the dye once, so that every density is halved."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.cielab import srgb_to_linear
from ..ground.records import Floats, Lit, Mask, Reason, Step
from ..ground.robust import robust_least_squares

_TONES = (0.1, 0.9)  # density of the front in which noise and the coat's own black hardly tell
_DARK_TONES = 1.6  # density up to which pictures are taken that have no mid-tones, such as dark on light
_FEW = 8
_SPREAD_TONES = 0.12  # density; pictures of fewer tones have no contrast to tell by
_HALF, _PALE, _WHOLE = 0.6, 0.75, 0.75  # share of the front's density: half of it, pale at least, whole (simulation)
_PALE_BLACK, _DEEP_BLACK = 1.35, 1.25  # density that a black from behind stays under, and one from the front exceeds
_HALF_ALONE, _WHOLE_ALONE, _ALIKE_ALONE = 0.55, 0.8, 0.35  # the same for pieces, whose black need not be known
_DEPTH = 1.45  # density of black over share of the mid-tones: a print made for the window has less
_ALIKE = 0.2  # largest difference of ln(share) between channels: a weak press takes unlike shares of the dyes
_FEW_AROUND = 12  # places
_NO_CARD = 1.5  # times bare coat: white card throws back 0.95 of the light at most, a print's coat 0.65 at least
_NO_LIGHT = 0.6  # of bare coat; a light behind the blank is brighter than through it, unevenness of its own aside
_ALL_ROUND, _ONE_SIDE = 0.6, 0.2  # share of the places round the piece; estimates
_BARE = 250  # codes from which on nothing is printed
_OWN_BLACK = 24  # codes up to which a colour is black


def lit_otherwise(device_rgb: Floats, rel: Floats, lit: Lit, *, white_known: bool = True) -> list[Reason]:
    """Notice a piece that was lit from the other side than told.

    Parameters
    ----------
    device_rgb : (n, 3)
        0–255, of colours printed as usual.
    rel : (n, 3)
        Linear colour seen, relative to the bare coat.
    lit : {'front', 'behind'}
        As told.
    white_known : bool
        Whether the level of the bare coat was seen; else only the contrast of the print tells.

    Returns
    -------
    list of Reason
        A reason to take the photo again, or a note where a pale print would look alike; empty when all is as told, or
        too few colours tell.
    """
    share, spread = _share(device_rgb, rel, white_known)
    black = white_known & (device_rgb.max(axis=1) <= _OWN_BLACK) & np.isfinite(rel).all(axis=1)
    if not np.isfinite(share):
        return []
    deepest = float(-np.log10(max(float(np.median(rel[black].mean(axis=1))), 1e-4))) if black.any() else float("nan")
    told: dict[str, Any] = {"lit": lit, "black_density": deepest}
    if lit == "behind":
        if share > (_WHOLE if black.any() else _WHOLE_ALONE) and not deepest <= max(_DEEP_BLACK, _DEPTH * share):
            return [Reason("lit-otherwise", share, _WHOLE, 0.0, "fail", Step.PHOTO, detail=told)]
        return []
    if share > _PALE or deepest > _PALE_BLACK:
        return []
    sure = share < (_HALF if black.any() else _HALF_ALONE) and spread < (_ALIKE if black.any() else _ALIKE_ALONE)
    if not black.any() and not sure:
        return []
    return [Reason("lit-otherwise", share, _HALF, 0.0, "fail" if sure else "note", Step.PHOTO, detail=told)]


def light_around(around: Floats, lit: Lit, *, uneven: bool = False) -> list[Reason]:
    """Take from what surrounds a piece where its light comes from, and whether it reaches beyond the piece.

    Parameters
    ----------
    around : (m,)
        Brightness over that of bare coat in the same light, round the piece; at least so much where overexposed.
    lit : {'front', 'behind'}
        As told.
    uneven : bool
        Whether the light is too uneven over the piece.

    Returns
    -------
    list of Reason
        Reasons to take the photo again. No card is half as bright again as bare coat, as a light is that is seen
        beside the scattering blank before it; and a light behind a blank is never darker beside it. Through a clear
        blank nothing is told apart. A sill or a hand on one side counts only where the light ends on the piece.
    """
    if len(around) < _FEW_AROUND:
        return []
    if lit == "front":
        times = float(np.median(around))
        return [Reason("light-around", times, _NO_CARD, 0.0, "fail", Step.PHOTO)] if times > _NO_CARD else []
    dark = float((around < _NO_LIGHT).mean())
    if dark > (_ONE_SIDE if uneven else _ALL_ROUND):
        return [Reason("light-ends", dark, _ALL_ROUND, 0.0, "fail", Step.PHOTO)]
    return []


def coat_level(device_rgb: Floats, rel: Floats) -> float:
    """Level of bare coat in the units of ``rel`` (n, 3), from how its colours answer; NaN: unknown."""
    bare = (device_rgb.min(axis=1) >= _BARE) & np.isfinite(rel).all(axis=1)
    if bare.sum() >= _FEW:
        return float(np.median(rel[bare].mean(axis=1)))
    return float(np.exp(np.mean([fit[0] for fit in fits]))) if (fits := _lines(device_rgb, rel)) else float("nan")


def black_passes(density: float, lit: Lit) -> list[Reason]:
    """Say how much light the black of a piece lit from behind lets pass: nothing darker can be had there."""
    if lit == "front" or not np.isfinite(density):
        return []
    return [Reason("black-passes", 100 * 10**-density, float("nan"), 0.0, "note", Step.COLOUR)]


def _lines(device_rgb: Floats, rel: Floats) -> list[tuple[float, float]]:
    """Logarithm of the level of white, and density seen over that of the front's aim, by channel; [] of few tones."""
    due, seen = _densities(device_rgb, rel)
    out = []
    for c in range(3):
        tones = [_tones(due[:, c], seen[:, c], most) for most in (_TONES[1], _DARK_TONES)]
        at = next((t for t in tones if t.sum() >= _FEW and due[t, c].std() > _SPREAD_TONES), None)
        if at is None:
            return []
        x = due[at, c]
        fit, _, _ = robust_least_squares(np.stack([np.ones_like(x), x], axis=1), seen[at, c], floor=0.02)
        out.append((float(-fit[0] * np.log(10)), float(fit[1])))
    return out


def _densities(device_rgb: Floats, rel: Floats) -> tuple[Floats, Floats]:
    """Densities due from the front, and seen."""
    due = -np.log10(np.maximum(srgb_to_linear(device_rgb / 255.0), 1e-3))
    return due, -np.log10(np.clip(rel, 1e-3, 4.0))


def _tones(due: Floats, seen: Floats, most: float = _TONES[1]) -> Mask:
    return np.asarray((due > _TONES[0]) & (due < most) & np.isfinite(seen))


def _share(device_rgb: Floats, rel: Floats, white_known: bool) -> tuple[float, float]:
    """Density seen over that of the front's aim, median of the channels, and how far ln of them differ."""
    if white_known:
        due, seen = _densities(device_rgb, rel)
        shares = []
        for c in range(3):
            at = _tones(due[:, c], seen[:, c])
            if at.sum() < _FEW:
                continue
            x, y = due[at, c], seen[at, c]
            order = np.argsort(y / x)
            shares.append(float((y / x)[order][np.searchsorted(np.cumsum(x[order]), 0.5 * x.sum())]))
    else:
        shares = [fit[1] for fit in _lines(device_rgb, rel)]
    if len(shares) < 3:
        return float("nan"), float("nan")
    return float(np.median(shares)), float(np.ptp(np.log(np.maximum(shares, 0.05))))
