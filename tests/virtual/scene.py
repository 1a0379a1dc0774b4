"""The virtual studio: lamps, card, glare, the place of piece and camera, and the photo or scan that results.

Three frames of reference, all x right, y down as seen by the owner:

- *piece*, mm: origin top left of the piece's bounding box;
- *table*, mm: origin where the camera looks; camera and lamps are fixed here, the piece is laid and turned;
- *photo*, px: centre of the first pixel is (0, 0).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import spectral
from .camera import Camera, develop
from .press import PressedPiece
from .texture import shifts_at

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Lamp:
    """Small lamp over the table (fall-off cosine over distance squared), weight = light at the
    table's origin.
    """

    x_mm: float = -350.0
    y_mm: float = -250.0
    height_mm: float = 700.0
    weight: float = 1.0
    illuminant: str | None = None  # None: the scene's


@dataclass(frozen=True, slots=True)
class Window:
    """Broad light that falls off evenly (exponentially): `ratio` : 1 over `span_mm`, brightest
    towards `towards_deg`.
    """

    towards_deg: float = 180.0  # 0 = +x (right), 90 = +y (down)
    ratio: float = 1.4
    span_mm: float = 300.0
    weight: float = 1.0
    illuminant: str | None = None


@dataclass(frozen=True, slots=True)
class Glare:
    """Lamp mirrored in the glass, added to the piece; `strength` 1 = as bright as a perfect white.

    Soft round blob, or with `window_mm` a rectangle with hard rims (`rim_mm` soft).
    """

    x: float
    y: float
    fwhm_mm: float = 40.0
    strength: float = 0.3
    frame: str = "table"  # table or piece (mm), image (share of width and height, sizes stay in mm at the centre)
    window_mm: tuple[float, float] | None = None
    angle_deg: float = 0.0
    rim_mm: float = 0.6
    bars: bool = False  # the window has a cross bar


@dataclass(frozen=True, slots=True)
class Occluder:
    """Something that lies over a place of the piece (piece mm): a rounded bar, e.g. a finger."""

    x_mm: float
    y_mm: float
    width_mm: float = 18.0
    length_mm: float = 0.0  # from (x, y) outwards; 0 = a disc
    angle_deg: float = 0.0
    surface: str = "skin"


@dataclass(frozen=True, slots=True)
class Scene:
    """Light and surroundings."""

    illuminant: str = "LED-B3"  # any name of colour-science: D50, D65, LED-B1…B5, FL2, FL11, A …
    lamps: tuple[Lamp | Window, ...] = (Lamp(),)
    ambient: float = 0.15  # even light, share of the total
    card: str = "white card"  # white card, blued card, ivory card, grey card, dark table, wood, black cloth
    card_size_mm: tuple[float, float] | None = None  # None: fills the view; else it lies on `beyond`
    beyond: str = "wood"
    card_gradient: float = 0.0  # relative change over 300 mm along x
    card_texture: float = 0.004  # relative standard deviation of paper unevenness
    shadow: float = 0.12  # of the piece on the card, close to its edge
    vignetting: float = 0.12  # loss of light in the photo's corners
    glare: tuple[Glare, ...] = ()
    veil: float = 0.0  # evenly mirrored room on the glass, share of perfect white
    occluders: tuple[Occluder, ...] = ()


@dataclass(frozen=True, slots=True)
class Pose:
    """Where piece and camera are."""

    width_px: int = 2000
    height_px: int = 1500
    fill: float = 0.75  # the piece's corners reach this share of the way from centre to rim of the photo
    distance_mm: float | None = None  # instead of `fill`
    rotation_deg: float = 0.0  # of the piece on the table, clockwise as seen
    shift_mm: tuple[float, float] = (0.0, 0.0)  # of the piece on the table
    tilt_deg: float = 0.0  # of the camera away from square-on
    tilt_axis_deg: float = 0.0  # axis of the tilt in the table plane; 0 = x axis
    roll_deg: float = 0.0  # of the camera about its own axis
    focal_35mm: float = 35.0  # focal length in 35-mm terms (diagonal 43.27 mm)
    distortion: float = 0.0  # radial displacement in the photo's corners: −0.02 barrel, +0.02 pincushion
    blur_px: float = 0.6  # standard deviation of lens and focus blur
    motion_px: float = 0.0
    motion_deg: float = 0.0
    mirrored: bool = False  # left and right exchanged in the file

    @staticmethod
    def megapixels(mp: float, *, portrait: bool = False, **fields: Any) -> Pose:
        """A pose with a 4:3 photo of this many megapixels."""
        long, short = round(np.sqrt(mp * 1e6 * 4 / 3)), round(np.sqrt(mp * 1e6 * 3 / 4))
        size = {"width_px": short, "height_px": long} if portrait else {"width_px": long, "height_px": short}
        return Pose(**{**size, **fields})


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A photo with its truth."""

    rgb: Array  # (h, w, 3) uint8 or uint16, upright
    mm_to_px: Callable[[ArrayLike], Array]  # piece mm (…, 2) → photo px (…, 2) x, y; exact, with distortion
    lighting_at: Callable[[ArrayLike], Array]  # piece mm (…, 2) → light on the piece × vignetting (no glare)
    glare_at: Callable[[ArrayLike], Array]  # piece mm (…, 2) → added light, 1 = perfect white
    camera: Camera
    scene: Scene
    pose: Pose | None
    size_mm: tuple[float, float]
    gain: float  # exposure used
    balance: tuple[float, float, float]  # channel gains used
    distance_mm: float | None = None
    dpi: float | None = None

    def lighting_map(self, step_mm: float = 1.0) -> Array:
        """Light × vignetting at the centres of the piece's grid squares (rows, columns), largest = 1."""
        light = self.lighting_at(_grid(self.size_mm, step_mm))
        return light / light.max()

    def glare_map(self, step_mm: float = 1.0) -> Array:
        """Added light (glare and veil) on the same grid, 1 = perfect white under unit light."""
        return self.glare_at(_grid(self.size_mm, step_mm))

    def turned(self, rotation_deg: float = 0.0, shift_mm: tuple[float, float] = (0.0, 0.0), **fields: Any) -> Pose:
        """The pose for a next shot: the piece turned and shifted by this much, the camera left where
        it is.
        """
        if self.pose is None:
            raise ValueError("a scan has no pose")
        shift = (self.pose.shift_mm[0] + shift_mm[0], self.pose.shift_mm[1] + shift_mm[1])
        rotation = self.pose.rotation_deg + rotation_deg
        return replace(self.pose, distance_mm=self.distance_mm, rotation_deg=rotation, shift_mm=shift, **fields)


