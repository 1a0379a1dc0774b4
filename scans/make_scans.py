"""Make the sample photos and the sample scan in this folder, each with its truth.

They are simulated: invented pieces of an invented workshop that presses house-number plaques and clock
faces, taken with invented cameras. The forward model is that of the tests (`tests/virtual`), which knows
nothing of how photos are analysed. The same code makes the same files.

    python scans/make_scans.py                    all, into this folder
    python scans/make_scans.py clock-good --out /tmp/x
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from colorcheck.sheet import draw  # noqa: E402
from colorcheck.sheet.target import FIELD_RGB, Target, from_code, make_target  # noqa: E402
from tests import virtual as v  # noqa: E402
from tests.virtual import artworks  # noqa: E402

NOTE = "synthetic: made by make_scans.py, no real print, no real camera"
PIECE = "number-plaque"
MEGAPIXELS = 3.2
QUALITY = 88


@dataclass(frozen=True)
class Sample:
    """One sample: what is printed, pressed and photographed, and what ought to be said about it."""

    file: str
    story: str
    verdict: str
    recipe: dict[str, Any]
    paper: str = "on"
    faults: v.Faults = field(default_factory=v.Faults)
    printer: v.Printer = field(default_factory=v.Printer)
    substrate: str = "bright"
    scene: v.Scene = field(default_factory=v.Scene)
    window: v.Panel | None = None  # what lights it from behind, instead of the scene
    camera: v.Camera = field(default_factory=v.Camera)
    pose: dict[str, Any] = field(default_factory=dict)
    dpi: float = 0.0  # of a scan; 0: a photo
    seed: int = 1

    @property
    def name(self) -> str:
        """The file's name without its ending."""
        return Path(self.file).stem


SQUARE = {"size_mm": (200.0, 200.0), "shape": "rect", "patches": "standard", "view": "front", "seed": 1}
THROUGH = {**SQUARE, "view": "through"}
ROUND = {**SQUARE, "shape": "round"}
OFFCUT = {"size_mm": (100.0, 100.0), "shape": "rect", "patches": "compact", "view": "front", "seed": 1}

WINDOW_LEFT = v.Scene(
    illuminant="D65",
    lamps=(v.Window(towards_deg=200, ratio=1.5, weight=1.0), v.Lamp(-450, -300, 900, weight=0.4)),
    ambient=0.2,
    vignetting=0.15,
)
DESK_LAMP = v.Scene(illuminant="LED-B3", lamps=(v.Lamp(-380, -300, 750),), ambient=0.2, vignetting=0.15)
TWO_LAMPS = v.Scene(
    illuminant="LED-B4",
    lamps=(v.Lamp(-420, -60, 650), v.Lamp(420, 60, 650, weight=0.9)),
    ambient=0.15,
    card="wood",
    vignetting=0.12,
)
PHONE = v.Camera(sensitivities="phone-1", saturation=1.05, sharpen=0.4, noise=0.008)
OTHER_PHONE = v.Camera(sensitivities="phone-2", sharpen=0.3, noise=0.008)


def _pale(x: float, y: float, size: float, de00: float) -> v.Spot:
    return v.Spot(x, y, size, v.pale_strength(de00, device_rgb=FIELD_RGB))


