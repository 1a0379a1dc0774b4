"""The colours a printer can make: their solid in CIELAB, its volume, and the way back from CIELAB to device RGB.

Gamut mapping follows the plan of CIE 156:2004 and of Morovič, *Color Gamut Mapping* (2008), both quoted from memory;
the constants here are our own and stand beside their use:

- *relative colorimetric*: colours inside stay; those outside go to the nearest point of the solid in a distance that
  counts hue most, then lightness, then chroma (hue-preserving minimum difference, softened so that neighbours stay
  neighbours);
- *perceptual*: black is brought to the printer's black linearly in XYZ, then every colour is drawn towards one grey
  in the middle, by a knee that leaves the core alone and fits the surface of sRGB into the printer's. Greys move
  along the grey axis only and stay grey;
- *saturation*: the same way, but the surface of sRGB is laid onto the printer's also where that reaches further.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..ground.cielab import (
    D50_WHITE,
    black_point_compensate,
    delta_e00,
    lab_to_xyz,
    linear_srgb_to_xyz,
    linear_to_srgb,
    srgb_to_linear,
    xyz_to_lab,
    xyz_to_linear_srgb,
)
from ..ground.records import Floats, Mask

LabOf = Callable[[Floats], Floats]  # device RGB (n, 3), 0 to 255 → CIELAB (n, 3)

_HUE, _LIGHT = 2.5, 1.0  # how much more a hue and a lightness difference count than one of strong chroma
_NEAR_GREY = 12.0  # C*ab below which there is no hue to hold: all directions count like hue
_CHROMA = 0.045  # loss of weight of a chroma difference with chroma, as in CIE94
_PULL = 2e-4  # ΔE² per device step² towards the plain guess, where the printer leaves the choice open
_STARTS = 9  # nodes a side of the coarse search
_LEFT = 0.1  # squared difference that is looked at again
_ROUNDS = 24
_KNEE, _KNEE_SATURATION = 0.75, 0.4  # share of the way to the surface that the knee leaves alone
_ROUNDING = 2.0  # standard deviation of the rounding of edges, steps of 2.5°
_BEYOND = 2.5  # times the way from knee to surface: the farthest that undoing the knee goes
_STRETCH = 1.25  # most that the saturation intent stretches


# ---------------------------------------------------------------- tables on a cube


def interpolate(table: Floats, place: Floats) -> Floats:
    """Tetrahedral interpolation in a cube of nodes, as colour management does it.

    Parameters
    ----------
    table : (n, n, n, k)
    place : (m, 3)
        In nodes, 0 to n − 1; clipped.

    Returns
    -------
    (m, k)
    """
    n = table.shape[0]
    index, weight = corners(place, n)
    flat = table.reshape(n**3, -1)
    out = flat[index[:, 0]] * weight[:, 0, None]
    for i in range(1, 4):
        out += flat[index[:, i]] * weight[:, i, None]
    return np.asarray(out)


def corners(place: Floats, n: int) -> tuple[Any, Floats]:
    """Flat index (m, 4) and weight (m, 4) of the corners of the tetrahedron round every place."""
    p = np.clip(place, 0.0, n - 1.0)
    low = np.minimum(p.astype(np.int64), n - 2)
    share = p - low
    order = np.argsort(-share, axis=1, kind="stable")
    ranked = np.take_along_axis(share, order, axis=1)
    weight = np.stack([1 - ranked[:, 0], ranked[:, 0] - ranked[:, 1], ranked[:, 1] - ranked[:, 2], ranked[:, 2]], 1)
    stride = np.array([n * n, n, 1], dtype=np.int64)
    index = np.empty((len(p), 4), dtype=np.int64)
    index[:, 0] = low @ stride
    for i in range(3):
        index[:, i + 1] = index[:, i] + stride[order[:, i]]
    return index, weight


def cube_nodes(n: int) -> Floats:
    """Device RGB (n³, 3) of an even grid, the last channel running fastest."""
    steps = np.linspace(0.0, 255.0, n)
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)


# ---------------------------------------------------------------- the surface and its volume


def surface(n: int) -> tuple[Floats, Any]:
    """Surface of the device cube as triangles, all wound the same way.

    Parameters
    ----------
    n : int
        Nodes along an edge.

    Returns
    -------
    device_rgb : (v, 3)
        0 to 255; nodes on edges occur once for every face.
    triangles : (t, 3) int
    """
    steps = np.linspace(0.0, 255.0, n)
    u, v = (a.ravel() for a in np.meshgrid(steps, steps, indexing="ij"))
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n - 1), np.arange(n - 1), indexing="ij"))
    a = i * n + j
    quads = np.concatenate([np.stack([a, a + n, a + n + 1], 1), np.stack([a, a + n + 1, a + 1], 1)])
    points: list[Floats] = []
    faces: list[Any] = []
    for axis in range(3):
        for end in (0.0, 255.0):
            face = np.empty((n * n, 3))
            face[:, axis], face[:, (axis + 1) % 3], face[:, (axis + 2) % 3] = end, u, v
            faces.append((quads if end else quads[:, ::-1]) + len(points) * n * n)
            points.append(face)
    return np.concatenate(points), np.concatenate(faces)


def gamut_volume(lab: LabOf, n: int = 33) -> float:
    """Volume of the colours that a device can make, in cubic CIELAB units.

    Parameters
    ----------
    lab : callable
        Device RGB (m, 3), 0 to 255, to CIELAB (m, 3).
    n : int
        Nodes along an edge of the device cube.

    Returns
    -------
    float
        Sum of the signed tetrahedra between the mapped surface of the cube and one point: exact for the triangles;
        where colours fold back over others, the fold counts once.
    """
    device, triangles = surface(n)
    points = np.asarray(lab(device), dtype=float) - [50.0, 0.0, 0.0]
    a, b, c = (points[triangles[:, k]] for k in range(3))
    return float(abs(np.einsum("ij,ij->", a, np.cross(b, c))) / 6.0)


def _reach_of_rays(points: Floats, triangles: Any, rays: Floats) -> Floats:
    """Farthest crossing of rays from the origin with a surface, (r,); NaN where there is none."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    # origin + t·ray inside the triangle: Cramer's rule with the ray as the only unknown direction
    n_ab, n_bc, n_ca = np.cross(a, b), np.cross(b, c), np.cross(c, a)
    volume = np.einsum("ij,ij->i", a, n_bc)
    out = np.full(len(rays), np.nan)
    for start in range(0, len(rays), 256):
        part = slice(start, start + 256)
        u, v, w = rays[part] @ n_bc.T, rays[part] @ n_ca.T, rays[part] @ n_ab.T
        total = u + v + w
        small = 1e-9 * np.abs(total)
        hit = ((u >= -small) & (v >= -small) & (w >= -small)) | ((u <= small) & (v <= small) & (w <= small))
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(hit & (total != 0.0), volume / total, -np.inf)
        far = np.where(np.isfinite(t), t, -np.inf).max(axis=1)
        out[part] = np.where(far > 0, far, np.nan)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class RadialSurface:
    """How far a solid of colours reaches from a grey in its middle, by direction.

    ``reach`` (angles of elevation, angles of hue): from −90° to 90° of elevation, and once round.
    """

    centre_l: float
    reach: Floats

    def at(self, lab: Floats) -> tuple[Floats, Floats]:
        """Distance (n,) of colours from the centre, and of the surface (n,) in their direction."""
        away = lab - [self.centre_l, 0.0, 0.0]
        chroma = np.hypot(away[:, 1], away[:, 2])
        up = np.degrees(np.arctan2(away[:, 0], chroma))
        hue = np.degrees(np.arctan2(away[:, 2], away[:, 1])) % 360.0
        rows, columns = self.reach.shape
        y = (up + 90.0) / 180.0 * (rows - 1)
        x = hue / 360.0 * (columns - 1)
        i, j = np.minimum(y.astype(int), rows - 2), np.minimum(x.astype(int), columns - 2)
        fy, fx = y - i, x - j
        r = self.reach
        low = r[i, j] * (1 - fx) + r[i, j + 1] * fx
        high = r[i + 1, j] * (1 - fx) + r[i + 1, j + 1] * fx
        return np.sqrt((away * away).sum(axis=1)), np.asarray(low * (1 - fy) + high * fy)