def photograph(
    piece: PressedPiece,
    *,
    scene: Scene | None = None,
    camera: Camera | None = None,
    pose: Pose | None = None,
    seed: int = 0,
) -> Photo:
    """Take a photo of the piece."""
    scene, camera, pose = scene or Scene(), camera or Camera(), pose or Pose()
    view = _View.of(piece, pose)
    height, width = pose.height_px, pose.width_px

    groups = _lamp_groups(scene)
    linear = np.zeros((height, width, 3), np.float32)
    coverage = None
    for light, lamps in groups.items():
        weights = camera.response_weights(light)
        picture, coverage = _projected(piece, weights, view)
        card = _card(scene, weights, view, piece, coverage, seed)
        picture += channels(1.0 - coverage) * card
        _occlude(picture, scene, weights, view)
        step = 8
        field = _upsampled(lambda table, lamps=lamps: _light(lamps, scene, table), view, step)
        picture *= channels(field, camera.tint(light, scene.illuminant))
        linear = picture if len(groups) == 1 else linear + picture
    if scene.glare or scene.veil:
        step = 2 if any(g.window_mm for g in scene.glare) else 6
        added = _upsampled(lambda table: _glare(scene, view, table), view, step)
        blocker = np.zeros((height, width), np.float32)
        _occlude_mask(blocker, scene, view)
        linear += channels(added * coverage * (1 - blocker))
    card_seen = spectral.surface(scene.card) @ camera.response_weights(scene.illuminant)

    def light_at(table: Array) -> Array:
        return sum((_light(lamps, scene, table) for lamps in groups.values()), np.zeros(()))

    return taken(linear, view, piece, scene, camera, pose, light_at=light_at, card_balance=card_seen, seed=seed)