SAMPLES = (
    Sample(
        "plaque-pale-spot.jpg",
        "Plaque seen through its glass, the paper still taped on; two soft pale spots.",
        "re-press",
        THROUGH,
        scene=DESK_LAMP,
        camera=PHONE,
        faults=v.Faults(spots=(_pale(140, 62, 30, 7.0), _pale(58, 138, 20, 5.0))),
        pose={"rotation_deg": 6, "tilt_deg": 9, "tilt_axis_deg": 20, "distortion": -0.008},
        seed=11,
    ),
    Sample(
        "clock-good.jpg",
        "Clock face, pressed well, by the light of a window.",
        "accept",
        ROUND,
        scene=WINDOW_LEFT,
        camera=OTHER_PHONE,
        pose={"rotation_deg": -11, "tilt_deg": 7, "tilt_axis_deg": 70, "distortion": -0.006},
        seed=12,
    ),
    Sample(
        "plaque-glare.jpg",
        "A good plaque, but a lamp is mirrored in the glass.",
        "retake-photo",
        SQUARE,
        scene=v.Scene(
            illuminant="LED-B3",
            lamps=(v.Lamp(-300, -250, 600),),
            ambient=0.15,
            glare=(v.Glare(66, 132, fwhm_mm=55, strength=0.3, frame="piece"),),
        ),
        camera=PHONE,
        pose={"rotation_deg": 4, "tilt_deg": 6, "tilt_axis_deg": 0},
        seed=13,
    ),
    Sample(
        "plaque-moved.jpg",
        "The paper slipped when the press opened: a second, faint copy.",
        "reprint",
        SQUARE,
        scene=TWO_LAMPS,
        camera=OTHER_PHONE,
        faults=v.Faults(ghost=v.Ghost(1.7, 0.9, 0.16)),
        pose={"rotation_deg": 93, "tilt_deg": 10, "tilt_axis_deg": 130, "distortion": -0.01},
        seed=14,
    ),
    Sample(
        "plaque-wrong-curves.jpg",
        "Pressed well, printed with the profile of another paper: too dark and too red.",
        "change-profile",
        SQUARE,
        paper="off",
        scene=TWO_LAMPS,
        camera=PHONE,
        printer=v.Printer(gamma=(1.25, 1.4, 1.35)),
        pose={"rotation_deg": -4, "tilt_deg": 8, "tilt_axis_deg": 45, "distortion": -0.01},
        seed=15,
    ),
    Sample(
        "offcut-scan.tif",
        "Small offcut pressed to try a recipe, on a flatbed scanner (16 bit).",
        "accept",
        OFFCUT,
        paper="off",
        dpi=125,
        seed=16,
    ),
    Sample(
        "offcut-window.jpg",
        "Good offcut held before a window, photographed against the light.",
        "accept",
        OFFCUT,
        paper="off",
        window=v.Panel("D65", lights=(v.Window(towards_deg=250, ratio=1.4, span_mm=150.0),), stray=0.01),
        camera=OTHER_PHONE,
        pose={"rotation_deg": 3, "tilt_deg": 5, "tilt_axis_deg": 60, "fill": 0.8},
        seed=17,
    ),
)


# ---------------------------------------------------------------- truth


def _faults(sample: Sample, piece: v.PressedPiece) -> list[dict[str, Any]]:
    """What is wrong with the piece, with place, size and true colour difference."""
    out: list[dict[str, Any]] = []
    p = sample.printer
    field_dye = np.asarray(p.amounts(np.array(FIELD_RGB, np.uint8), piece.substrate), float)
    grid = piece.true_delta_map(1.0)
    for s in sample.faults.spots:
        faded = field_dye * (1 - s.strength) ** np.array(p.rates)
        on_field = v.delta_e00(
            v.lab_of_amounts(faded, p.dyes, piece.substrate),
            v.lab_of_amounts(field_dye, p.dyes, piece.substrate),
        )
        row, column = int(s.y_mm), int(s.x_mm)
        middle = grid[row - 4 : row + 5, column - 4 : column + 5]
        out.append(
            {
                "kind": "pale",
                "x_mm": s.x_mm,
                "y_mm": s.y_mm,
                "diameter_mm": s.fwhm_mm,
                "dye_lost": round(s.strength, 4),
                "delta_e00_on_field": round(float(on_field), 2),
                "delta_e00_mean_of_middle_9mm": round(float(middle.mean()), 2),
            }
        )
    if sample.faults.ghost is not None:
        g = sample.faults.ghost
        out.append({"kind": "ghost", "shift_mm": [g.dx_mm, g.dy_mm], "strength": g.strength})
    return out


