"""What a profile, or curves alone, will gain."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ..ground.cielab import delta_ch, delta_e00
from ..ground.records import Floats, Mask
from . import gamut
from .printer_model import PrinterModel
from .profiletables import look_up
from .tonecorrect import neutral_curves

REACHED = 1.0  # ΔE00 within which an aim counts as inside the gamut
NEARLY = 0.5  # ΔE00 by which curves alone may stay behind the profile and still be advised first
WORTH = 0.8  # share of the error before that must not be left, all doubt included
_DRAWS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Gain:
    """What is expected of a correction, over the colours of sRGB that the substrate can show.

    ``*_mean`` and ``*_p95`` are ΔE00, ``*_grey`` the mean ΔCh of the greys: before, after the profile, and after one
    tone curve or three grey curves alone. ``camera`` is what the readings share in error, ``outside_share`` the part
    of sRGB that the substrate cannot show, ``outside_mean`` how far that lies outside.
    """

    before_mean: float
    before_p95: float
    before_grey: float
    after_mean: float
    after_p95: float
    after_grey: float
    tone_mean: float
    tone_grey: float
    curves_mean: float
    curves_grey: float
    camera: float
    outside_share: float
    outside_mean: float
    outside_hues: tuple[str, ...]

    @property
    def in_all(self) -> float:
        """Mean ΔE00 to expect with the camera's own colour error in it: the two are independent."""
        return float(np.hypot(self.after_mean, self.camera))

    @property
    def worth(self) -> bool:
        """Whether the profile is expected to help beyond doubt."""
        return self.in_all <= WORTH * self.before_mean

    @property
    def least(self) -> Literal["tone", "grey", "full"]:
        """Smallest correction that gains nearly as much as the profile (escalation of ISO/TS 10128, from memory)."""
        enough = self.in_all + NEARLY
        if np.hypot(self.tone_mean, self.camera) <= enough:
            return "tone"
        return "grey" if np.hypot(self.curves_mean, self.camera) <= enough else "full"


def _hues_outside(aims: Floats, outside: Mask) -> tuple[str, ...]:
    """Which hues hold most of the colours outside, in plain words, the worst first."""
    names = ("reds", "oranges", "yellows", "greens", "cyans", "blues", "violets", "pinks")
    edges = np.array([15.0, 50.0, 80.0, 115.0, 180.0, 240.0, 312.0, 338.0])
    strong = outside & (np.hypot(aims[:, 1], aims[:, 2]) > 10)
    hue = np.degrees(np.arctan2(aims[:, 2], aims[:, 1])) % 360.0
    count = np.bincount((np.searchsorted(edges, hue[strong]) - 1) % 8, minlength=8)
    order = [int(k) for k in np.argsort(-count) if count[k] > 0.15 * max(count.sum(), 1)]
    return tuple(names[k] for k in order[:3])


def expected_gain(
    model: PrinterModel,
    forward: gamut.Forward,
    b2a: Floats,
    *,
    black_y: float,
    camera: float,
    curves: Floats,
) -> Gain:
    """Work out what the profile changes, on colours all over sRGB.

    Parameters
    ----------
    model, forward, b2a
        The printer, its table, and the relative colorimetric table back.
    black_y : float
        As for `profile_tables`; aims are sRGB with this black.
    camera : float
        Shared uncertainty of the readings, ΔE00: no profile built from them can be truer.
    curves : (256, 3)
        Grey curves to compare with.
    """
    rgb = gamut.cube_nodes(9)
    grey = np.repeat(np.linspace(0.0, 255.0, 33)[1:-1, None], 3, axis=1)
    rng = np.random.Generator(np.random.PCG64(7))

    def expect(device: Floats, aim: Floats, difference: Callable[[Floats, Floats], Floats] = delta_e00) -> Floats:
        """Mean difference over what the model's own uncertainty leaves open."""
        lab, std = model.lab(device), model.lab_std(device)
        draws = [difference(lab + std * rng.standard_normal(lab.shape), aim) for _ in range(_DRAWS)]
        return np.asarray(np.mean(draws, axis=0))

    def bent(device: Floats, curve: Floats) -> Floats:
        return np.stack([np.interp(device[:, c], np.arange(256.0), curve[:, c]) for c in range(3)], axis=1)

    aim, grey_aim = gamut.srgb_lab(rgb, black_y), gamut.srgb_lab(grey, black_y)
    _, reached = gamut.invert(forward, aim)
    limit = delta_e00(reached, aim)
    ok = limit <= REACHED
    before = delta_e00(model.lab(rgb[ok]), aim[ok])
    after = expect(look_up(b2a, aim[ok]), aim[ok])
    tone = neutral_curves(model.lab, step="tone")
    return Gain(
        before_mean=float(before.mean()),
        before_p95=float(np.percentile(before, 95)),
        before_grey=float(np.mean(delta_ch(model.lab(grey), grey_aim))),
        after_mean=float(after.mean()),
        after_p95=float(np.percentile(after, 95)),
        after_grey=float(np.mean(expect(look_up(b2a, grey_aim), grey_aim, delta_ch))),
        tone_mean=float(np.mean(expect(bent(rgb[ok], tone), aim[ok]))),
        tone_grey=float(np.mean(expect(bent(grey, tone), grey_aim, delta_ch))),
        curves_mean=float(np.mean(expect(bent(rgb[ok], curves), aim[ok]))),
        curves_grey=float(np.mean(expect(bent(grey, curves), grey_aim, delta_ch))),
        camera=camera,
        outside_share=float(np.mean(~ok)),
        outside_mean=float(limit[~ok].mean()) if (~ok).any() else 0.0,
        outside_hues=_hues_outside(aim, ~ok),
    )