def taken(
    linear: Array, view: _View, piece: PressedPiece, scene: Scene, camera: Camera, pose: Pose, *,
    light_at: Callable[[Array], Array], card_balance: Array, seed: int,
) -> Photo:  # fmt: skip
    """What lens and camera make of lit channels (h, w, 3), and the truth; ``light_at`` tells the light on the table."""
    if scene.vignetting:
        linear *= channels(_upsampled_px(lambda px: _vignette(px, scene, view), view, 16))
    linear = _blurred(linear, pose)
    rgb, gain, balance = develop(linear, camera, light=scene.illuminant, card_balance=card_balance, seed=seed)
    if pose.mirrored:
        rgb = np.ascontiguousarray(rgb[:, ::-1])

    def dimmed(of_table: Callable[[Array], Array], mm: ArrayLike) -> Array:
        return of_table(view.mm_to_table(mm)) * _vignette(view.mm_to_upright(mm), scene, view)

    return Photo(
        rgb=rgb,
        mm_to_px=view.mm_to_px,
        lighting_at=lambda mm: dimmed(light_at, mm),
        glare_at=lambda mm: dimmed(lambda table: _glare(scene, view, table), mm),
        camera=camera,
        scene=scene,
        pose=pose,
        size_mm=piece.size_mm,
        gain=gain,
        balance=balance,
        distance_mm=view.distance,
    )


def scan(
    piece: PressedPiece,
    *,
    dpi: float = 300.0,
    camera: Camera | None = None,
    illuminant: str = "LED-B2",
    rotation_deg: float = 0.4,
    border_mm: float = 12.0,
    drift: float = 0.015,
    across: float = 0.02,
    blur_px: float = 0.7,
    lid: str = "white card",
    bits: int = 16,
    seed: int = 0,
) -> Photo:
    """Lay the piece on a flatbed: no perspective, almost even light.

    `drift` is the relative change of the lamp along the scan, `across` the loss at the ends of the light bar,
    `border_mm` the lid seen around the piece. For a contact sensor use `Camera(sensitivities="scanner-cis")`
    with `illuminant="rgb-led-bar"` and a larger `blur_px` for coats behind glass.
    """
    camera = camera or Camera(sensitivities="scanner-ccd", noise=0.004, white_level=0.80, flare=0.002)
    camera = replace(camera, bits=bits)
    scale = dpi / 25.4
    angle = np.deg2rad(rotation_deg)
    cos, sin = abs(np.cos(angle)), abs(np.sin(angle))
    w_mm, h_mm = piece.size_mm
    width = round((w_mm * cos + h_mm * sin + 2 * border_mm) * scale)
    height = round((w_mm * sin + h_mm * cos + 2 * border_mm) * scale)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = np.eye(3)
    matrix[:2, :2] = turn * scale
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    matrix[:2, 2] = centre - matrix[:2, :2] @ np.array([w_mm / 2, h_mm / 2])
    pose = Pose(width_px=width, height_px=height, blur_px=blur_px, rotation_deg=rotation_deg)
    view = _View(
        to_norm=matrix, piece_size=piece.size_mm, rotation=0.0, shift=(0.0, 0.0), focal=1.0, k=0.0,
        width=width, height=height, mirrored=False, distance=0.0, centre=(0.0, 0.0),
    )  # fmt: skip
    scene = Scene(illuminant=illuminant, card=lid, card_texture=0.002, shadow=0.05, vignetting=0.0, ambient=0.0)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 41]))
    phase = rng.uniform(0, 2 * np.pi)

    def bar(px: Array) -> Array:
        u, v = px[..., 0] / (width - 1) * 2 - 1, px[..., 1] / (height - 1)
        return (1 - across * u**2) * (1 + drift * (v - 0.5) + 0.3 * drift * np.sin(5 * v + phase))

    weights = camera.response_weights(illuminant)
    linear, coverage = _projected(piece, weights, view)
    card = _card(scene, weights, view, piece, coverage, seed)
    linear += channels(1.0 - coverage) * card
    linear *= channels(_upsampled_px(bar, view, 8))
    linear = _blurred(linear, pose)
    rgb, gain, balance = develop(linear, camera, light=illuminant, card_balance=None, seed=seed)
    return Photo(
        rgb=rgb,
        mm_to_px=view.mm_to_px,
        lighting_at=lambda mm: bar(view.mm_to_px(mm)),
        glare_at=lambda mm: np.zeros(np.shape(mm)[:-1]),
        camera=camera,
        scene=scene,
        pose=None,
        size_mm=piece.size_mm,
        gain=gain,
        balance=balance,
        dpi=dpi,
    )