def radial_surface(lab: LabOf, centre_l: float, *, n: int = 11, rows: int = 73, columns: int = 145) -> RadialSurface:
    """Measure how far a device's colours reach from a grey, every two and a half degrees, edges rounded off.

    Parameters
    ----------
    lab : callable
        As for `gamut_volume`.
    centre_l : float
        L* of the grey.
    """
    device, triangles = surface(n)
    points = np.asarray(lab(device), dtype=float) - [centre_l, 0.0, 0.0]
    up = np.radians(np.linspace(-90.0, 90.0, rows))
    hue = np.radians(np.linspace(0.0, 360.0, columns)[:-1])
    rays = np.stack(
        [
            np.repeat(np.sin(up)[:, None], columns - 1, axis=1),
            np.cos(up)[:, None] * np.cos(hue)[None, :],
            np.cos(up)[:, None] * np.sin(hue)[None, :],
        ],
        axis=-1,
    )
    reach = _reach_of_rays(points, triangles, rays.reshape(-1, 3)).reshape(rows, columns - 1)
    for row in reach:  # a gap between folds: from the neighbours in hue
        gap = ~np.isfinite(row)
        if gap.any() and not gap.all():
            row[gap] = np.interp(np.flatnonzero(gap), np.flatnonzero(~gap), row[~gap], period=columns - 1)
    reach = np.where(np.isfinite(reach), reach, 1.0)
    from scipy.ndimage import gaussian_filter

    poles = reach[[0, -1]].mean(axis=1, keepdims=True)
    # the sharp edges of a solid would be seen as rays in a smooth gradient that is drawn inwards
    reach = gaussian_filter(reach, _ROUNDING, mode=("nearest", "wrap"))
    reach[[0, -1]] = poles
    return RadialSurface(centre_l=centre_l, reach=np.concatenate([reach, reach[:, :1]], axis=1))


