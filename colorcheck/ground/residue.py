"""What was seen and what was due, on a millimetre grid: the one record from which every fault is found.

Target and finished piece each come to it their own way (`sheet.residue`, `piece.residue`): a target knows its colours
and its light from its own cells, a piece learns both from artwork and card. From here on they are alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from .grid import Array, block_places, grow
from .records import Kind, Lit, Pixels, Shape
from .robust import mad_std

_FEW_BLOCKS = 50
_CALM, _CALM_STD = 0.25, 0.3186  # share of a normal distribution, within so many standard deviations
_LIFT = 0.006  # of the coat's signal: weaker reflections change nothing that can be seen
_DISPLACED_MM = 0.15  # print that lies further off is displaced by glass: more than artworks do; estimate
_FEIGNED = 12.0  # times its displacement: places so small are feigned by pattern against pattern; from simulation


@dataclass(frozen=True, slots=True, eq=False)
class Residue:
    """Seen and due of one piece in blocks of ``step_mm``, in one or several photos (v), light taken out.

    What was due
        ``rel`` (r, c, 3) linear colour relative to the bare coat; ``device`` (r, c, 3) device RGB 0–255; ``depth``
        (r, c, 3) change of the logarithm when all dye is missing; ``slope_x``, ``slope_y`` (r, c, 3) change of the
        logarithm per mm of displacement, ``blur`` per unit of extra blur; ``texture`` (r, c) roughness inside the
        block; ``inside`` (r, c) on the piece; ``group`` (r, c) number of the colour, −1 none, ``group_var``
        (groups, 3) variance of the logarithm that is left in what each colour should be; ``fine_rel`` (H, W, 3) the
        same colour in ``fine_px_per_mm``, ``floor`` (3,) the part of the signal that never passes the dye.
    What was seen
        ``left`` (v, r, c, 3) logarithm of seen over due, NaN where nothing can be said, and its variance ``var``,
        infinite there; ``standout`` (v, r, c) blocks clear of the rest, that must not teach what is due; ``fine_seen``
        per photo (H, W, 3) linear signal with its light still in it, ``fine_ok`` (H, W).
    The light
        ``light`` (v, r, c, 3) as taken out; ``light_basis`` (v, r, c, k) and ``light_cov`` (k, k) the doubt left in
        its logarithm; ``light_ratio`` brightest to darkest; ``anchors`` what it was told by.
    What one cannot tell
        ``ambiguous`` broad components that light could explain as well as the print, ``settle_by`` the photo that would
        decide; ``light_doubt`` (4,) standard error, in log light, of a tilt along x and y, a bowl and a ring;
        ``colour_doubt`` (4,) the same in share of missing dye as far as the colours make it; ``centre_left`` share of a
        broad pale centre that learned colours leave (1 where they are known).

    ``placed_mm`` is how far print may lie from where it is expected, ``drawn_mm`` in plain glass; ``coat`` says where
    the level of bare coat came from, ``source`` what was due: 'target', 'reading', 'profile' or 'photo'; ``lit`` from
    where the light came.
    """

    size_mm: tuple[float, float]
    shape: Shape
    step_mm: float
    rel: Array
    device: Array
    depth: Array
    slope_x: Array
    slope_y: Array
    blur: Array
    texture: Array
    inside: Array
    group: Array
    group_var: Array
    fine_rel: Pixels
    fine_px_per_mm: float
    floor: Array
    left: Array
    var: Array
    standout: Array
    fine_seen: tuple[Pixels, ...]
    fine_ok: tuple[Array, ...]
    shift_mm: Array
    light: Array
    light_basis: Array
    light_cov: Array
    light_ratio: float
    anchors: tuple[str, ...]
    ambiguous: tuple[str, ...]
    settle_by: str
    light_doubt: Array
    colour_doubt: Array
    centre_left: float
    coat: str
    source: str
    placed_mm: float
    drawn_mm: float
    lit: Lit = "front"

    @property
    def hole(self) -> Kind:
        """Give the kind of a crisp place without dye: lit from behind it shines."""
        return Kind.PINHOLE if self.lit == "front" else Kind.SHINING

    @property
    def photos(self) -> int:
        """How many photos."""
        return len(self.left)

    @property
    def least_told_mm(self) -> float:
        """Diameter below which displaced print feigns spots; 0 where print lies as it should."""
        return _FEIGNED * self.placed_mm if self.placed_mm > _DISPLACED_MM else 0.0

    def places(self) -> Array:
        """Middles of the blocks in mm, (r, c, 2)."""
        return block_places(self.inside.shape, self.step_mm)

    def reach(self) -> Array:
        """Distance of the blocks from the outline, mm (r, c)."""
        x, y = np.moveaxis(self.places(), 2, 0)
        w, h = self.size_mm
        if self.shape == "round":
            return np.asarray(w / 2 - np.hypot(x - w / 2, (y - h / 2) * w / h))
        return np.asarray(np.minimum(np.minimum(x, w - x), np.minimum(y, h - y)))


def lifted_alone(res: Residue) -> Array:
    """Where each photo (v, r, c) has light added that every other photo lacks.

    What stays on the piece is print; a mirrored lamp or window moves over it when hand or piece is moved.
    """
    known: Any = np.isfinite(res.left).all(axis=3) & np.isfinite(res.var).all(axis=3)
    with np.errstate(invalid="ignore", divide="ignore"):
        added = np.where(known[..., None], res.rel * np.expm1(np.nan_to_num(res.left)), np.nan).mean(axis=3)
        added_var = np.where(known[..., None], res.var * res.rel**2, np.inf).mean(axis=3)
    out = np.zeros(known.shape, bool)
    s = 4.0 / res.step_mm
    for k in range(res.photos):
        others = np.nan_to_num(np.delete(added, k, axis=0), nan=np.inf).min(axis=0)
        w = np.where(known[k] & np.isfinite(others), 1 / np.maximum(added_var[k], 1e-9), 0.0)
        seen = w > 0
        if seen.sum() < _FEW_BLOCKS:
            continue
        d = np.where(seen, added[k] - others, 0.0)
        mean = cv2.GaussianBlur(d * w, (0, 0), s) / np.maximum(cv2.GaussianBlur(w, (0, 0), s), 1e-12)
        extra = mean - np.median(mean[seen])
        # reflections may lie over half of the piece, in one photo or the other: the calm part of it tells the noise
        noise = max(float(np.quantile(np.abs(extra[seen]), _CALM)) / _CALM_STD, 1e-4)
        out[k] = grow(seen & (extra > max(6 * noise, _LIFT)), seen & (extra > 2 * noise))
    return out


def standing_out(res: Residue) -> Array:
    """Mark the blocks (v, r, c) of each photo that stand clear of the rest, paler or darker.

    They must not teach the fit what their colours and the light look like. Nothing is marked
    where more than half of the piece would be.
    """
    out = np.zeros(res.left.shape[:3], bool)
    sigma = 3.0 / res.step_mm
    away = res.reach()
    for k in range(len(res.left)):
        ok = np.isfinite(res.left[k]).all(axis=2) & np.isfinite(res.var[k]).all(axis=2) & res.inside
        noise = res.var[k] + res.group_var[np.maximum(res.group, 0)]
        w = np.where(ok[..., None], res.depth / np.where(ok[..., None], noise, 1.0), 0.0)
        up = cv2.GaussianBlur((w * np.where(ok[..., None], res.left[k], 0.0)).sum(axis=2), (0, 0), sigma)
        down = cv2.GaussianBlur((w * res.depth).sum(axis=2), (0, 0), sigma)
        known = ok & (down > 0.05 * np.median(down[ok])) if ok.any() else ok
        if known.sum() < 30:
            continue
        q = np.where(known, up / np.maximum(down, 1e-12), 0.0)
        q = np.where(known, q - np.median(q[known]), 0.0)
        spread = float(mad_std(q[known]))
        core = np.abs(q) > max(6 * spread, 0.03)
        # along the outline the blank may show beside the print: there only what is left over is judged
        core &= away > 7.0
        out[k] = grow(core & known, (np.abs(q) > max(2.5 * spread, 0.012)) & known)
        out[k] &= away > 4.0
        if out[k].sum() > 0.5 * known.sum():
            out[k] = False
    return out