def photograph_blank(
    size_mm: tuple[float, float], *, surface: str = "white card", photo: Photo, seed: int = 1
) -> Photo:
    """A white sheet in the piece's place: the same scene, pose, exposure and balance as `photo`,
    without glare.
    """
    if photo.pose is None:
        raise ValueError("a scan has no pose")
    scene = replace(photo.scene, card=surface, card_size_mm=None, glare=(), veil=0.0, occluders=(), shadow=0.0)
    from .faults import Faults
    from .press import press_sheet

    tiny = press_sheet(np.full((8, 8, 3), 255, np.uint8), 8.0, faults=Faults(mottle=0, grain=0))
    # the view must stay that of the piece, so a bare stand-in of its size is placed with no coverage
    stand_in = replace(
        tiny,
        amounts=np.zeros((8, 8, 4), np.float32),
        mask=np.zeros((8, 8), np.float32),
        size_mm=size_mm,
        px_per_mm=8 / size_mm[0],
    )
    pose = replace(photo.pose, distance_mm=photo.distance_mm)
    return photograph(stand_in, scene=scene, camera=photo.camera.locked(photo), pose=pose, seed=seed)


# --- geometry -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """Piece mm → normalised ideal coordinates (pinhole) → radial distortion → photo px."""

    to_norm: Array  # (3, 3): piece mm, homogeneous → ideal normalised coordinates
    piece_size: tuple[float, float]
    rotation: float  # radians
    shift: tuple[float, float]
    focal: float  # px
    k: float  # ideal = distorted · (1 + k r²), r of the distorted point
    width: int
    height: int
    mirrored: bool
    distance: float
    centre: tuple[float, float]  # principal point, px

    @staticmethod
    def of(piece: PressedPiece, pose: Pose) -> _View:
        w_mm, h_mm = piece.size_mm
        width, height = pose.width_px, pose.height_px
        half_diagonal = np.hypot(width, height) / 2
        focal = pose.focal_35mm / 43.267 * 2 * half_diagonal
        axis = np.deg2rad(pose.tilt_axis_deg)
        tilt = cv2.Rodrigues(np.deg2rad(pose.tilt_deg) * np.array([np.cos(axis), np.sin(axis), 0.0]))[0]
        roll = cv2.Rodrigues(np.array([0.0, 0.0, np.deg2rad(pose.roll_deg)]))[0]
        turn = roll @ tilt
        angle = np.deg2rad(pose.rotation_deg)
        place = np.array([[np.cos(angle), -np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0], [0, 0, 1.0]])
        to_centre = np.array([[1, 0, -w_mm / 2], [0, 1, -h_mm / 2], [0, 0, 1.0]])

        def matrix(distance: float, shift: tuple[float, float]) -> Array:
            moved = place.copy()
            moved[:2, 2] = shift
            camera = np.column_stack([turn[:, 0], turn[:, 1], [0.0, 0.0, distance]])
            return camera @ moved @ to_centre

        distance = pose.distance_mm
        if distance is None:
            corners = np.array([[0, 0], [w_mm, 0], [w_mm, h_mm], [0, h_mm]])
            low, high = np.hypot(w_mm, h_mm) * 0.55, 1e5
            for _ in range(80):
                distance = float(np.sqrt(low * high))
                at = np.abs(_apply(matrix(distance, (0.0, 0.0)), corners)) * focal
                reach = max(at[:, 0].max() / (width / 2), at[:, 1].max() / (height / 2))
                low, high = (distance, high) if reach > pose.fill else (low, distance)
        corner = half_diagonal / focal
        k = (1.0 / (1.0 + pose.distortion) - 1.0) / corner**2
        return _View(
            to_norm=matrix(float(distance), pose.shift_mm), piece_size=piece.size_mm, rotation=angle,
            shift=pose.shift_mm, focal=float(focal), k=float(k), width=width, height=height,
            mirrored=pose.mirrored, distance=float(distance), centre=((width - 1) / 2, (height - 1) / 2),
        )  # fmt: skip

    def mm_to_upright(self, mm: ArrayLike) -> Array:
        """Piece mm → photo px before mirroring."""
        ideal = _apply(self.to_norm, mm)
        if self.k:
            reach = np.hypot(ideal[..., 0], ideal[..., 1])
            r = reach.copy()
            for _ in range(12):
                r -= (r * (1 + self.k * r**2) - reach) / (1 + 3 * self.k * r**2)
            ideal = ideal * np.where(reach > 1e-12, r / np.maximum(reach, 1e-12), 1.0)[..., None]
        return ideal * self.focal + np.array(self.centre)

    def mm_to_px(self, mm: ArrayLike) -> Array:
        """Piece mm (…, 2) → photo px (…, 2)."""
        px = self.mm_to_upright(mm)
        if self.mirrored:
            px = px.copy()
            px[..., 0] = self.width - 1 - px[..., 0]
        return px

    def upright_to_mm(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Photo px (unmirrored; broadcast) → piece mm, exact and explicit."""
        x = (u - self.centre[0]) / self.focal
        y = (v - self.centre[1]) / self.focal
        if self.k:
            stretch = 1 + self.k * (x * x + y * y)
            x, y = x * stretch, y * stretch
        m = np.linalg.inv(self.to_norm)
        below = m[2, 0] * x + m[2, 1] * y + m[2, 2]
        return (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / below, (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / below

    def mm_to_table(self, mm: ArrayLike) -> Array:
        """Piece mm → table mm."""
        mm = np.asarray(mm, float) - np.array(self.piece_size) / 2
        cos, sin = np.cos(self.rotation), np.sin(self.rotation)
        x = mm[..., 0] * cos - mm[..., 1] * sin + self.shift[0]
        return np.stack([x, mm[..., 0] * sin + mm[..., 1] * cos + self.shift[1]], axis=-1)

    def table_to_mm(self, table: Array) -> Array:
        """Table mm → piece mm."""
        away = table - np.array(self.shift)
        cos, sin = np.cos(self.rotation), np.sin(self.rotation)
        x = away[..., 0] * cos + away[..., 1] * sin
        return np.stack([x, away[..., 1] * cos - away[..., 0] * sin], axis=-1) + np.array(self.piece_size) / 2

    def scales(self) -> Array:
        """Photo px per mm at nine places of the piece, geometric mean of both directions."""
        w, h = self.piece_size
        places = np.stack(np.meshgrid([0.02 * w, w / 2, 0.98 * w], [0.02 * h, h / 2, 0.98 * h]), -1).reshape(-1, 2)
        right, down = np.array([0.5, 0.0]), np.array([0.0, 0.5])
        dx = self.mm_to_upright(places + right) - self.mm_to_upright(places - right)
        dy = self.mm_to_upright(places + down) - self.mm_to_upright(places - down)
        return np.sqrt(np.abs(dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0]))


def _apply(matrix: Array, points: ArrayLike) -> Array:
    points = np.asarray(points, float)
    out = points @ matrix[:, :2].T + matrix[:, 2]
    return out[..., :2] / out[..., 2:]


def _grid(size_mm: tuple[float, float], step: float) -> Array:
    columns, rows = max(1, round(size_mm[0] / step)), max(1, round(size_mm[1] / step))
    x = (np.arange(columns) + 0.5) * size_mm[0] / columns
    y = (np.arange(rows) + 0.5) * size_mm[1] / rows
    return np.stack(np.meshgrid(x, y), axis=-1)


def _projected(piece: PressedPiece, weights: Array, view: _View) -> tuple[Array, Array]:
    """The piece in the photo: (premultiplied channels (h, w, 3), coverage (h, w)), float32, without light."""
    source = piece.response(weights)
    mask = piece.mask
    if piece.substrate.rim_mm:
        source = _with_rim(source, piece, weights, view)
    scale = float(view.scales().max())
    source = cv2.merge([source * channels(mask), mask])
    if piece.px_per_mm > 1.15 * scale:
        reduced = (max(2, round(piece.size_mm[0] * scale)), max(2, round(piece.size_mm[1] * scale)))
        source = cv2.resize(source, reduced, interpolation=cv2.INTER_AREA)
    per_x, per_y = source.shape[1] / piece.size_mm[0], source.shape[0] / piece.size_mm[1]
    out = np.zeros((view.height, view.width, 4), np.float32)
    outline = view.mm_to_upright(_outline_mm(piece.size_mm))
    x0, y0 = np.clip(np.floor(outline.min(axis=0)).astype(int) - 3, 0, [view.width, view.height])
    x1, y1 = np.clip(np.ceil(outline.max(axis=0)).astype(int) + 4, 0, [view.width, view.height])
    if x1 <= x0 or y1 <= y0:
        return out[..., :3], out[..., 3]
    u = np.arange(x0, x1, dtype=np.float32)[None, :]
    rows = max(1, 250_000 // (x1 - x0))
    for top in range(y0, y1, rows):
        bottom = min(top + rows, y1)
        x, y = view.upright_to_mm(u, np.arange(top, bottom, dtype=np.float32)[:, None])
        map_x = np.asarray(x * per_x - 0.5, np.float32)
        map_y = np.asarray(y * per_y - 0.5, np.float32)
        out[top:bottom, x0:x1] = cv2.remap(
            source, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0
        )
        if piece.texture is not None:  # the print is seen displaced, the outline of the glass is not
            dx, dy = shifts_at(piece.texture, piece.size_mm, x, y)
            map_x += np.float32(per_x) * dx
            map_y += np.float32(per_y) * dy
            shown = cv2.remap(source, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            solid = np.maximum(shown[..., 3:], 1e-3)
            out[top:bottom, x0:x1, :3] = shown[..., :3] / solid * out[top:bottom, x0:x1, 3:]
    return np.ascontiguousarray(out[..., :3]), np.ascontiguousarray(out[..., 3])


def _with_rim(source: Array, piece: PressedPiece, weights: Array, view: _View) -> Array:
    """The piece's channels with a ground, greenish glass edge, brighter on the side towards the top left."""
    height, width = piece.mask.shape
    y = (np.arange(height, dtype=np.float32)[:, None] + 0.5) / piece.px_per_mm - piece.size_mm[1] / 2
    x = (np.arange(width, dtype=np.float32)[None, :] + 0.5) / piece.px_per_mm - piece.size_mm[0] / 2
    half_w, half_h = piece.size_mm[0] / 2, piece.size_mm[1] / 2
    if piece.shape == "round":
        inward = (1 - np.hypot(x / half_w, y / half_h)) * min(half_w, half_h)
        out_x, out_y = x / half_w, y / half_h
    else:
        to_x, to_y = half_w - np.abs(x), half_h - np.abs(y)
        inward = np.minimum(to_x, to_y)
        out_x, out_y = np.sign(x) * (to_x <= to_y), np.sign(y) * (to_x > to_y)
    cos, sin = np.cos(view.rotation), np.sin(view.rotation)
    facing = -((out_x * cos - out_y * sin) + (out_x * sin + out_y * cos)) / np.sqrt(2.0)
    share = np.clip((piece.substrate.rim_mm - inward) * piece.px_per_mm + 0.5, 0, 1)[..., None]
    glass = (10.0 ** -spectral.glass_density(15.0)) @ weights
    edge = (0.42 + 0.30 * facing)[..., None] * glass
    return np.asarray(source * (1 - share) + share * edge, np.float32)


def _outline_mm(size: tuple[float, float]) -> Array:
    t = np.linspace(0, 1, 21)[:, None]
    w, h = size
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h], [0, 0]], float)
    return np.concatenate([a + t * (b - a) for a, b in pairwise(corners)])