def _truth(sample: Sample, target: Target, piece: v.PressedPiece, photo: v.Photo) -> dict[str, Any]:
    lab, density = piece.true_lab(target.box_mm), piece.true_density(target.box_mm)
    light = photo.lighting_map(4.0)
    p = sample.printer
    front = replace(piece.clean(), lit="front")
    off = v.delta_e00(front.true_lab(target.box_mm), v.aim_lab(target.device_rgb, p, piece.substrate))
    return {
        "note": NOTE,
        "file": sample.file,
        "story": sample.story,
        "expected_verdict": sample.verdict,
        "read_with": {"paper": sample.paper, "printed": "as-usual", **({"lit": "behind"} if sample.window else {})},
        "target": {**sample.recipe, "size_mm": list(sample.recipe["size_mm"])},
        "faults_of_the_piece": _faults(sample, piece),
        "faults_of_the_photo": [
            {
                "kind": "glare",
                "x_mm": g.x,
                "y_mm": g.y,
                "diameter_mm": g.fwhm_mm,
                "share_of_white": g.strength,
            }
            for g in sample.scene.glare
        ],
        "printer": {
            "dyes": p.dyes,
            "curve_gamma_rgb": list(p.gamma),
            "cast_rgb": list(p.cast),
            "mean_delta_e00_from_aim_if_pressed_well": round(float(off.mean()), 2),
        },
        "coat": sample.substrate,
        "light": {
            "spectrum": photo.scene.illuminant,
            "lamps": [] if sample.dpi else [_fields(lamp) for lamp in photo.scene.lamps],
            "brightest_to_darkest": round(float(light.max() / light.min()), 3),
        },
        "camera": {
            "kind": "flatbed scanner" if sample.dpi else "phone",
            "sensor": photo.camera.sensitivities,
            "tone": photo.camera.tone,
            "noise": photo.camera.noise,
            "size_px": [photo.rgb.shape[1], photo.rgb.shape[0]],
            "bits": photo.camera.bits,
            **({"dpi": sample.dpi} if sample.dpi else {"seen_from": sample.pose}),
        },
        "corners_px": [
            [round(float(c), 2) for c in corner]
            for corner in photo.mm_to_px([[0, 0], [piece.size_mm[0], 0], list(piece.size_mm), [0, piece.size_mm[1]]])
        ],
        "cells": {
            "lab": "D50, 2 degree observer, bare coat = (100, 0, 0)",
            "columns": ["id", "L", "a", "b", "visual density"],
            "rows": [
                [name, *(round(float(c), 2) for c in lab[k]), round(float(density[k]), 3)]
                for k, name in enumerate(target.ids)
            ],
        },
    }


def _fields(thing: Any) -> dict[str, Any]:
    return {"kind": type(thing).__name__.lower(), **{k: getattr(thing, k) for k in thing.__slots__}}


# ---------------------------------------------------------------- making


def make(sample: Sample, out: Path) -> Path:
    """Make one sample: the picture and its truth."""
    anew = make_target(**sample.recipe)
    target = from_code("CC1" + anew.code_text[3:])  # the samples are older than the prefix of new sheets
    target = replace(target, name=anew.name, print_file=anew.print_file, dpi=anew.dpi, bleed_mm=anew.bleed_mm)
    dpi = 200 if max(target.size_mm) >= 150 else 300
    piece = v.press_sheet(
        draw.render(target, dpi=dpi),
        dpi / 25.4,
        size_mm=target.size_mm,
        shape=target.shape,
        printer=sample.printer,
        substrate=v.SUBSTRATES[sample.substrate],
        faults=sample.faults,
        seed=sample.seed,
    )
    if sample.dpi:
        photo = v.scan(piece, dpi=sample.dpi, border_mm=8, seed=sample.seed)
    else:
        pose = v.Pose.megapixels(MEGAPIXELS, **{"fill": 0.86, **sample.pose})
        if sample.window:
            piece = piece.behind()
            photo = v.photograph_window(piece, panel=sample.window, camera=sample.camera, pose=pose, seed=sample.seed)
        else:
            photo = v.photograph(piece, scene=sample.scene, camera=sample.camera, pose=pose, seed=sample.seed)
    path = v.save_photo(photo, out / sample.file, quality=QUALITY)
    text = json.dumps(_truth(sample, target, piece, photo), indent=1, ensure_ascii=False)
    path.with_name(f"{sample.name}.truth.json").write_text(_rows_on_one_line(text) + "\n", encoding="utf-8")
    return path


