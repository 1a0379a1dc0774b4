"""A virtual press and camera: the one forward model behind tests and sample photos.

It knows nothing of how photos are analysed. Chain: device RGB → dye amounts → spectral reflectance → light,
glare → lens → sensor channels → phone or scanner processing → file. Places on the piece are millimetres from
the top left of its bounding box as its owner views it, x right, y down; photo places are pixels x, y with
(0, 0) at the centre of the first pixel.

Example
-------
>>> import numpy as np
>>> from tests import virtual as v
>>> art = np.full((1200, 1200, 3), 128, np.uint8)          # as the viewer sees it, 6 px/mm, 200 mm
>>> pale = v.pale_strength(4.0, device_rgb=(128, 128, 128))  # strength that shifts mid grey by ΔE00 4
>>> piece = v.press_sheet(
...     art,
...     6.0,
...     size_mm=(200, 200),
...     shape="rect",
...     printer=v.Printer(dyes="dull"),
...     substrate=v.SUBSTRATES["warm film"],
...     faults=v.Faults(spots=(v.Spot(140, 60, 30, pale),)),
...     seed=1,
... )
>>> lab = piece.true_lab([[10, 10, 12, 12]])                 # CIELAB D50, bare coat = (100, 0, 0)
>>> peak = piece.true_delta([[138, 58, 4, 4]])               # true ΔE00 of the fault there
>>> photo = v.photograph(
...     piece,
...     scene=v.Scene(lamps=(v.Lamp(-350, -250, 700),), glare=(v.Glare(40, -30, 35, strength=0.2),)),
...     camera=v.Camera(sensitivities="phone-2", tone="phone", sharpen=0.4),
...     pose=v.Pose.megapixels(3, tilt_deg=10, rotation_deg=5, distortion=-0.01),
...     seed=1,
... )
>>> px = photo.mm_to_px([[0, 0], [200, 200]])                # exact, with perspective and distortion
>>> light = photo.lighting_map(1.0)                          # lamp × vignetting on the piece, largest = 1
>>> path = v.save_photo(photo, "piece.jpg", quality=92, exif_orientation=6)   # doctest: +SKIP
>>> turned = v.photograph(piece, scene=photo.scene, camera=photo.camera.locked(photo),
...                       pose=photo.turned(90, (30.0, 0.0)), seed=2)         # same camera, lamp, exposure
>>> frame = v.photograph_blank(piece.size_mm, photo=photo)   # white card in the piece's place
>>> flat = v.scan(piece, dpi=100)                            # flatbed, 16 bit

What is where
-------------
press    `Printer` (profiled or raw, wrong curves, cast, ink excess, swapped inks), `Substrate`, `SUBSTRATES`;
         `press_sheet` → `PressedPiece` with `true_lab`, `true_density`, `true_delta`, `true_delta_map`,
         `lab_grid`, `clean()`; `aim_lab`, `pale_strength`, `scorch_strength`
faults   `Faults` (a good press by default, with natural mottle, grain and bleed) and its parts
camera   `Camera`, `save_photo` (jpg, png, tif, heic; EXIF orientation; ICC), `matrix_profile`
scene    `Scene`, `Lamp`, `Window`, `Glare`, `Occluder`, `Pose`; `photograph`, `photograph_blank`, `scan` →
         `Photo`
window   `Panel`, `photograph_window`: a piece lit from behind (`piece.behind()` has the truths of that light)
texture  `Texture`: patterned glass, given to a piece by `dataclasses.replace(piece, texture=…)`
spectral curves, CIE weights, `delta_e00`

Limits: no fluorescence, no halftone (dye is continuous), one gloss for all places; sensors see 36 bands of
10 nm; defocus is Gaussian and equal over the photo; the glass has no thickness in perspective (no parallax of
a coat seen through it); noise is white before smoothing; `lighting_map` of lamps of mixed colour is
their sum, uncoloured; spots that cross the outline are cut there.
"""

from __future__ import annotations

from .camera import Camera, colour_matrix, matrix_profile, save_photo
from .faults import Banding, EdgeBand, Faults, Ghost, Hair, Scorch, Speck, Spot
from .press import (
    SUBSTRATES,
    PressedPiece,
    Printer,
    Substrate,
    aim_lab,
    lab_of_amounts,
    pale_strength,
    press_sheet,
    scorch_strength,
)
from .scene import Glare, Lamp, Occluder, Photo, Pose, Scene, Window, photograph, photograph_blank, scan
from .spectral import delta_e00
from .texture import Texture
from .window import Panel, photograph_window

__all__ = [
    "SUBSTRATES",
    "Banding",
    "Camera",
    "EdgeBand",
    "Faults",
    "Ghost",
    "Glare",
    "Hair",
    "Lamp",
    "Occluder",
    "Panel",
    "Photo",
    "Pose",
    "PressedPiece",
    "Printer",
    "Scene",
    "Scorch",
    "Speck",
    "Spot",
    "Substrate",
    "Texture",
    "Window",
    "aim_lab",
    "colour_matrix",
    "delta_e00",
    "lab_of_amounts",
    "matrix_profile",
    "pale_strength",
    "photograph",
    "photograph_blank",
    "photograph_window",
    "press_sheet",
    "save_photo",
    "scan",
    "scorch_strength",
]