def _blurred(linear: Array, pose: Pose) -> Array:
    if pose.blur_px > 0.2:
        linear = cv2.GaussianBlur(linear, (0, 0), pose.blur_px)
    if pose.motion_px > 0.5:
        reach = int(np.ceil(pose.motion_px / 2)) + 1
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
        direction = np.array([np.cos(np.deg2rad(pose.motion_deg)), np.sin(np.deg2rad(pose.motion_deg))])
        for t in np.linspace(-0.5, 0.5, 8 * reach + 1):
            x, y = direction * t * pose.motion_px + reach
            i, j = int(y), int(x)
            fy, fx = y - i, x - j
            kernel[i : i + 2, j : j + 2] += np.outer([1 - fy, fy], [1 - fx, fx])[: 2 * reach + 1 - i, :]
        linear = cv2.filter2D(linear, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE)
    return linear


# --- light ----------------------------------------------------------------------------------------


def _lamp_groups(scene: Scene) -> dict[str, tuple[Lamp | Window, ...]]:
    """Lamps by illuminant; the scene's own first (it carries the ambient light)."""
    groups: dict[str, list[Lamp | Window]] = {}
    for lamp in scene.lamps:
        groups.setdefault(lamp.illuminant or scene.illuminant, []).append(lamp)
    if scene.ambient or not groups:
        groups.setdefault(scene.illuminant, [])
    return {name: tuple(lamps) for name, lamps in groups.items()}


