"""Does the camera's tone curve follow the light? Told from how tones change where the light changes.

In linear light every tone answers the lamp alike: twice the light, twice the signal. Under
a picture-enhancing curve the white cells answer less than the grey field, and an uneven
lamp would pass for uneven pressing. The slope of each tone's logarithm against the light's,
relative to white, is fitted as a smooth function of the tone and taken out. A power law
common to all tones is not identifiable this way and stays in the stated uncertainty.

Dye that the press did not drive in lightens a tone with its depth as well, but follows a place of its own
instead of the lamp. Both are fitted together; how much of the second there is, the data say by their
marginal likelihood (MacKay, Neural Computation 4(3), 415–447, 1992).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.records import Floats
from ..ground.robust import polynomial_terms, robust_least_squares

_DARKEST = np.log(0.02)
PRIOR_STD = 0.15  # how far a curve may be from the one assumed; estimate
_PRESS_STD = 0.0, 0.01, 0.03, 0.1, 0.3  # of the press over the piece, at 2 % reflectance, that the data choose among
_PRESS_DEGREE = 4


@dataclass(frozen=True, slots=True, eq=False)
class Tone:
    """Excess slope a·u + b·u² of tones, u = 0 at white and 1 at 2 % reflectance, with errors."""

    a: float
    b: float
    std: float
    field_slope: float


def _depth(rho: Floats) -> Floats:
    return np.asarray(np.clip(np.log(np.clip(rho, 1e-4, 1.0)) / _DARKEST, 0.0, 1.3))


def fit_tone(
    log_light: Floats,
    rho: Floats,
    excess: Floats,
    std: Floats,
    xy: Floats,
    *,
    field_rho: float,
    prior_std: float = PRIOR_STD,
) -> Tone:
    """Fit the excess slope.

    Parameters
    ----------
    log_light : (n,)
        Logarithm of the light at each datum, from its mean.
    rho, excess, std : (n,)
        Expected relative signal, log(seen / expected), and the error of that.
    xy : (n, 2)
        Where each datum lies on the piece, −1 to 1.
    field_rho : float
        Relative signal of the field, for the summary slope.
    prior_std : float
        How far the camera's curve may be from the one assumed.

    Returns
    -------
    Tone
        All zero when the light is too even to tell or nothing is significant.
    """
    none = Tone(0.0, 0.0, prior_std, 0.0)
    if len(excess) < 20 or float(np.std(log_light)) < 0.02:
        return none
    u = _depth(rho)
    tone = np.stack([np.ones_like(u), u, u * log_light, u * u * log_light], axis=1)
    press = u[:, None] * polynomial_terms(xy[:, 0], xy[:, 1], _PRESS_DEGREE)[:, 1:]
    a = np.concatenate([tone, press], axis=1)
    _, robust, scale = robust_least_squares(a / std[:, None], excess / std, ridge=1e-6)
    w = robust / (std * max(scale, 1.0)) ** 2
    part, cov = max((_evidence(a, w, excess, p, prior_std) for p in _PRESS_STD), key=lambda e: e[0])[1:]
    chi2 = float(part @ np.linalg.solve(cov, part))
    uf = float(_depth(np.array([field_rho]))[0])
    row = np.array([uf, uf * uf])
    slope, slope_std = float(row @ part), float(np.sqrt(row @ cov @ row))
    if chi2 < 14.0:  # about one in a thousand by chance
        return Tone(0.0, 0.0, slope_std, 0.0)
    return Tone(float(part[0]), float(part[1]), slope_std, slope)


def _evidence(a: Floats, w: Floats, excess: Floats, press: float, prior_std: float) -> tuple[float, Floats, Floats]:
    """Log marginal likelihood if the press varies by so much; the tone's two terms and their covariance."""
    a = a if press else a[:, :4]
    prior = np.concatenate([[0.0, 0.0, prior_std**-2, prior_std**-2], np.full(a.shape[1] - 4, (press or 1.0) ** -2)])
    n = a.T @ (a * w[:, None]) + np.diag(prior)
    x = np.linalg.solve(n, a.T @ (w * excess))
    held = x @ n @ x - np.linalg.slogdet(n)[1] + np.log(prior[2:]).sum()
    return float(held), np.asarray(x[2:4]), np.asarray(np.linalg.inv(n)[2:4, 2:4])


def tone_gain(tone: Tone, rho: Floats, log_light: Floats) -> Floats:
    """Factor by which a tone reads too bright under this light; divide by it."""
    u = _depth(rho)
    return np.asarray(np.exp((tone.a * u + tone.b * u * u) * log_light))
