"""The white card on which the piece lies: what links two photos of unlike exposure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from ..ground.geometry import mm_to_px
from ..ground.records import Floats, Light, LinearImage, Pose, Target

_OFFSETS_MM = (6.0, 8.5, 11.0, 14.0, 18.0, 23.0)  # outside the outline: clear of the piece's shadow
_STEP_MM = 5.0
_PATCH_MM = 1.2
_LEAST_SHARE = 0.5  # of the places round the piece that must show card
_BRIGHT = 0.55  # of the coat, in green
_LEAST_CHANNEL = 0.4  # of the coat, in the weakest channel: wood and skin are no card
_UNIFORM = 0.05  # standard deviation of the logarithm round the piece


@dataclass(frozen=True, slots=True, eq=False)
class CardSignal:
    """The card just around the piece.

    ``rgb`` (3,) its linear signal relative to the bare coat under the same light; ``std`` relative error;
    ``ok`` whether it can serve; ``why`` in one word when not: 'outside', 'clipped', 'dark' or 'uneven'.
    ``around`` (m,) brightness of what surrounds the piece over that of bare coat, place by place, card or not; at
    least so much where it is at the top code.
    """

    rgb: Floats
    std: float
    ok: bool
    why: str
    around: Floats


def ring_places(target: Target) -> tuple[Floats, Floats]:
    """Places round the outline, (m, 2) mm, and how far outside each lies, (m,)."""
    w, h = target.size_mm
    places, away = [], []
    for off in _OFFSETS_MM:
        if target.shape == "round":
            radius = w / 2 + off
            turn = np.linspace(0, 2 * np.pi, max(24, round(2 * np.pi * radius / _STEP_MM)), endpoint=False)
            ring = np.stack([w / 2 + radius * np.cos(turn), h / 2 + radius * np.sin(turn)], axis=1)
        else:
            x, y = np.arange(_STEP_MM / 2, w, _STEP_MM), np.arange(_STEP_MM / 2, h, _STEP_MM)
            ring = np.concatenate(
                [
                    np.stack([x, np.full_like(x, -off)], axis=1),
                    np.stack([x, np.full_like(x, h + off)], axis=1),
                    np.stack([np.full_like(y, -off), y], axis=1),
                    np.stack([np.full_like(y, w + off), y], axis=1),
                ]
            )
        places.append(ring)
        away.append(np.full(len(ring), off))
    return np.concatenate(places), np.concatenate(away)


def card_signal(image: LinearImage, pose: Pose, target: Target, light: Callable[[Floats], Floats]) -> CardSignal:
    """Take the card's signal in a ring 5 to 25 mm outside the outline.

    Parameters
    ----------
    image : LinearImage
        The photo in which `pose` holds.
    pose : Pose
    target : Target
    light : callable
        Signal of bare coat, (m, 3), at places (m, 2) in mm; it is asked for places outside the piece, so it
        must go on smoothly there.

    Returns
    -------
    CardSignal
        ``ok`` only where the surrounding is bright, nearly uniform and unclipped all round.
    """
    none = np.full(3, np.nan)
    mm, away = ring_places(target)
    half = _PATCH_MM / 2
    steps = np.array([(dx, dy) for dx in (-half, 0, half) for dy in (-half, 0, half)])
    px = mm_to_px(pose, mm[:, None, :] + steps[None]).astype(np.float32)
    tall, wide = image.clipped.shape[:2]
    seen = ((px >= 1).all(axis=2) & (px[..., 0] <= wide - 2) & (px[..., 1] <= tall - 2)).all(axis=1)
    if seen.mean() < _LEAST_SHARE:
        return CardSignal(none, np.inf, False, "outside", np.zeros(0))
    px, mm, away = px[seen], mm[seen], away[seen]
    rgb = cv2.remap(image.rgb, px[..., 0], px[..., 1], cv2.INTER_LINEAR).mean(axis=1).astype(float)
    at = np.rint(px).astype(int)
    clipped = (image.clipped[at[..., 1], at[..., 0]] & 1).any(axis=1)
    logs = np.log(np.maximum(rgb, 1e-4) / np.maximum(light(mm), 1e-4))
    level = logs.mean(axis=1)
    around = np.exp(level)
    if clipped.mean() > 0.3:
        return CardSignal(none, np.inf, False, "clipped", around)
    logs, level, away = logs[~clipped], level[~clipped], away[~clipped]
    middle = float(np.median(level))
    near = np.abs(level - middle) < 0.15
    ratio = np.exp(np.median(logs[near], axis=0)) if near.any() else none
    if not near.any() or ratio[1] < _BRIGHT or ratio.min() < _LEAST_CHANNEL:
        return CardSignal(ratio, np.inf, False, "dark", around)
    # each side weighs the same; a shadowed strip next to the piece is left out by the median
    rings = np.array([np.median(level[near & (away == off)]) for off in np.unique(away[near])])
    spread = float(1.4826 * np.median(np.abs(level[near] - np.median(level[near]))))
    if near.mean() < 2 * _LEAST_SHARE - 0.3 or spread > _UNIFORM:
        return CardSignal(ratio, np.inf, False, "uneven", around)
    std = float(np.hypot(spread / np.sqrt(max(len(rings) * 4, 1)), np.std(rings) / 2))
    return CardSignal(ratio, max(std, 0.003), True, "", around)


def coat_of(light: Light) -> Floats:
    """Mean signal of bare coat in one photo's linear units, (3,): geometric, as the light is fitted."""
    e = light.e_map.reshape(-1, 3)
    return np.asarray(np.exp(np.log(e[np.isfinite(e).all(axis=1)]).mean(axis=0)))


def join(cards: Sequence[CardSignal]) -> Floats | None:
    """Mean card of the photos that show it, (3,), or None: each is relative to the coat in the same photo."""
    seen = [np.log(c.rgb) for c in cards if c.ok]
    return np.asarray(np.exp(np.mean(seen, axis=0))) if seen else None