def _light(lamps: tuple[Lamp | Window, ...], scene: Scene, table: Array) -> Array:
    """Light of one group of lamps at table places (…, 2); all groups together give 1 at the origin."""
    total = sum(lamp.weight for lamp in scene.lamps) or 1.0
    share = (1 - scene.ambient) / total if scene.lamps else 0.0
    own = not lamps or (lamps[0].illuminant or scene.illuminant) == scene.illuminant
    even = scene.ambient if scene.lamps else 1.0
    out = np.full(table.shape[:-1], even if own else 0.0)
    for lamp in lamps:
        if isinstance(lamp, Lamp):
            away = (table[..., 0] - lamp.x_mm) ** 2 + (table[..., 1] - lamp.y_mm) ** 2 + lamp.height_mm**2
            here = lamp.x_mm**2 + lamp.y_mm**2 + lamp.height_mm**2
            out += share * lamp.weight * (here / away) ** 1.5
        else:
            angle = np.deg2rad(lamp.towards_deg)
            along = table[..., 0] * np.cos(angle) + table[..., 1] * np.sin(angle)
            out += share * lamp.weight * lamp.ratio ** (along / lamp.span_mm)
    return out


def _vignette(px: Array, scene: Scene, view: _View) -> Array:
    """Natural vignetting, cos⁴ stretched so that the corner loses `scene.vignetting`."""
    corner = np.hypot(view.width, view.height) / 2
    r2 = ((px[..., 0] - (view.width - 1) / 2) ** 2 + (px[..., 1] - (view.height - 1) / 2) ** 2) / corner**2
    t = (1 - scene.vignetting) ** -0.5 - 1  # (1 + t)^−2 = 1 − loss
    return (1 + t * r2) ** -2.0