def make_piece(out: Path) -> Path:
    """Make the finished piece: a number plaque seen through the glass, with a pale spot and its artwork."""
    size = (200.0, 150.0)
    art = artworks.plaque(size, 5.0, number="27", style=4)
    spot = v.Spot(142.0, 52.0, 22.0, v.pale_strength(12.0))
    piece = v.press_sheet(art, 5.0, size_mm=size, faults=v.Faults(spots=(spot,)), seed=3)
    pose = v.Pose.megapixels(MEGAPIXELS, fill=0.74, rotation_deg=-6, tilt_deg=7, distortion=-0.01)
    scene = v.Scene(lamps=(v.Lamp(x_mm=-380, y_mm=-240, height_mm=620),), vignetting=0.18)
    photo = v.photograph(piece, scene=scene, camera=v.Camera(sharpen=0.3), pose=pose, seed=3)
    path = v.save_photo(photo, out / f"{PIECE}.jpg", quality=QUALITY)
    Image.fromarray(art).save(out / f"{PIECE}.png", optimize=True)
    delta = piece.true_delta_map(2.0)
    truth = {
        "note": NOTE,
        "story": "a pressed number plaque, paper still on, seen through the glass; one soft pale spot",
        "artwork": f"{PIECE}.png",
        "size_mm": list(size),
        "expected_verdict": "re-press",
        "spots": [
            {
                "x_mm": spot.x_mm,
                "y_mm": spot.y_mm,
                "diameter_mm": spot.fwhm_mm,
                "delta_e00": round(float(delta[int(spot.y_mm / 2), int(spot.x_mm / 2)]), 2),
            }
        ],
    }
    text = json.dumps(truth, indent=1, ensure_ascii=False) + "\n"
    (out / f"{PIECE}.piece.json").write_text(text, encoding="utf-8")
    return path


def _rows_on_one_line(text: str) -> str:
    """Join the innermost lists, so that a cell is a line."""
    import re

    return re.sub(r"\[\s+([^\[\]{}]*?)\s+\]", lambda m: "[" + re.sub(r"\s*\n\s*", " ", m.group(1)) + "]", text)


def main(argv: list[str] | None = None, say: Callable[[str], None] = print) -> int:
    """Make the samples that are named, or all."""
    parser = argparse.ArgumentParser(description="Make the sample photos and their truth.")
    parser.add_argument("names", nargs="*", help="which (default: all): " + ", ".join(s.name for s in SAMPLES))
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write into (default: this one)")
    args = parser.parse_args(argv)
    unknown = set(args.names) - {s.name for s in SAMPLES} - {PIECE}
    if unknown:
        parser.error(f"no sample called {', '.join(sorted(unknown))}")
    args.out.mkdir(parents=True, exist_ok=True)
    for sample in SAMPLES:
        if not args.names or sample.name in args.names:
            path = make(sample, args.out)
            say(f"{path.name}: {path.stat().st_size / 1000:.0f} kB, expected verdict {sample.verdict}")
    if not args.names or PIECE in args.names:
        path = make_piece(args.out)
        say(f"{path.name}: {path.stat().st_size / 1000:.0f} kB, a finished piece for inspect")
    return 0


if __name__ == "__main__":
    sys.exit(main())
