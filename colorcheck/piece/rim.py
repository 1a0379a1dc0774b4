"""The rim of the blank round a picture already placed: where it is, and how the print lies on the blank."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.geometry import mm_to_px, scaled
from ..ground.records import Floats, Pose
from ..ground.robust import tukey_weights
from .artwork import MAX_BLEED_MM, Artwork
from .placement import (
    Level,
    Offsets,
    Trial,
    affine_scales,
    apply_affine,
    keeps_proportions,
    level_for,
    nominal_frame,
    px_to_mm,
    rim_points,
)

_RIM_PX_PER_MM = 2.5  # of the level in which the rim is looked for
_LOOSE_RIM = 0.6  # mm that a measured rim may stray from the blank's shape
_PRINTED_TO_SIZE = 0.025  # a print nearer to its nominal size than this is taken to have been made to that size
_PRINT_SHIFT = 1.5  # mm by which a print taped on by hand lies off the middle, standard deviation; estimate
_PRINT_TURN = 0.008  # radians by which it lies turned on its blank, standard deviation; estimate
_PRINT_SCALE = 0.002  # standard deviation of a print's size, relative: feed of printer and paper; estimate
_DRAWN_NEAR = 0.9  # mm round a printed edge in which an edge of the photo is taken to be it
_SAME_STEP = 0.12  # log colour: a step of the photo that differs less than this from the artwork's is the artwork's
_SHIFT = 5.0  # mm that a print may lie off the middle of its blank
_UNLIKELY = 0.5 / 12  # clearness lost for each squared standard deviation: a rim is clear in twelve parts by themselves
_ALONG = 9  # places side by side that are averaged along a rim


def _outermost_line(d: Any, step: float, most: float) -> tuple[float, float, float] | None:
    """Outermost straight edge that a stretch of the rim shares: index at its middle, slope in mm, strength.

    ``d`` (rows, n) is the strength of edges from inside to outside; the line may change by ``most`` mm
    from the stretch's one end to the other.
    """
    rows, n = d.shape
    across = np.linspace(-0.5, 0.5, rows)
    slopes = np.arange(-most, most + 1e-9, max(2 * step, 0.5))
    table = np.zeros((len(slopes), n))
    cap = np.minimum(d, 3.0 * np.median(d.max(axis=1)))
    for k, slope in enumerate(slopes):
        at = np.arange(n)[None, :] + np.round(slope * across / step).astype(int)[:, None]
        inside = (at >= 0) & (at < n)
        got = np.take_along_axis(cap, np.clip(at, 0, n - 1), axis=1) * inside
        table[k] = np.where(inside.mean(axis=0) > 0.8, got.sum(axis=0) / np.maximum(inside.sum(axis=0), 1), 0.0)
    best = table.max(axis=0)
    ground = float(np.percentile(best, 25))
    top = float(best.max())
    if top < max(0.004, 2.5 * ground):
        return None
    near = max(2, round(0.9 / step))
    padded = np.pad(best, near)
    local = np.lib.stride_tricks.sliding_window_view(padded, 2 * near + 1).max(axis=1)
    peaks = np.flatnonzero((best >= local) & (best > max(0.15 * top, 0.004, 2.5 * ground)))
    peaks = peaks[(peaks > 0) & (peaks < n - 1)]
    if not len(peaks):
        return None
    i = int(peaks.max())
    k = int(np.argmax(table[:, i]))
    return float(i), float(slopes[k]), float(table[k, i])


def _edge_profiles(
    levels: list[Level],
    pose: Pose,
    art: Artwork,
    to_frame: Floats,
    span: tuple[float, float],
    drawn: tuple[Any, float] | None = None,
) -> tuple[Any, Any, int]:
    """Strength of edges along normals of the rim, (160, n), NaN outside the photo; their places in mm; margin.

    ``span`` in mm counts outwards from where ``to_frame`` puts the nominal rim. Edges that ``drawn``, the artwork
    as this photo shows it and its pixels per mm, has at the same place are taken off: they are no rim. The first and
    last ``margin`` columns hold nothing.
    """
    pts, nrm, _ = rim_points(art, 160)
    level = level_for(levels, pose, _RIM_PX_PER_MM)
    step = max(0.12, 0.5 / (pose.px_per_mm * level.factor))
    width = max(1, round(max(0.3, 0.9 / (pose.px_per_mm * level.factor)) / step))
    margin = 3 * width  # a soft slope (a shadow) rises three times as much over three times the width: not an edge
    s = np.arange(int(np.floor(span[0] / step)) - margin, int(np.ceil(span[1] / step)) + margin + 1) * step
    n = len(s)
    tangent = np.stack([-nrm[:, 1], nrm[:, 0]], axis=1)
    along = np.linspace(-0.02, 0.02, _ALONG) * min(max(art.size_mm), 200.0)
    mm = pts[:, None, None, :] + s[None, :, None, None] * nrm[:, None, None, :]
    mm = mm + along[None, None, :, None] * tangent[:, None, None, :]
    frame = apply_affine(to_frame, mm.reshape(-1, 2))
    px = mm_to_px(scaled(pose, level.factor), frame)

    def edges(picture: Any, at: Any, border: int) -> Any:
        maps = at.astype(np.float32).reshape(len(pts), n * _ALONG, 2)
        got = cv2.remap(
            picture,
            np.ascontiguousarray(maps[..., 0]),
            np.ascontiguousarray(maps[..., 1]),
            cv2.INTER_LINEAR,
            borderMode=border,
            borderValue=(float("nan"),) * 4,
        )
        profile = got.reshape(len(pts), n, _ALONG, -1)[..., :3].mean(axis=2)
        short = profile[:, 2 * width :] - profile[:, : -2 * width]
        wide = profile[:, 2 * margin :] - profile[:, : -2 * margin]
        short = short[:, margin - width : short.shape[1] - (margin - width)]
        plain, steep = (np.sqrt(np.square(v) @ np.ones(3)) for v in (short, short - 0.4 * wide))
        return np.minimum(plain, steep), plain

    found = np.full((len(pts), n), np.nan)
    clean, _ = edges(level.pixels, px, cv2.BORDER_CONSTANT)
    noise = float(np.nanpercentile(clean, 25)) if np.isfinite(clean).any() else 0.0
    found[:, margin:-margin] = np.maximum(clean - 1.8 * noise, 0)
    if drawn is not None:
        like, g = drawn
        _, own = edges(like, frame * g - 0.5, cv2.BORDER_REPLICATE)
        reach = max(1, round(_DRAWN_NEAR / step))
        own = cv2.dilate(own.astype(np.float32), np.ones((1, 2 * reach + 1), np.uint8))
        found[:, margin:-margin] = np.maximum(found[:, margin:-margin] - 2.0 * own, 0)
    return found, s, margin


def measure_rim(
    levels: list[Level],
    pose: Pose,
    art: Artwork,
    to_frame: Floats,
    reach: float,
    drawn: tuple[Any, float] | None = None,
) -> tuple[Floats, Floats, Floats, Any]:
    """Where the rim is along its normal, in mm of the nominal piece; NaN where it is not seen.

    Of the edges within reach the outermost clear one counts that a whole side shares: inside lies the picture
    with edges of its own (those of ``drawn`` do not count), outside the card.
    """
    pts, nrm, part = rim_points(art, 160)
    edge, s, m = _edge_profiles(levels, pose, art, to_frame, (-reach - 0.5, reach + 0.5), drawn)
    n, step = len(s), float(s[1] - s[0])
    if n < 2 * m + 5:
        return pts, nrm, np.full(len(pts), np.nan), part
    d = edge
    offset = np.full(len(pts), np.nan)
    for k in np.unique(part):
        rows = np.flatnonzero(part == k)
        good = np.isfinite(d[rows, m : n - m]).all(axis=1)
        if good.sum() < 3:
            continue
        line = _outermost_line(d[rows[good], m : n - m], step, min(reach, 5.0))
        if line is None:
            continue
        across = np.linspace(-0.5, 0.5, len(rows))[good]
        half = max(2, round(0.9 / step))
        for r, t in zip(rows[good], across, strict=True):
            at = m + round(line[0] + line[1] * t / step)
            a, b = max(m, at - half), min(n - m, at + half + 1)
            if b - a < 3:
                continue
            i = a + int(np.argmax(d[r, a:b]))
            if d[r, i] < 0.4 * line[2] or not m < i < n - m - 1:
                continue
            y0, y1, y2 = d[r, i - 1], d[r, i], d[r, i + 1]
            bow = y0 - 2 * y1 + y2
            shift = 0.5 * (y0 - y2) / bow if np.isfinite(bow) and bow < 0 else 0.0
            offset[r] = s[i] + float(np.clip(shift, -0.5, 0.5)) * step
    return pts, nrm, offset, part


def _fit_placing(pts: Floats, seen: Floats, nrm: Floats, art: Artwork) -> tuple[Floats, Floats, Floats, Floats]:
    """Affine map piece mm → frame mm (2, 3), with one or two scales, from rim places seen in the frame.

    ``seen`` (n, 2) are frame mm of the nominal rim places ``pts``; only the part along the normal counts.
    Returns the map, the residuals (n,), the columns (n, k) of its unknowns (shift, turn, scale, in mm at the rim)
    and these (k,).
    """
    w, h = art.size_mm
    c = np.array([w / 2, h / 2])
    d = (pts - c) / max(w, h)
    nx, ny = nrm.T
    both = [d[:, 0] * nx, d[:, 1] * ny]
    even = keeps_proportions(art)
    a = np.stack([nx, ny, -d[:, 1] * nx + d[:, 0] * ny, *([both[0] + both[1]] if even else both)], axis=1)
    b = ((seen - art.bleed_mm - pts) * nrm).sum(axis=1)
    weights = np.ones(len(b))
    x = np.zeros(a.shape[1])
    for _ in range(6):
        x = np.linalg.lstsq(a * weights[:, None], b * weights, rcond=1e-9)[0]
        r = b - a @ x
        weights = np.sqrt(tukey_weights(r, max(1.4826 * float(np.median(np.abs(r))), 0.05)))
    size = max(w, h)
    lin = np.array([[1 + x[3] / size, -x[2] / size], [x[2] / size, 1 + x[-1] / size]])
    shift = c + x[:2] - lin @ c + art.bleed_mm
    return np.column_stack([lin, shift]), np.asarray(b - a @ x), a, x


@dataclass(frozen=True, slots=True, eq=False)
class PlacedRim:
    """The blank placed under the picture.

    Piece mm → frame mm (2, 3), rows for the pose fit with the columns (n, k) of shift, turn and scale, what holds
    these at nothing (k,) and what they seem to be (k,), residual in mm, the measured rim in frame mm (n, 2).
    """

    to_frame: Floats
    rows: Offsets
    slack: Floats
    hold: Floats
    placing: Floats
    residual: float
    seen: Floats


def place_blank(pose: Pose, rim_px: Floats, art: Artwork) -> PlacedRim | None:
    """Lay the nominal blank onto the measured rim; what does not fit is the pose's error."""
    q = px_to_mm(pose, rim_px)
    w, h = art.size_mm
    low, high = np.percentile(q, [1, 99], axis=0)
    size = high - low
    if not (np.isfinite(size).all() and (size > 0.5 * np.array([w, h])).all()):
        return None
    u = (q - (low + high) / 2) / (size / 2)
    if art.shape == "round":
        a = np.arctan2(u[:, 1], u[:, 0])
        pts = np.stack([w / 2 + w / 2 * np.cos(a), h / 2 + h / 2 * np.sin(a)], axis=1)
        nrm = np.stack([np.cos(a) / w, np.sin(a) / h], axis=1)
        nrm /= np.linalg.norm(nrm, axis=1, keepdims=True)
    else:
        upright = np.abs(u[:, 0]) > np.abs(u[:, 1])
        pts = np.clip(u, -1, 1) * [w / 2, h / 2] + [w / 2, h / 2]
        pts[upright, 0] = np.where(u[upright, 0] > 0, w, 0)
        pts[~upright, 1] = np.where(u[~upright, 1] > 0, h, 0)
        nrm = (
            np.where(upright[:, None], [1.0, 0.0], [0.0, 1.0])
            * np.where(upright, np.sign(u[:, 0]), np.sign(u[:, 1]))[:, None]
        )
    to_frame, res, slack, placing = _fit_placing(pts, q, nrm, art)
    rms = float(np.sqrt(np.mean(np.clip(res, -2, 2) ** 2)))
    # hands and printer keep to the middle and to the size: where the picture leaves it open, that decides
    size_mm = max(w, h)
    likely = [_PRINT_SHIFT, _PRINT_SHIFT, _PRINT_TURN * size_mm] + [_PRINT_SCALE * size_mm] * (slack.shape[1] - 3)
    hold = np.array(likely) ** -2.0
    off = res + slack @ placing
    if np.abs(affine_scales(to_frame) - 1).max() >= _PRINTED_TO_SIZE:  # a bleed that nobody has told
        off = res + slack[:, :3] @ placing[:3]
        hold[3:], placing = 0.0, np.append(placing[:3], np.zeros(slack.shape[1] - 3))
    weight = np.full(len(res), 1.0 / (0.08**2 + 2 * rms**2))
    rows = Offsets(apply_affine(to_frame, pts), nrm, -off, weight, np.zeros(len(res)))
    return PlacedRim(to_frame=to_frame, rows=rows, slack=slack, hold=hold, placing=placing, residual=rms, seen=q)