def _glare(scene: Scene, view: _View, table: Array) -> Array:
    """Added light on the glass at table places (…, 2)."""
    out = np.full(table.shape[:-1], scene.veil, float)
    for g in scene.glare:
        if g.frame == "table":
            x, y = table[..., 0] - g.x, table[..., 1] - g.y
        elif g.frame == "piece":
            mm = view.table_to_mm(table)
            x, y = mm[..., 0] - g.x, mm[..., 1] - g.y
        elif g.frame == "image":
            mid = view.upright_to_mm(np.float64(g.x * (view.width - 1)), np.float64(g.y * (view.height - 1)))
            at = view.mm_to_table(np.array(mid))
            x, y = table[..., 0] - at[0], table[..., 1] - at[1]
        else:
            raise ValueError("frame of a glare is table, piece or image")
        if g.window_mm is None:
            out += g.strength * np.exp(-np.log(2) * 4 * (x**2 + y**2) / g.fwhm_mm**2)
            continue
        angle = np.deg2rad(g.angle_deg)
        x, y = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
        inside = _gate(x, g.window_mm[0], g.rim_mm) * _gate(y, g.window_mm[1], g.rim_mm)
        if g.bars:
            bar = 0.06 * min(g.window_mm)
            inside = inside * (1 - _gate(x, bar, g.rim_mm)) * (1 - _gate(y, bar, g.rim_mm))
        out += g.strength * inside
    return out


def _gate(t: Array, width: float, rim: float) -> Array:
    return np.clip((width / 2 - np.abs(t)) / rim + 0.5, 0, 1)


def channels(plane: Array, colour: ArrayLike | None = None) -> Array:
    """A map (h, w), times a colour, as (h, w, 3) float32; numpy's own way over a last axis of three is far slower."""
    plane = np.asarray(plane, np.float32)
    return cv2.merge([plane] * 3 if colour is None else [plane * c for c in np.asarray(colour, np.float32)])


def _upsampled(of_table: Callable[[Array], Array], view: _View, step: int) -> Array:
    """A smooth function of table places over the photo, worked out on every `step`-th pixel."""

    def of_px(px: Array) -> Array:
        x, y = view.upright_to_mm(px[..., 0], px[..., 1])
        return of_table(view.mm_to_table(np.stack([x, y], axis=-1)))

    return _upsampled_px(of_px, view, step)


