"""A photo set-up as its owner checks it: two lamps and both, a box with a hole, a sheet of paper, a target turned.

Every set-up is told by one seed and may carry one planted fault; all photos of it come from the same camera, whose
exposure and balance are held. The lamps stand left and right of the camera, the room is dark.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from .camera import Camera, develop, save_photo
from .faults import Faults
from .press import PressedPiece, press_sheet
from .scene import Lamp, Photo, Pose, Scene, photograph

Array = np.ndarray[Any, Any]
FAULTS = ("tone", "local-tone", "flicker", "exposure", "veil", "lens", "drift")


@dataclass(frozen=True, slots=True, eq=False)
class SetUp:
    """Camera, lamps and place of one set-up; ``fault`` is '' or one of `FAULTS`."""

    camera: Camera
    lamps: tuple[Lamp, Lamp]
    illuminant: str
    pose: Pose
    veil: float  # mirrored room on the glass
    fault: str
    seed: int

    def scene(self, *lamps: Lamp, **more: Any) -> Scene:
        """The dark room with these lamps."""
        return Scene(illuminant=self.illuminant, lamps=lamps, ambient=0.0, vignetting=0.2, veil=self.veil, **more)


def set_up(seed: int, fault: str = "") -> SetUp:
    """Draw a set-up: everything within what good practice allows, but for the planted fault."""
    rng = np.random.Generator(np.random.PCG64(seed))
    u = rng.uniform
    camera = Camera(
        sensitivities=str(rng.choice(["phone-1", "phone-2", "phone-3", "measured-1"])),
        noise=u(0.006, 0.015),
        flare=u(0.001, 0.005),
        sharpen=float(rng.choice([0.0, 0.4])),
        white_level=u(0.55, 0.75),
    )
    side, height = u(260, 480), u(380, 700)
    lamps = (
        Lamp(-side, u(-200, 200), height, weight=1.0),
        Lamp(side * u(0.8, 1.2), u(-200, 200), height * u(0.9, 1.1), weight=u(0.7, 1.0)),
    )
    illuminant = str(rng.choice(["D50", "D65", "LED-B2", "LED-B3", "LED-B4"]))
    pose = Pose.megapixels(
        1.0,
        fill=u(0.55, 0.75),
        rotation_deg=u(-8, 8),
        tilt_deg=u(0, 5),
        tilt_axis_deg=u(0, 360),
        distortion=u(-0.006, 0.006),
        blur_px=u(0.5, 0.9),
    )
    veil = float(rng.choice([0.0, 0.001, 0.002]))
    if fault == "tone":
        camera = replace(camera, tone="phone", contrast=u(0.2, 0.4))  # greys 1 to 3 L* off
    elif fault == "local-tone":
        camera = replace(camera, local_tone=u(0.12, 0.4))
    elif fault == "veil":
        camera = replace(camera, flare=u(0.02, 0.05))
    elif fault == "lens":
        pose = replace(pose, distortion=float(rng.choice([-1, 1])) * u(0.02, 0.04))
    return SetUp(camera, lamps, illuminant, pose, veil, fault, seed)


def lamp_photos(own: SetUp, piece: PressedPiece) -> dict[str, Photo]:
    """The piece on white card under lamp A, lamp B and both, nothing else moved; ``turned`` by a quarter."""
    rng = np.random.Generator(np.random.PCG64([own.seed, 1]))
    a, b = own.lamps
    both = photograph(piece, scene=own.scene(a, b), camera=own.camera, pose=own.pose, seed=own.seed)
    out = {"both": both}
    total = a.weight + b.weight
    shots = {"lamp_a": ((a,), a.weight / total), "lamp_b": ((b,), b.weight / total), "turned": ((a, b), 1.0)}
    for k, (name, (lamps, share)) in enumerate(shots.items(), start=1):
        camera = replace(own.camera.locked(both), gain=both.gain * share)
        if own.fault == "flicker":
            bands = (rng.uniform(0.02, 0.06), rng.uniform(1.5, 6.0), rng.uniform(0, 1))
            camera = replace(camera, flicker=bands)
        elif own.fault == "exposure" and name.startswith("lamp"):  # an exposure left to the camera evens it out
            camera = replace(camera, gain=both.gain * share ** rng.uniform(0.1, 0.8))
        turn = 90.0 if name == "turned" else 0.0
        out[name] = photograph(
            piece, scene=own.scene(*lamps), camera=camera, pose=both.turned(turn), seed=own.seed * 8 + k
        )
    return out


def another_day(own: SetUp, piece: PressedPiece) -> Photo:
    """The same piece laid anew on an earlier day; with the planted drift another lamp hung there."""
    rng = np.random.Generator(np.random.PCG64([own.seed, 2]))
    u = rng.uniform
    pose = replace(own.pose, shift_mm=(u(-4, 4), u(-4, 4)), rotation_deg=own.pose.rotation_deg + u(-4, 4))
    a, b = (replace(k, x_mm=k.x_mm + u(-15, 15), y_mm=k.y_mm + u(-15, 15)) for k in own.lamps)
    camera, scene = own.camera, own.scene(a, b)
    if own.fault == "drift":  # an update of the phone that makes colours stronger
        camera = replace(camera, saturation=u(1.2, 1.4))
    return photograph(piece, scene=scene, camera=camera, pose=pose, seed=own.seed * 8 + 6)


def box_photo(own: SetUp) -> Array:
    """White card with a round hole into a lined box in its middle, lit by both lamps: (h, w, 3) codes."""
    rng = np.random.Generator(np.random.PCG64([own.seed, 3]))
    h, w = own.pose.height_px, own.pose.width_px
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    slope = 1 + rng.uniform(-0.25, 0.25) * (x / w - 0.5) + rng.uniform(-0.25, 0.25) * (y / h - 0.5)
    radius = rng.uniform(0.06, 0.1) * w
    away = np.hypot(x - w * rng.uniform(0.45, 0.55), y - h * rng.uniform(0.45, 0.55))
    white = np.clip((away - radius) / 1.5 + 0.5, 0, 1)
    card = 0.88 * white + rng.uniform(0.0005, 0.0015) * (1 - white)  # what a lined box still gives back
    linear = np.repeat((card * slope)[..., None], 3, axis=2).astype(np.float32)
    linear *= rng.normal(1.0, 0.004, linear.shape[:2]).astype(np.float32)[..., None]
    codes, _, _ = develop(linear, own.camera, light=own.illuminant, card_balance=None, seed=own.seed * 8 + 5)
    return codes


@lru_cache(maxsize=1)
def _paper() -> PressedPiece:
    """A bare sheet of A4."""
    bare = press_sheet(np.full((8, 8, 3), 255, np.uint8), 8.0, faults=Faults(mottle=0, grain=0))
    nothing = np.zeros((210, 297), np.float32)
    return replace(
        bare, amounts=np.repeat(nothing[..., None], 4, axis=2), mask=nothing + 1, size_mm=(297.0, 210.0), px_per_mm=1.0
    )


def paper_photo(own: SetUp) -> Photo:
    """A sheet of A4 on a dark table, filling the frame."""
    scene = own.scene(*own.lamps, card="dark table", shadow=0.0)
    pose = replace(own.pose, fill=0.9)
    return photograph(_paper(), scene=replace(scene, veil=0.0), camera=own.camera, pose=pose, seed=own.seed * 8 + 7)


def save_all(own: SetUp, piece: PressedPiece | None, folder: Path, *, quality: int = 93) -> dict[str, Path]:
    """Take all photos of a set-up and store them as JPEG: name → path; without a piece only box and sheet."""
    exposed: dict[str, float] = {}
    photos: dict[str, Any] = {"black": box_photo(own), "sheet": paper_photo(own)}
    if piece is not None:
        photos |= lamp_photos(own, piece) | {"earlier": another_day(own, piece)}
        a, b = own.lamps
        share = {"lamp_a": a.weight / (a.weight + b.weight), "lamp_b": b.weight / (a.weight + b.weight)}
        exposed = {n: photos[n].gain / (photos["both"].gain * share.get(n, 1.0)) for n in ("both", "turned", *share)}
    at = {name: save_photo(p, folder / f"{name}.jpg", quality=quality) for name, p in photos.items()}
    for name, times in exposed.items():
        _say_exposure(at[name], times)
    return at


def _say_exposure(path: Path, times: float) -> None:
    """Write how long the camera exposed into its notes, as phones do."""
    with Image.open(path) as image:
        exif = image.getexif()
        exif.get_ifd(0x8769).update({0x829A: round(0.02 * times, 6), 0x829D: 1.8, 0x8827: 50})
        image.save(path, quality="keep", exif=exif.tobytes(), icc_profile=image.info.get("icc_profile"))


__all__ = ["FAULTS", "SetUp", "another_day", "box_photo", "lamp_photos", "paper_photo", "save_all", "set_up"]