# ---------------------------------------------------------------- the way back


def _metric(target: Floats, *, chroma_first: bool = False) -> tuple[Floats, Floats, Floats, Floats]:
    """Weights of ΔL*² (n,) and of Δa*², Δb*², 2·Δa*Δb* (n,) of the distance to every target."""
    chroma = np.hypot(target[:, 1], target[:, 2])
    grey = np.exp(-((chroma / _NEAR_GREY) ** 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        cos = np.where(chroma > 1e-9, target[:, 1] / chroma, 1.0)
        sin = np.where(chroma > 1e-9, target[:, 2] / chroma, 0.0)
    w_hue = _HUE**2 / (1.0 + 0.015 * chroma) ** 2
    plain = (0.7 if chroma_first else 1.0) / (1.0 + (0.015 if chroma_first else _CHROMA) * chroma) ** 2
    w_chroma = grey * _HUE**2 + (1 - grey) * plain
    w_light = np.full(len(target), (0.5 if chroma_first else _LIGHT) ** 2)
    return (
        w_light,
        w_chroma * cos**2 + w_hue * sin**2,
        w_chroma * sin**2 + w_hue * cos**2,
        (w_chroma - w_hue) * cos * sin,
    )


def _apply_metric(metric: tuple[Floats, Floats, Floats, Floats], d: Floats) -> Floats:
    """Metric times difference, (n, 3)."""
    w_l, w_a, w_b, w_ab = metric
    return np.stack([w_l * d[:, 0], w_a * d[:, 1] + w_ab * d[:, 2], w_ab * d[:, 1] + w_b * d[:, 2]], axis=1)


def plain_guess(lab: Floats) -> Floats:
    """Device RGB (n, 3) that would make these colours if the printer were sRGB."""
    rgb = linear_to_srgb(np.clip(xyz_to_linear_srgb(lab_to_xyz(lab)), 0.0, 1.0))
    return np.asarray(255.0 * rgb)


def _coarse(nodes: Floats, device: Floats, target: Floats, guess: Floats, metric: Any) -> Floats:
    """Best of all nodes for every target, (n, 3) device RGB: the whole solid is looked at, so no false valley."""
    w_l, w_a, w_b, w_ab = metric
    x, d = nodes.astype(np.float32), (device / 255.0).astype(np.float32)
    features = np.stack(
        [x[:, 0] ** 2, x[:, 0], x[:, 1] ** 2, x[:, 2] ** 2, x[:, 1] * x[:, 2], x[:, 1], x[:, 2]]
        + [(d * d).sum(axis=1), d[:, 0], d[:, 1], d[:, 2]]
    )
    wt = _apply_metric(metric, target)
    pull = np.full(len(target), 10.0 * _PULL * 255.0**2)
    g = -2.0 * pull[:, None] * guess / 255.0
    rows = np.stack(
        [w_l, -2 * wt[:, 0], w_a, w_b, 2 * w_ab, -2 * wt[:, 1], -2 * wt[:, 2], pull, g[:, 0], g[:, 1], g[:, 2]], axis=1
    ).astype(np.float32)
    best = np.empty(len(target), dtype=np.int64)
    for start in range(0, len(target), 2048):
        part = slice(start, start + 2048)
        best[part] = (rows[part] @ features).argmin(axis=1)
    return device[best]


@dataclass(frozen=True, slots=True, eq=False)
class Forward:
    """A device → CIELAB table with its slopes.

    ``table`` (n, n, n, 12): L*, a*, b*, then the derivatives of each by R, G and B per device step.
    """

    table: Floats

    @property
    def n(self) -> int:
        """Nodes along an edge."""
        return int(self.table.shape[0])

    @property
    def lab_nodes(self) -> Floats:
        """CIELAB at the nodes, (n, n, n, 3)."""
        return self.table[..., :3]

    def lab(self, device_rgb: Floats) -> Floats:
        """CIELAB (m, 3) of device RGB (m, 3)."""
        return interpolate(self.table[..., :3], np.asarray(device_rgb) / 255.0 * (self.n - 1))

    def lab_and_slope(self, device_rgb: Floats) -> tuple[Floats, Floats]:
        """CIELAB (m, 3) and its derivatives (m, 3, 3) by device RGB."""
        out = interpolate(self.table, device_rgb / 255.0 * (self.n - 1))
        return out[:, :3], out[:, 3:].reshape(-1, 3, 3)


def forward_table(lab: LabOf, n: int = 33) -> Forward:
    """Tabulate a forward model over the device cube."""
    nodes = np.asarray(lab(cube_nodes(n)), dtype=float).reshape(n, n, n, 3)
    step = 255.0 / (n - 1)
    slopes = [np.gradient(nodes[..., c], step, edge_order=2) for c in range(3)]
    flat = np.stack([slopes[c][k] for c in range(3) for k in range(3)], axis=-1)
    return Forward(np.ascontiguousarray(np.concatenate([nodes, flat], axis=-1)))


def invert(forward: Forward, target: Floats, *, chroma_first: bool = False) -> tuple[Floats, Floats]:
    """Device RGB whose colour comes nearest to every target.

    Parameters
    ----------
    forward : Forward
    target : (n, 3)
        CIELAB, inside the solid or not.
    chroma_first : bool
        Keep chroma rather than lightness where both cannot be kept.

    Returns
    -------
    device_rgb, lab : (n, 3)
        Device RGB 0 to 255, and the colour it makes.

    Notes
    -----
    Damped Gauss–Newton from the best node of a coarse grid, all targets at once, on the device cube: a channel at its
    end leaves the step when the descent points outward (projected Newton; Bertsekas, SIAM J. Control Optim. 20,
    1982). A very weak pull towards the plain sRGB guess decides where the printer makes one colour in many ways.
    """
    from scipy.spatial import cKDTree

    target = np.asarray(target, dtype=float)
    guess = plain_guess(target)
    metric = _metric(target, chroma_first=chroma_first)
    n, stride = forward.n, max(1, (forward.n - 1) // (_STARTS - 1))
    places = cube_nodes(n)
    some = np.arange(n**3).reshape(n, n, n)[::stride, ::stride, ::stride].ravel()
    nodes = forward.lab_nodes.reshape(-1, 3)
    device, lab, cost = _descend(
        forward, target, guess, metric, _coarse(nodes[some], places[some], target, guess, metric)
    )
    # where something is left, from the nearest of all nodes as well: a fold may have barred the way
    left = np.flatnonzero(cost > _LEFT)
    if left.size:
        start = places[cKDTree(nodes).query(target[left])[1]]
        again = _descend(forward, target[left], guess[left], tuple(w[left] for w in metric), start)
        better = again[2] < cost[left]
        device[left[better]], lab[left[better]] = again[0][better], again[1][better]
    return device, lab


def _descend(
    forward: Forward, target: Floats, guess: Floats, metric: Any, start: Floats
) -> tuple[Floats, Floats, Floats]:
    """Projected Gauss–Newton from a start: device RGB, CIELAB and cost reached."""
    device = start.copy()
    lab, slope = forward.lab_and_slope(device)
    cost = _cost(metric, lab - target, device - guess)
    damping = np.full(len(target), 1e-3)
    live = np.arange(len(target))
    for _ in range(_ROUNDS):
        m = tuple(w[live] for w in metric)
        d, j = device[live], slope[live]
        mj = np.stack([_apply_metric(m, j[:, :, k]) for k in range(3)], axis=2)
        gradient = np.einsum("nik,ni->nk", mj, lab[live] - target[live]) + _PULL * (d - guess[live])
        normal = np.einsum("nik,nil->nkl", j, mj)
        held = ((d <= 0.0) & (gradient > 0)) | ((d >= 255.0) & (gradient < 0))
        gradient[held] = 0.0
        normal = np.where(held[:, :, None] | held[:, None, :], 0.0, normal)
        trace = np.trace(normal, axis1=1, axis2=2)
        lift = _PULL + damping[live] * np.maximum(trace, 1e-4) + 1e-12
        normal[:, [0, 1, 2], [0, 1, 2]] += lift[:, None]
        step = -np.linalg.solve(normal, gradient[..., None])[..., 0]
        tried = np.clip(d + np.clip(step, -40.0, 40.0), 0.0, 255.0)
        new_lab, new_slope = forward.lab_and_slope(tried)
        new_cost = _cost(m, new_lab - target[live], tried - guess[live])
        better = new_cost < cost[live]
        moved = np.abs(tried - d).max(axis=1)
        on = live[better]
        device[on], lab[on], slope[on], cost[on] = tried[better], new_lab[better], new_slope[better], new_cost[better]
        damping[live] = np.where(better, damping[live] * 0.3, damping[live] * 6.0)
        live = live[(moved > 0.02) & (damping[live] < 1e4)]
        if not live.size:
            break
    return device, lab, cost


def _cost(metric: Any, d_lab: Floats, d_device: Floats) -> Floats:
    """Squared distance with the pull, (n,)."""
    return np.asarray((d_lab * _apply_metric(metric, d_lab)).sum(axis=1) + _PULL * (d_device * d_device).sum(axis=1))


def inside(forward: Forward, lab: Floats, *, within: float = 0.5) -> Mask:
    """Which colours the device can make to within a ΔE00, (n,)."""
    _, reached = invert(forward, lab)
    return np.asarray(delta_e00(reached, lab) <= within)


# ---------------------------------------------------------------- intents


def srgb_lab(device_rgb: Floats, black_y: float = 0.0) -> Floats:
    """SRGB colours as media-relative CIELAB, (n, 3): the aim of what is printed as usual.

    Parameters
    ----------
    device_rgb : (n, 3)
        0–255.
    black_y : float
        Y of the substrate's black relative to its bare coat. Black-point compensation as in ISO 18619: linear in XYZ.
    """
    xyz = linear_srgb_to_xyz(srgb_to_linear(np.asarray(device_rgb, dtype=float) / 255.0))
    return np.asarray(xyz_to_lab(black_point_compensate(xyz, black_y * D50_WHITE, D50_WHITE)))


@dataclass(frozen=True, slots=True, eq=False)
class Knee:
    """Draws colours of one solid into another, towards a grey in the middle of both."""

    source: RadialSurface
    printer: RadialSurface
    source_black_y: float
    black_y: float
    stretch: bool

    def __call__(self, lab: Floats) -> Floats:
        """Map CIELAB (n, 3) of the connection space to CIELAB (n, 3) that the printer can make, or nearly."""
        xyz = lab_to_xyz(np.asarray(lab, dtype=float))
        moved = black_point_compensate(
            xyz, self.black_y * D50_WHITE, D50_WHITE, source_black_xyz=self.source_black_y * D50_WHITE
        )
        toned = np.asarray(xyz_to_lab(np.maximum(moved, 0.0)))
        r, reach_source = self.source.at(toned)
        _, reach_printer = self.printer.at(toned)
        goal = np.minimum(reach_printer, _STRETCH * reach_source) if self.stretch else reach_printer
        start = (_KNEE_SATURATION if self.stretch else _KNEE) * np.minimum(goal, reach_source)
        span, room = np.maximum(reach_source - start, 1e-6), np.maximum(goal - start, 1e-6)
        s = np.maximum(r - start, 0.0)
        # both of slope 1 at the start, the source's surface onto the printer's: rational inwards, quadratic outwards
        inward = s / (1.0 + np.maximum(1.0 / room - 1.0 / span, 0.0) * s)
        outward = s + np.maximum(room - span, 0.0) * np.minimum(s / span, 1.0) ** 2
        new = np.minimum(r, start) + (np.where(room < span, inward, outward) if self.stretch else inward)
        factor = np.where(r > 1e-9, new / np.maximum(r, 1e-9), 1.0)
        centre = np.array([self.source.centre_l, 0.0, 0.0])
        return np.asarray(centre + (toned - centre) * factor[:, None])

    def back(self, lab: Floats) -> Floats:
        """Undo the perceptual mapping: what the connection space means by printed colours, (n, 3).

        Raises
        ------
        ValueError
            For the stretching mapping, which is not undone.
        """
        if self.stretch:
            raise ValueError("only the perceptual mapping is undone")
        r, reach_source = self.source.at(lab)
        _, reach_printer = self.printer.at(lab)
        start = _KNEE * np.minimum(reach_printer, reach_source)
        span, room = np.maximum(reach_source - start, 1e-6), np.maximum(reach_printer - start, 1e-6)
        bend = np.maximum(1.0 / room - 1.0 / span, 0.0)
        farthest = _BEYOND * span  # what lies further out than that in the source is taken as lying there
        s = np.minimum(np.maximum(r - start, 0.0), farthest / (1.0 + bend * farthest))
        new = np.minimum(r, start) + s / (1.0 - bend * s)
        centre = np.array([self.source.centre_l, 0.0, 0.0])
        toned = centre + (lab - centre) * np.where(r > 1e-9, new / np.maximum(r, 1e-9), 1.0)[:, None]
        moved = black_point_compensate(
            lab_to_xyz(toned), self.source_black_y * D50_WHITE, D50_WHITE, source_black_xyz=self.black_y * D50_WHITE
        )
        return np.asarray(xyz_to_lab(np.maximum(moved, 0.0)))


def knees(forward: Forward, *, black_y: float, source_black_y: float = 0.0) -> tuple[Knee, Knee]:
    """Prepare the perceptual and the saturation mapping from sRGB into a printer's solid.

    Parameters
    ----------
    forward : Forward
    black_y : float
        Y of the printer's black relative to the bare coat.
    source_black_y : float
        Y in the connection space that stands for black.

    Returns
    -------
    perceptual, saturation : Knee
    """
    black_l = float(xyz_to_lab(black_y * D50_WHITE)[0])
    centre = 0.5 * (100.0 + black_l)
    source = radial_surface(lambda d: srgb_lab(d, black_y), centre)
    printer = radial_surface(forward.lab, centre)
    # a black of slight cast stands beside the grey axis: straight down it counts all the same, or black would turn grey
    for solid in (source, printer):
        solid.reach[0] = centre - black_l
    perceptual, saturation = (Knee(source, printer, source_black_y, black_y, stretch) for stretch in (False, True))
    return perceptual, saturation


# ---------------------------------------------------------------- the table of the way back


def solid_samples(forward: Forward) -> Floats:
    """CIELAB colours all over the solid and on its surface, (n, 3)."""
    step = 255.0 / (forward.n - 1)
    inner = cube_nodes(forward.n - 1) * (255.0 - step) / 255.0 + step / 2
    rim, _ = surface(forward.n)
    return forward.lab(np.concatenate([inner, rim]))


def refine_table(
    forward: Forward,
    table: Floats,
    at: Floats,
    goal: Floats,
    *,
    rounds: int = 3,
    relax: float = 0.8,
) -> Floats:
    """Correct the nodes of a CIELAB → device table so that what lies between them comes out right.

    A cell that straddles the surface of the solid interpolates between a true value and a clipped one, which spoils
    the colours just inside. So known colours are sent through the table, and what they miss is handed to the nodes
    round them in device steps.

    Parameters
    ----------
    forward : Forward
    table : (m, m, m, 3)
        Device RGB at the nodes [L*, a*, b*].
    at : (n, 3)
        Places among the nodes that are looked up, from `pcs_place`.
    goal : (n, 3)
        Colours inside the solid that they should be printed as.
    rounds, relax
        Number of corrections, and share of each that is applied.

    Returns
    -------
    (m, m, m, 3)

    Notes
    -----
    Simultaneous iterative reconstruction; the aim is that of lattice regression (Garcia, Arora & Gupta, IEEE Trans.
    Image Process. 21(1), 2012, from memory).
    """
    m = table.shape[0]
    index, weight = corners(at, m)
    flat = table.reshape(-1, 3).copy()
    hits = np.bincount(index.ravel(), weights=weight.ravel(), minlength=m**3)
    touched = hits > 0
    for _ in range(rounds):
        device = np.einsum("nk,nkc->nc", weight, flat[index])
        now, slope = forward.lab_and_slope(device)
        normal = np.einsum("nik,nil->nkl", slope, slope)
        trace = np.trace(normal, axis1=1, axis2=2)
        normal[:, [0, 1, 2], [0, 1, 2]] += (0.003 * trace + 1e-4)[:, None]
        miss = np.linalg.solve(normal, np.einsum("nik,ni->nk", slope, goal - now)[..., None])[..., 0]
        miss = np.clip(miss, -12.0, 12.0)
        for c in range(3):
            total = np.bincount(index.ravel(), weights=(weight * miss[:, c, None]).ravel(), minlength=m**3)
            flat[touched, c] += relax * total[touched] / np.maximum(hits[touched], 0.05)
        np.clip(flat, 0.0, 255.0, out=flat)
    return flat.reshape(table.shape)


def pcs_place(lab: Floats, m: int, curve: tuple[Floats, Floats]) -> Floats:
    """Place of CIELAB colours among the m nodes an axis of a table, (n, 3).

    ``curve`` is L* and a*/b* at even steps over the table, fine enough to follow the curves in front of it.
    """
    light, opponent = curve
    steps = np.linspace(0.0, m - 1.0, len(light))
    return np.stack(
        [np.interp(lab[:, 0], light, steps)] + [np.interp(lab[:, k], opponent, steps) for k in (1, 2)], axis=1
    )


def pcs_nodes(nodes: tuple[Floats, Floats]) -> Floats:
    """CIELAB (m³, 3) of all nodes [L*, a*, b*]."""
    light, opponent = nodes
    return np.stack(np.meshgrid(light, opponent, opponent, indexing="ij"), axis=-1).reshape(-1, 3)