def _upsampled_px(of_px: Callable[[Array], Array], view: _View, step: int) -> Array:
    columns, rows = -(-view.width // step), -(-view.height // step)
    u, v = (np.arange(columns) + 0.5) * step - 0.5, (np.arange(rows) + 0.5) * step - 0.5
    coarse = of_px(np.stack(np.meshgrid(u, v), axis=-1)).astype(np.float32)
    return cv2.resize(coarse, (columns * step, rows * step), interpolation=cv2.INTER_LINEAR)[
        : view.height, : view.width
    ]


# --- surroundings ---------------------------------------------------------------------------------


def _card(scene: Scene, weights: Array, view: _View, piece: PressedPiece, coverage: Array, seed: int) -> Array:
    """Channels (h, w, 3) of the card around the piece, without light, with the piece's soft shadow."""
    colour = (spectral.surface(scene.card) @ weights).astype(np.float32)
    step = 4
    columns, rows = -(-view.width // step), -(-view.height // step)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 53]))
    shade = np.ones((rows, columns), np.float32)
    if scene.card_texture:
        rough = cv2.GaussianBlur(rng.standard_normal((rows, columns), dtype=np.float32), (0, 0), 1.0) * 3.5
        shade += np.float32(scene.card_texture) * rough
    u, v = np.meshgrid((np.arange(columns) + 0.5) * step - 0.5, (np.arange(rows) + 0.5) * step - 0.5)
    x, y = view.upright_to_mm(u, v)
    table = view.mm_to_table(np.stack([x, y], axis=-1))
    if scene.card_gradient:
        shade *= (1 + scene.card_gradient * table[..., 0] / 300.0).astype(np.float32)
    if scene.shadow:
        small = cv2.resize(coverage, (columns, rows), interpolation=cv2.INTER_AREA)
        mm = float(np.median(view.scales())) / step  # coarse pixels per mm
        away = np.array([-lamp.x_mm if isinstance(lamp, Lamp) else 0.0 for lamp in scene.lamps] or [0.0]).mean()
        down = np.array([-lamp.y_mm if isinstance(lamp, Lamp) else 0.0 for lamp in scene.lamps] or [0.0]).mean()
        reach = max(np.hypot(away, down), 1e-6)
        move = np.array([[1, 0, 2.5 * mm * away / reach], [0, 1, 2.5 * mm * down / reach]])
        soft = cv2.GaussianBlur(cv2.warpAffine(small, move, (columns, rows)), (0, 0), max(0.5, 2.0 * mm))
        shade *= 1 - np.float32(scene.shadow) * soft
    full = cv2.resize(shade, (columns * step, rows * step), interpolation=cv2.INTER_LINEAR)
    out = channels(full[: view.height, : view.width], colour)
    if scene.card_size_mm is not None:
        share = table_rectangle(scene.card_size_mm, view)
        out = out * channels(share) + channels(1 - share, spectral.surface(scene.beyond) @ weights)
    return out


def table_rectangle(size_mm: tuple[float, float], view: _View) -> Array:
    """Coverage (h, w) of a rectangle around the middle of the table."""
    w, h = size_mm
    corners = view.table_to_mm(np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2.0)
    mask = np.zeros((view.height, view.width), np.uint8)
    cv2.fillPoly(mask, [np.round(view.mm_to_upright(corners) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return mask / np.float32(255)


def _occlude_mask(mask: Array, scene: Scene, view: _View, only: Occluder | None = None) -> None:
    """Draw the occluders' coverage into `mask` (h, w) float32, in place."""
    for o in scene.occluders if only is None else (only,):
        angle = np.deg2rad(o.angle_deg)
        turn = np.linspace(-np.pi / 2, np.pi / 2, 40)
        far = np.stack([o.length_mm + o.width_mm / 2 * np.cos(turn), o.width_mm / 2 * np.sin(turn)], 1)
        near = np.stack([-o.width_mm / 2 * np.cos(turn), -o.width_mm / 2 * np.sin(turn)], 1)
        shape = np.concatenate([far, near])
        x = o.x_mm + shape[:, 0] * np.cos(angle) - shape[:, 1] * np.sin(angle)
        y = o.y_mm + shape[:, 0] * np.sin(angle) + shape[:, 1] * np.cos(angle)
        px = np.clip(view.mm_to_upright(np.stack([x, y], 1)), -30000, 30000)
        canvas = np.zeros(mask.shape, np.uint8)
        cv2.fillPoly(canvas, [np.round(px * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        soft = cv2.GaussianBlur(canvas, (0, 0), 1.5)
        np.maximum(mask, soft / np.float32(255), out=mask)


def _occlude(picture: Array, scene: Scene, weights: Array, view: _View) -> None:
    for o in scene.occluders:
        mask = np.zeros(picture.shape[:2], np.float32)
        _occlude_mask(mask, scene, view, only=o)
        picture *= channels(1 - mask)
        picture += channels(mask, spectral.surface(o.surface) @ weights)