@dataclass(frozen=True, slots=True, eq=False)
class _RimSearch:
    """How clear an edge is (160, n) at offsets ``s`` (n,) along the rim's normals, and what blanks are tried."""

    value: Any
    s: Any
    sizes: Any  # mm that a blank may reach further out, measured on its shorter side
    shifts: Any

    @property
    def step(self) -> float:
        """Distance of two offsets, mm."""
        return float(self.s[1] - self.s[0])

    def column(self, offset: Any) -> Any:
        """Index of offsets."""
        return np.clip(np.rint((offset - self.s[0]) / self.step).astype(int), 0, len(self.s) - 1)

    def loose(self, reach: float) -> Any:
        """Return the best value within ``reach`` mm."""
        return cv2.dilate(self.value, np.ones((1, 2 * round(reach / self.step) + 1), np.uint8))


def _four_sides(look: _RimSearch, art: Artwork) -> Any:
    """Offsets (160,) of the rectangle whose four sides together are seen best.

    Each side is a line of its own, a little oblique where the picture's pose still errs.
    """
    w, h = art.size_mm
    part = rim_points(art, 160)[2]
    slopes = np.arange(-1.2, 1.21, 0.3)
    along = np.linspace(-1, 1, len(part) // 4)
    count = len(look.s)
    lines = np.empty((4, len(slopes), count), np.float32)
    for side in range(4):
        own = look.value[part == side]
        for k, slope in enumerate(slopes):
            index = np.arange(count)[None, :] + np.rint(slope * along / look.step).astype(int)[:, None]
            lines[side, k] = np.take_along_axis(own, np.clip(index, 0, count - 1), axis=1).mean(axis=0)
    loose = cv2.dilate(lines.max(axis=1), np.ones((1, 2 * round(0.2 / look.step) + 1), np.uint8))
    top, want = -np.inf, np.zeros(4)
    far = 0.004 * np.square(look.shifts)
    for grow in look.sizes:
        wide, tall = grow * w / min(w, h), grow * h / min(w, h)
        across = loose[1][look.column(wide + look.shifts)] + loose[3][look.column(wide - look.shifts)] - far
        down = loose[2][look.column(tall + look.shifts)] + loose[0][look.column(tall - look.shifts)] - far
        i, j = int(across.argmax()), int(down.argmax())
        if across[i] + down[j] > top:
            top, dx, dy = float(across[i] + down[j]), look.shifts[i], look.shifts[j]
            want = np.array([tall - dy, wide + dx, tall + dy, wide - dx])
    offset = np.empty(len(part))
    near = round(0.35 / look.step)
    for side in range(4):
        k = int(look.column(want[side]))
        first = max(0, k - near)
        window = lines[side][:, first : k + near + 1]
        slope, place = np.unravel_index(int(window.argmax()), window.shape)
        offset[part == side] = look.s[first + place] + slopes[slope] * along
    return offset


def _whole_round(look: _RimSearch, art: Artwork) -> Any:
    """Offsets (160,) of the round blank whose rim is seen best."""
    w, h = art.size_mm
    pts, nrm, _ = rim_points(art, 160)
    grow = ((pts - [w / 2, h / 2]) * nrm).sum(axis=1) / (min(w, h) / 2)
    basis = np.stack([nrm[:, 0], nrm[:, 1], grow])
    rows = np.arange(len(pts))

    def rate(table: Any, tried: Any, every: int) -> Any:
        got = table[rows[None, ::every], look.column(tried @ basis[:, ::every])].mean(axis=1)
        far = np.square(tried[:, :2] / _PRINT_SHIFT).sum(axis=1)
        if art.bleed_known:
            far = far + np.square(tried[:, 2] / (_PRINT_SCALE * min(w, h) / 2))
        return got - _UNLIKELY * far

    grid = np.stack(np.meshgrid(look.shifts[::2], look.shifts[::2], look.sizes[::2], indexing="ij"), -1).reshape(-1, 3)
    found = []
    for i in np.argsort(-rate(look.loose(0.3), grid, 2))[:5]:
        best = grid[i]
        for d in (0.25, 0.12, 0.12):
            close = np.stack(np.meshgrid(*([[-d, 0.0, d]] * 3), indexing="ij"), -1).reshape(-1, 3) + best
            rated = rate(look.value, close, 1)
            best = close[int(rated.argmax())]
        found.append((float(rated.max()), best))
    return max(found, key=lambda f: f[0])[1] @ basis


def _clearness(edge: Any, step: float) -> Any:
    """How clear edges are, (160, n): crests only, and of lines that run along each other the outermost."""
    floor = float(np.clip(2 * np.percentile(edge, 80), 0.006, 0.015))
    crest = edge > 0.9 * cv2.dilate(edge, np.ones((1, 2 * round(0.5 / step) + 1), np.uint8))
    value = np.log1p(np.minimum(edge, 60 * floor) / floor).astype(np.float32) * crest
    # a ground edge and a print that ends short of it draw lines along the rim: the outermost is the piece's
    near, far = round(0.35 / step), round(2.2 / step)
    beyond = cv2.dilate(
        value, np.ones((1, far - near + 1), np.uint8), anchor=(0, 0), borderType=cv2.BORDER_CONSTANT, borderValue=0
    )
    beyond = np.concatenate([beyond[:, near:], np.zeros((len(beyond), near), np.float32)], axis=1)
    value = np.maximum(value - 0.6 * beyond, 0)
    return cv2.GaussianBlur(value, (0, 0), max(0.15 / step, 0.3), sigmaY=1e-3)


def find_rim(levels: list[Level], trial: Trial, art: Artwork, drawn: tuple[Any, float], known: Any) -> Any:
    """Places of the rim in pixels around a picture already placed, or None when it is not seen all around.

    Only edges count that the picture does not have of itself; ``known`` is a rim found otherwise (pixels), kept
    where it stands out as well. Where the print's size is known, that size alone may tell the rim from lines of the
    picture.
    """
    was = place_blank(trial.pose, known, art) if known is not None else None
    if was is not None and (was.residual > _LOOSE_RIM or (art.bleed_known and not _to_size(was, art))):
        was = None
    found = _rim_among(levels, trial, art, drawn, was)
    if found is None and art.bleed_known:
        found = _rim_among(levels, trial, art, None, was)
    if was is not None and (found is None or found is was):
        drawn_itself = found is None and not _to_size(was, art) and _print_goes_on(levels, trial, art, drawn, was)
        return None if drawn_itself else known
    return found


def _print_goes_on(levels: list[Level], trial: Trial, art: Artwork, drawn: tuple[Any, float], rim: PlacedRim) -> bool:
    """Whether the picture goes on outside a supposed rim: a line of its own, such as the ring of a clock face.

    From inside to outside the photo then changes as the artwork does. Where the artwork says nothing about the outside
    the rim is believed.
    """
    pts, nrm, _ = rim_points(art, 160)
    like, g = drawn
    level = level_for(levels, trial.pose, _RIM_PX_PER_MM)
    change, known = [], np.ones(len(pts), bool)
    for side, off in ((1, np.linspace(1.0, 2.5, 4)), (-1, np.linspace(-6.5, -3.5, 7))):  # clear of a printed ring
        frame = apply_affine(rim.to_frame, (pts[:, None] + off[None, :, None] * nrm[:, None]).reshape(-1, 2))
        on_art, in_photo = frame * g - 0.5, mm_to_px(scaled(trial.pose, level.factor), frame)
        known &= (
            ((on_art > 0) & (on_art < np.array(like.shape[1::-1]) - 1)).all(axis=1).reshape(len(pts), -1).all(axis=1)
        )
        both = [
            cv2.remap(
                picture[..., :3], at[:, :1].astype(np.float32), at[:, 1:].astype(np.float32), cv2.INTER_LINEAR
            ).reshape(len(pts), -1, 3)
            for picture, at in ((np.ascontiguousarray(level.pixels[..., :3]), in_photo), (like, on_art))
        ]
        change.append(side * (both[0] - both[1]).mean(axis=1))
    apart = np.sqrt(np.square(change[0] + change[1]).sum(axis=1))
    return bool(known.mean() > 0.5 and np.median(apart[known]) < _SAME_STEP)


def _to_size(rim: PlacedRim, art: Artwork) -> bool:
    """Whether the picture on this blank is as large as its file says, and about in the middle."""
    mid = np.array([art.size_mm]) / 2
    shift = np.abs(apply_affine(rim.to_frame, mid) - apply_affine(nominal_frame(art), mid)).max()
    return bool(np.abs(affine_scales(rim.to_frame) - 1).max() < _PRINTED_TO_SIZE and shift < _SHIFT)


def _rim_among(
    levels: list[Level], trial: Trial, art: Artwork, drawn: tuple[Any, float] | None, was: PlacedRim | None
) -> Any:
    """Places of the rim in pixels that the whole blank fits best, ``was`` if that is as clear, None if none is."""
    w, h = art.size_mm
    pts, nrm, part = rim_points(art, 160)
    nominal = nominal_frame(art)
    inward = 1.0 if art.bleed_known else min(MAX_BLEED_MM, 0.12 * min(w, h))
    edge, s, m = _edge_profiles(levels, trial.pose, art, nominal, (-inward - _SHIFT, _SHIFT + 1.0), drawn)
    edge = cv2.blur(np.nan_to_num(edge[:, m:-m]).astype(np.float32), (1, 3))
    s = s[m:-m]
    step = float(s[1] - s[0])
    low = -inward if not art.bleed_known else -0.01 * min(w, h)
    sizes = np.arange(low, 0.01 * min(w, h) + 1e-6, 0.25) if low < -0.5 else np.arange(-0.5, 0.51, 0.25)
    look = _RimSearch(_clearness(edge, step), s, sizes, np.arange(-_SHIFT, _SHIFT + 1e-6, 0.25))
    offset = (_four_sides if art.shape == "rect" else _whole_round)(look, art)
    rows = np.arange(len(pts))

    def seen(offset: Any, reach: float) -> tuple[Any, float]:
        met = look.loose(reach)[rows, look.column(offset)]
        return np.array([(met[part == k] > np.log1p(0.7)).mean() for k in np.unique(part)]), float(met.mean())

    share, met = seen(offset, 0.3)
    if was is not None:
        there, kept = seen(((apply_affine(was.to_frame, pts) - apply_affine(nominal, pts)) * nrm).sum(axis=1), 0.5)
        if (there > 0.35).mean() >= 0.55 and kept > 0.7 * met:
            return was
    enough = 0.7 if art.shape == "rect" else 0.55
    if art.shape == "rect" and art.bleed_known and np.minimum(share, np.roll(share, 1)).max() > 0.5:
        enough = 0.5  # the size is known: two sides that meet place the blank
    if (share > 0.35).mean() < enough:
        return None
    # the nearest clear edge to the common rim
    near = edge * np.exp(-0.5 * np.square((s[None, :] - offset[:, None]) / 0.35))
    i = np.clip(near.argmax(axis=1), 1, len(s) - 2)
    y0, y1, y2 = (edge[rows, i + k].astype(float) for k in (-1, 0, 1))
    bow = np.minimum(y0 - 2 * y1 + y2, -1e-9)
    place = s[i] + np.clip(0.5 * (y0 - y2) / bow, -0.5, 0.5) * step
    ok = (y1 > max(0.004, 0.25 * float(np.median(y1)))) & (np.abs(place - offset) < 0.8)
    if ok.sum() < 50 or len(np.unique(part[ok])) < len(share) * enough:
        return None
    return mm_to_px(trial.pose, apply_affine(nominal, pts[ok] + place[ok, None] * nrm[ok]))
