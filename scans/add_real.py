"""Check a photo of a measured target and add it to ``scans/real``; see the README there.

python scans/add_real.py sheet.jpg --measured sheet.txt --name my-glass --by "workshop" --licence CC0-1.0
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from colorcheck.ground.errors import ColorcheckError, DataError, FileError, PhotoError, UsageError

REAL = Path(__file__).with_name("real")
LICENCE = "CC0-1.0"
FAR_DE00 = 15.0  # median: beyond what any camera does to print; the values are of another sheet
_SCAN, _COMMENT, _OWN_KEPT = 0xDA, 0xFE, (0xE2, 0xEE)  # start of scan, comment, ICC and colour transform
_KEPT = (0x010F, 0x0110, 0x0112, 0x829A, 0x829D, 0x8827, 0xA403)  # maker, model, orientation, exposure, balance


def checked(photo: Path, measured: Path, target: str | None) -> dict[str, Any]:
    """Read a photo and compare it with its measured values: what is written beside it.

    Raises
    ------
    ColorcheckError
        It cannot be read, is not fit, or does not show what was measured.
    """
    import numpy as np

    from colorcheck.flows.read import read_photos
    from colorcheck.ground.cielab import delta_e00, lab_to_xyz, xyz_to_lab
    from colorcheck.ground.records import CellFlag, CellKind
    from colorcheck.sheet.exchange import read_measurements

    reading = read_photos(photo, target=target, paper="off")
    if reading.verdict.action == "retake-photo":
        why = ", ".join(m for k in reading.photos for m, *_ in k.check.problems) or "too little can be judged"
        raise PhotoError(f"{photo.name} is not fit to be read ({why})", "take it again")
    values = read_measurements(measured)
    known = {name: k for k, name in enumerate(values.ids)}
    cells = [(k, known[i]) for k, i in enumerate(reading.target.ids) if i in known]
    if len(cells) < 0.9 * len(reading.target.ids):
        raise DataError(f"{measured.name} names {len(cells)} of {len(reading.target.ids)} cells", "measure all of them")
    at, row = (np.array(v) for v in zip(*cells, strict=True))
    lab = np.asarray(values.lab, float)[row]
    xyz = lab_to_xyz(lab)
    white = np.median(xyz[reading.target.kind[at] == CellKind.WHITE], axis=0)
    relative = xyz_to_lab(xyz / white, np.ones(3))
    spoiled = int(CellFlag.CLIPPED | CellFlag.GLARE | CellFlag.UNEVEN | CellFlag.HIDDEN)
    usable = (reading.cells.flags[at] & spoiled) == 0
    off = delta_e00(reading.cells.lab[at], relative)[usable]
    u = reading.cells.uncertainty[at][usable]
    if np.median(off) > FAR_DE00:
        raise DataError(
            f"{photo.name} and {measured.name} differ by {np.median(off):.0f} ΔE00",
            "give the values of this very piece",
        )
    return {
        "photo": photo.name,
        "device": reading.photos[0].device,
        "target": reading.target.code_text,
        "cells": len(off),
        "mean_delta_e00": round(float(off.mean()), 3),
        "covered_by_twice_the_doubt": round(float(np.mean(off <= 2 * u)), 4),
    }


def without_place(source: Path, to: Path) -> None:
    """Copy a JPEG with maker, model, orientation and exposure alone in its notes; what is coded stays bit for bit.

    Segments as ITU-T T.81, annex B: of the application's own, ICC profile and colour transform are kept.
    """
    from PIL import Image

    data = source.read_bytes()
    if not data.startswith(b"\xff\xd8"):
        raise UsageError(f"{source.name} is no JPEG", "give the photo as JPEG, as the camera stored it")
    with Image.open(source) as image:
        exif = image.getexif()
        kept = Image.Exif()
        for key in _KEPT:
            if key in exif:
                kept[key] = exif[key]
        kept._ifds[0x8769] = {k: v for k, v in exif.get_ifd(0x8769).items() if k in _KEPT}
    notes = kept.tobytes()
    out = bytearray(data[:2] + b"\xff\xe1" + (len(notes) + 2).to_bytes(2, "big") + notes)
    at = 2
    while data[at : at + 1] == b"\xff" and data[at + 1] != _SCAN:
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        if not (0xE0 <= marker <= 0xEF or marker == _COMMENT) or marker in _OWN_KEPT:
            out += data[at : at + 2 + length]
        at += 2 + length
    end = data.rfind(b"\xff\xd9")  # what follows the picture may be anything
    to.write_bytes(bytes(out) + data[at : end + 2 if end > at else len(data)])


def add(args: argparse.Namespace, folder: Path = REAL) -> list[Path]:
    """Check and add; the files that were written. Nothing is written unless everything holds."""
    from colorcheck.ground.jsontext import write_json

    if args.licence != LICENCE:
        raise UsageError(f"--licence {args.licence} cannot be taken", f"give what you made yourself, under {LICENCE}")
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{1,40}", args.name):
        raise UsageError(f"--name {args.name[:40]} cannot be used", "small letters, digits and hyphens")
    photos = [Path(p) for p in args.photos]
    found = [checked(p, Path(args.measured), args.target) for p in photos]
    names = [f"{args.name}-{k}.jpg" for k in range(1, len(photos) + 1)]
    new = [*names, f"{args.name}.txt", f"{args.name}.json"]
    if there := next((n for n in new if (folder / n).exists()), None):
        raise FileError(f"{folder / there} exists and is kept", "choose another --name")
    done = []
    try:
        for photo, name in zip(photos, names, strict=True):
            done.append(folder / name)
            without_place(photo, folder / name)
        done.append(folder / f"{args.name}.txt")
        done[-1].write_bytes(Path(args.measured).read_bytes())
        done.append(folder / f"{args.name}.json")
        told = [{**f, "photo": n} for f, n in zip(found, names, strict=True)]
        write_json(done[-1], {"by": args.by, "licence": LICENCE, "measured": f"{args.name}.txt", "photos": told})
    except BaseException:
        for path in done:
            path.unlink(missing_ok=True)
        raise
    return done


def main(argv: list[str] | None = None) -> int:
    """Run; the exit code: 0 added, 2 refused."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("photos", metavar="PHOTO.jpg", nargs="+")
    p.add_argument("--measured", metavar="VALUES.txt", required=True, help="measured values, ISO 28178 text")
    p.add_argument("--name", required=True, help="of the files here")
    p.add_argument("--by", required=True, help="who gives it, without a person's name")
    p.add_argument("--licence", required=True, help=f"{LICENCE}: yours to give, no rights reserved")
    p.add_argument("--target", metavar="T.json", help="layout, where its printed code cannot be read")
    args = p.parse_args(argv)
    try:
        for path in add(args):
            print(path)
    except (ColorcheckError, OSError) as e:
        print(f"add_real: {e}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
