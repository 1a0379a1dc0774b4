"""A piece before a light: window, light table or display, with what makes such photos hard.

The source is what the piece is seen against; white is the bare blank before it. Frames of reference as in `scene`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import spectral
from .camera import Camera
from .press import PressedPiece
from .scene import (
    Glare,
    Lamp,
    Photo,
    Pose,
    Scene,
    _glare,
    _light,
    _projected,
    _upsampled,
    _View,
    channels,
    table_rectangle,
    taken,
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
        bare = channels(source) * stripes
    else:
        bare = channels(source)
    picture += channels(1 - coverage) * bare
    light = _upsampled(lambda table: _light(panel.lights, scene, table), view, 8)
    picture *= channels(light)
    if panel.stray and not without:
        picture += _from_the_front(piece, panel, camera, view)
    if panel.glare:
        picture += channels(_upsampled(lambda table: _glare(scene, view, table), view, 4) * coverage)
    if panel.flicker:
        row = np.arange(view.height, dtype=np.float32)
        band = 1 + panel.flicker * np.sin(2 * np.pi * row / panel.flicker_rows + panel.flicker_phase)
        picture *= band.astype(np.float32)[:, None, None]
    return taken(
        np.ascontiguousarray(picture, np.float32), view, piece, scene, camera, pose,
        light_at=lambda table: _light(panel.lights, scene, table), card_balance=np.ones(3), seed=seed,
    )  # fmt: skip


def _source(panel: Panel, view: _View) -> Array:
    """Light of the uncovered panel (h, w): 1 on it, dark beside it."""
    if panel.size_mm is None:
        return np.ones((view.height, view.width), np.float32)
    return np.asarray(panel.beyond + (1 - panel.beyond) * table_rectangle(panel.size_mm, view), np.float32)


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
    front = replace(piece, lit="front", _without_faults=None)
    shown, coverage = _projected(front, weights, view)
    body = 0.45 if piece.substrate.diffusing else 0.03  # of a white body, what the blank throws back (invented)
    thrown = body * shown + channels(mirrored * coverage)
    return np.asarray(thrown * channels(np.full_like(coverage, panel.stray), tint))
