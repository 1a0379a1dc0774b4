"""The command `camera`: a phone or scanner characterised."""

from __future__ import annotations

import argparse
from typing import Any

from ..ground.errors import UsageError
from .common import add_common, add_log, ask, begin, filled, finish


def add_camera(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "camera",
        help="teach colorcheck your camera from a target that was measured with an instrument",
        description="Characterise a phone or scanner from photos of a target that somebody measured.",
        epilog="example: colorcheck camera sheet.jpg --target sheet.json --measured sheet.txt --out phone.json",
    )
    p.add_argument("photos", metavar="PHOTO", nargs="+")
    p.add_argument("--target", metavar="T.json", required=True, help="layout of the target")
    p.add_argument("--measured", metavar="VALUES.txt", required=True, help="measured values, ISO 28178 text")
    p.add_argument("--out", metavar="CAMERA.json", required=True, help="where to write the camera")
    p.add_argument("--light", metavar="NOTE", default="", help="a note on the lamp, kept with the camera")
    add_common(p, report=False)
    add_log(p)
    p.set_defaults(run=_camera)


def _camera(args: argparse.Namespace) -> int:
    begin(args, outputs=[args.out], inputs=[*args.photos, args.target, args.measured])
    if args.out == "-":
        raise UsageError("a camera needs a file", "name one, such as phone.json")
    from ..flows.characterise import characterise, characterise_result
    from ..flows.requests import CameraRequest
    from ..photo.camerafile import save_camera
    from ..show import answers

    camera = ask(characterise, filled(CameraRequest, args))
    save_camera(args.out, camera)

    return finish(
        args,
        lambda: characterise_result(camera, args.out),
        lambda: answers.camera_blocks(camera, args.out),
        photos=args.photos,
    )
