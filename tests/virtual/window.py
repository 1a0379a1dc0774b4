"""A piece before a light: window, light table or display, with what makes such photos hard.

The source is what the piece is seen against; white is the bare blank before it. Frames of reference as in `scene`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import spectral
from .camera import Camera, develop
from .press import PressedPiece
from .scene import (
    Glare,
    Lamp,
    Photo,
    Pose,
    Scene,
    _blurred,
    _glare,
    _light,
    _projected,
    _upsampled,
    _upsampled_px,
    _View,
    _vignette,
)
from .scene import Window as SlopingLight

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Panel:
    """Light behind a piece: as bright as 1 in its middle.

    A flicker band is one period of the lamp during the roll of the shutter: it runs across the photo's rows. Pixels of
    a display show where the blank does not scatter, and beat with those of the camera.
    """

    illuminant: str = "D65"  # as `Scene`, and 'display'
    size_mm: tuple[float, float] | None = None  # None: fills the view
    beyond: float = 0.02  # of the panel's light, beside it
    lights: tuple[Lamp | SlopingLight, ...] = ()  # how it is uneven; lamps stand behind it
    ambient: float = 0.4  # even share of it
    vignetting: float = 0.12
    flicker: float = 0.0  # relative amplitude of the bands
    flicker_rows: float = 400.0  # photo rows a band
    flicker_phase: float = 0.0
    pixel_mm: float = 0.0  # of a display; 0: none
    pixel_contrast: float = 0.5  # of one colour's stripes in the display's light
    pixel_blur_mm: float = 0.02  # what distance and focus leave of them, standard deviation
    stray: float = 0.0  # light of the room on the front, share of the panel's
    stray_illuminant: str = "LED-B3"
    glare: tuple[Glare, ...] = ()  # lamps of the room mirrored in the glass


def photograph_window(
    piece: PressedPiece,
    *,
    panel: Panel | None = None,
    camera: Camera | None = None,
    pose: Pose | None = None,
    seed: int = 0,
    without: bool = False,
) -> Photo:
    """Take a photo of the piece before a light; ``without`` leaves the piece away (a frame of the light alone)."""
    panel, camera, pose = panel or Panel(), camera or Camera(), pose or Pose()
    piece = piece if piece.lit == "behind" else piece.behind()
    view = _View.of(piece, pose)
    scene = Scene(
        illuminant=panel.illuminant,
        lamps=panel.lights,
        ambient=panel.ambient,
        vignetting=panel.vignetting,
        glare=panel.glare,
    )
    weights = camera.response_weights(panel.illuminant)
    picture, coverage = _projected(piece, weights, view)
    if without:
        picture, coverage = np.zeros_like(picture), np.zeros_like(coverage)
    source = _source(panel, view)
    if panel.pixel_mm:
        stripes = _stripes(panel, view)
        seen_through = 0.0 if piece.substrate.diffusing else 1.0
        picture *= 1 + seen_through * (stripes - 1)
        bare = source[..., None] * stripes
    else:
        bare = np.broadcast_to(source[..., None], picture.shape)
    picture += (1 - coverage)[..., None] * bare
    light = _upsampled(lambda table: _light(panel.lights, scene, table), view, 8)
    picture *= light[..., None]
    if panel.stray and not without:
        picture += _from_the_front(piece, panel, camera, view)
    if panel.glare:
        picture += (_upsampled(lambda table: _glare(scene, view, table), view, 4) * coverage)[..., None]
    picture *= _upsampled_px(lambda px: _vignette(px, scene, view), view, 16)[..., None]
    if panel.flicker:
        row = np.arange(view.height, dtype=np.float32)
        band = 1 + panel.flicker * np.sin(2 * np.pi * row / panel.flicker_rows + panel.flicker_phase)
        picture *= band.astype(np.float32)[:, None, None]
    picture = _blurred(picture, pose)
    rgb, gain, balance = develop(
        np.ascontiguousarray(picture, np.float32), camera, light=panel.illuminant, card_balance=np.ones(3), seed=seed
    )
    if pose.mirrored:
        rgb = np.ascontiguousarray(rgb[:, ::-1])

    def lighting_at(mm: ArrayLike) -> Array:
        table = view.mm_to_table(mm)
        return _light(panel.lights, scene, table) * _vignette(view.mm_to_upright(mm), scene, view)

    return Photo(
        rgb=rgb,
        mm_to_px=view.mm_to_px,
        lighting_at=lighting_at,
        glare_at=lambda mm: _glare(scene, view, view.mm_to_table(mm)),
        camera=camera,
        scene=scene,
        pose=pose,
        size_mm=piece.size_mm,
        gain=gain,
        balance=balance,
        distance_mm=view.distance,
    )


def _source(panel: Panel, view: _View) -> Array:
    """Light of the uncovered panel (h, w): 1 on it, dark beside it."""
    if panel.size_mm is None:
        return np.ones((view.height, view.width), np.float32)
    w, h = panel.size_mm
    corners = view.table_to_mm(np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2.0)
    mask = np.zeros((view.height, view.width), np.uint8)
    cv2.fillPoly(mask, [np.round(view.mm_to_upright(corners) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return np.asarray(panel.beyond + (1 - panel.beyond) * mask / np.float32(255), np.float32)


def _stripes(panel: Panel, view: _View) -> Array:
    """Red, green and blue stripes of a display (h, w, 3) around 1, each photo pixel their mean over itself."""
    u, v = np.meshgrid(np.arange(view.width, dtype=np.float32), np.arange(view.height, dtype=np.float32))
    x, y = view.upright_to_mm(u, v)
    at = view.mm_to_table(np.stack([x, y], axis=-1))[..., 0]
    pixel = float(1 / np.median(view.scales()))  # mm of one photo pixel
    ratio = pixel / panel.pixel_mm
    left = panel.pixel_contrast * np.sinc(ratio) * np.exp(-2 * (np.pi * panel.pixel_blur_mm / panel.pixel_mm) ** 2)
    phase = 2 * np.pi * at / panel.pixel_mm
    return np.stack([1 + left * np.cos(phase - 2 * np.pi * c / 3) for c in range(3)], axis=2).astype(np.float32)


def _from_the_front(piece: PressedPiece, panel: Panel, camera: Camera, view: _View) -> Array:
    """Light of the room that the piece throws back (h, w, 3): its surfaces 8 %, and a scattering blank its print."""
    weights = camera.response_weights(panel.stray_illuminant)
    tint = camera.tint(panel.stray_illuminant, panel.illuminant)
    mirrored = 1 - spectral.two_surfaces()
    front = PressedPiece(
        amounts=piece.amounts,
        yellowing=piece.yellowing,
        mask=piece.mask,
        px_per_mm=piece.px_per_mm,
        size_mm=piece.size_mm,
        shape=piece.shape,
        dyes=piece.dyes,
        substrate=piece.substrate,
        texture=piece.texture,
    )
    shown, coverage = _projected(front, weights, view)
    body = 0.45 if piece.substrate.diffusing else 0.03  # of a white body, what the blank throws back (invented)
    return np.asarray(panel.stray * tint * (body * shown + mirrored * coverage[..., None]), np.float32)
