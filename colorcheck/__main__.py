"""The command line. Every command imports what it needs inside itself, so that help is quick."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from . import __version__
from .cli.common import (
    Parser,
    add_common,
    add_heat,
    add_log,
    check_log,
    keep_outputs,
    keep_report,
    pressing_of,
    record,
    reuse_memory,
    use_color,
    write_result,
)
from .cli.compare import add_compare
from .cli.health import add_health
from .cli.ladder import add_ladder
from .cli.log import add_log_command
from .cli.prepare import add_prepare
from .cli.profile import add_profile
from .cli.serve import add_serve
from .ground.errors import ColorcheckError, FileError, UsageError


def _parser() -> argparse.ArgumentParser:
    p = Parser(
        prog="colorcheck",
        description="Print a test target, press it, photograph it: colour, evenness, and what to do next.",
    )
    p.add_argument("--version", action="version", version=f"colorcheck {__version__}")
    sub = p.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)
    _add_target(sub)
    _add_read(sub)
    _add_inspect(sub)
    _add_camera(sub)
    _add_repeat(sub)
    add_compare(sub)
    add_ladder(sub)
    add_health(sub)
    add_profile(sub)
    add_prepare(sub)
    add_log_command(sub)
    add_serve(sub)
    return p


def _add_target(sub: Any) -> None:
    p = sub.add_parser(
        "target",
        help="make a test target to print and press",
        description="Make a test target: a print file at true size and its layout as JSON.",
        epilog="example: colorcheck target my-targets --name plaque --size 200x200mm --view front",
    )
    p.add_argument("outdir", metavar="OUTDIR", help="folder for the print file and its layout")
    p.add_argument("--name", default="target", help="name of both files (default: target)")
    p.add_argument("--size", default="200x200mm", help="size of the blank, mm, cm or in (default: 200x200mm)")
    p.add_argument("--shape", choices=("rect", "round"), default="rect")
    p.add_argument(
        "--patches",
        choices=("compact", "standard", "fine"),
        default=None,
        help="how many colours: about 60, 175 or 440 (default: standard, compact where that does not fit)",
    )
    p.add_argument(
        "--view",
        choices=("front", "through"),
        default="front",
        help="'front': you look straight at the coat (printed mirrored); 'through': through the glass",
    )
    p.add_argument("--dpi", type=int, default=300)
    p.add_argument("--seed", type=int, default=1, help="another number, another order of the cells")
    p.add_argument("--format", choices=("png", "tiff", "pdf"), default="png")
    p.add_argument("--bleed", default="0mm", help="print this much larger on every side (default: 0; 3mm is usual)")
    add_common(p, report=False)
    add_log(p)
    p.set_defaults(run=_target)


def _add_read(sub: Any) -> None:
    p = sub.add_parser(
        "read",
        help="measure a pressed target from a photo or scan and say what to do",
        description="Measure a pressed target from one or several photos or scans.",
        epilog="example: colorcheck read plaque.jpg --paper on --json plaque.json --report plaque-report",
    )
    p.add_argument("photos", metavar="PHOTO", nargs="+")
    p.add_argument("--target", metavar="T.json", help="layout of the target (default: the code printed on it)")
    p.add_argument("--camera", metavar="CAMERA.json", help="your characterised camera, from 'colorcheck camera'")
    p.add_argument(
        "--printed",
        choices=("as-usual", "raw"),
        default="as-usual",
        help="'raw': printed without any profile, to build one",
    )
    p.add_argument(
        "--paper",
        choices=("on", "off"),
        default="on",
        help="is the paper still taped on and unmoved? (default: on)",
    )
    p.add_argument("--against", metavar="READING.json", help="compare with an earlier reading of the same target")
    p.add_argument("--repeat", metavar="REPEAT.json", help="noise floor of your set-up, from 'colorcheck repeat'")
    p.add_argument("--values", metavar="VALUES.txt", help="write the cells' values as ISO 28178 text")
    p.add_argument("--limits", metavar="FILE.toml", help="your own limits instead of the shipped ones")
    add_heat(p)
    add_common(p)
    add_log(p, heat=True)
    p.set_defaults(run=_read)


def _add_inspect(sub: Any) -> None:
    p = sub.add_parser(
        "inspect",
        help="check a finished piece against its artwork: light spots, faded edges, ghosts",
        description="Check a finished piece against its artwork, best while the paper is still taped on.",
        epilog="example: colorcheck inspect piece.jpg --artwork art.png --size 200x200mm --view through",
    )
    p.add_argument(
        "photos", metavar="PHOTO", nargs="+", help="the piece on white card; further photos turned or shifted"
    )
    p.add_argument("--artwork", metavar="ART.png", required=True, help="the picture as its owner sees the piece")
    p.add_argument("--size", required=True, help="size of the piece, mm, cm or in")
    p.add_argument("--shape", choices=("rect", "round"), default="rect")
    p.add_argument("--view", choices=("front", "through"), default="front", help="from which side it is looked at")
    p.add_argument(
        "--paper",
        choices=("on", "off"),
        default="on",
        help="is the paper still taped on and unmoved? (default: on)",
    )
    p.add_argument("--blank-frame", metavar="WHITE.jpg", help="a white sheet in the piece's place, nothing else moved")
    p.add_argument(
        "--reading", metavar="READING.json", help="reading of the same substrate: what its colours should be"
    )
    p.add_argument("--profile", metavar="P.icc", help="ICC profile the piece was printed through")
    p.add_argument("--before", metavar="RESULT.json", help="inspection before a re-press: what improved?")
    p.add_argument("--limits", metavar="FILE.toml", help="your own limits instead of the shipped ones")
    add_heat(p)
    add_common(p)
    add_log(p, heat=True)
    p.set_defaults(run=_inspect)


def _add_camera(sub: Any) -> None:
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


def _add_repeat(sub: Any) -> None:
    p = sub.add_parser(
        "repeat",
        help="several photos of one piece: how small a difference can this set-up tell?",
        description="Read at least three photos of one piece, each set up anew, and say how well they agree.",
        epilog="example: colorcheck repeat a.jpg b.jpg c.jpg d.jpg --json bench.json",
    )
    p.add_argument("photos", metavar="PHOTO", nargs="+")
    p.add_argument("--target", metavar="T.json", help="layout of the target (default: the code printed on it)")
    add_common(p, report=False)
    add_log(p)
    p.set_defaults(run=_repeat)


# ---------------------------------------------------------------- commands


def _target(args: argparse.Namespace) -> int:
    check_log(args)
    from .ground.jsontext import write_json
    from .ground.units import parse_margin, parse_size
    from .sheet.draw import write_print_file
    from .sheet.target import make_target, to_dict

    plain = args.name.isprintable() and len(os.fsencode(args.name)) <= 200 and not args.name.startswith(".")
    if not args.name or not plain or Path(args.name).name != args.name:
        raise UsageError(f"'{args.name[:40]}' cannot be a file name", "use letters, digits and hyphens")
    size = parse_size(args.size)
    bleed = parse_margin(args.bleed)
    recipe = {
        "size_mm": size,
        "shape": args.shape,
        "view": args.view,
        "seed": args.seed,
        "dpi": args.dpi,
        "name": args.name,
        "bleed_mm": bleed,
        "file_format": args.format,
    }
    try:
        target = make_target(patches=args.patches or "standard", **recipe)
    except UsageError:
        if args.patches:
            raise
        target = make_target(patches="compact", **recipe)
    out = Path(args.outdir)
    if out.exists() and not out.is_dir():
        raise FileError(f"{out} is a file", "name a folder for the target")
    files = (out / target.print_file, out / f"{args.name}.json")
    for f in files:
        if f.exists() and not args.overwrite:
            raise FileError(f"{f} exists and is kept", "choose another --name, or add --overwrite")
    keep_outputs([args.json], [str(f) for f in files], args.overwrite)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise FileError(f"the folder {out} cannot be made ({e.strerror})", "choose another place") from e
    data = to_dict(target)
    write_print_file(target, files[0])
    write_json(files[1], data)
    write_result(args, data)
    if not args.quiet and args.json != "-":
        w, h = target.size_mm
        colours = int((target.kind == 0).sum())
        print(f"{files[0]}  {w:g} x {h:g} mm, {len(target.ids)} cells ({colours} colours)")
        print(f"{files[1]}  its layout: keep it, though the printed code tells the same")
        side = (
            "is already mirrored: do not mirror it again" if target.mirrored else "is not mirrored: print it as it is"
        )
        print(f"Print at 100 %, not fitted to the page. The file {side}.")
    record(args, "target", data)
    return 0


def _read(args: argparse.Namespace) -> int:
    check_log(args)
    inputs = [*args.photos, args.target, args.against, args.limits, args.camera, args.repeat]
    keep_outputs([args.json, args.values], inputs, args.overwrite)
    keep_report(args.report, args.overwrite)
    from .flows.requests import ReadRequest

    request = ReadRequest(
        photos=tuple(args.photos),
        target=args.target,
        camera=args.camera,
        printed=args.printed,
        paper=args.paper,
        against=args.against,
        repeat=args.repeat,
        limits=args.limits,
        pressing=pressing_of(args),
    )
    reuse_memory()
    from .flows.read import read
    from .show.results import reading_to_dict
    from .show.terminal import Progress, print_reading

    with Progress(sys.stderr) as progress:
        reading = read(request, progress=progress)
    if args.values:
        from .sheet.exchange import measurements_from_lab, write_measurements

        cells = reading.cells
        lab = cells.lab if cells.lab_absolute is None else cells.lab_absolute
        told = "absolute" if reading.absolute else "relative to the bare coat"
        header = {"ORIGINATOR": "colorcheck", "FILE_DESCRIPTOR": f"{reading.target.name}, CIELAB {told}"}
        write_measurements(
            args.values,
            measurements_from_lab(reading.target.ids, lab, device_rgb=reading.target.device_rgb, header=header),
        )
    data = reading_to_dict(reading) if args.json or args.log is not None else None
    if data is not None:
        write_result(args, data)
    if args.report:
        from .show.report import write_report

        path = write_report(reading, args.report, overwrite=args.overwrite)
    if not args.quiet and args.json != "-":
        print_reading(reading, sys.stdout, color=use_color())
        if args.report:
            print(f"Report: {path}")
    record(args, "read", data)
    return 0


def _inspect(args: argparse.Namespace) -> int:
    check_log(args)
    inputs = [args.artwork, args.blank_frame, args.reading, args.profile, args.before, args.limits]
    keep_outputs([args.json], [*args.photos, *inputs], args.overwrite)
    keep_report(args.report, args.overwrite)
    from .flows.requests import InspectRequest
    from .ground.units import parse_size

    request = InspectRequest(
        photos=tuple(args.photos),
        artwork=args.artwork,
        size_mm=parse_size(args.size),
        shape=args.shape,
        view=args.view,
        paper=args.paper,
        blank_frame=args.blank_frame,
        reading=args.reading,
        profile=args.profile,
        before=args.before,
        limits=args.limits,
        pressing=pressing_of(args),
    )
    reuse_memory()
    from .flows.inspect import inspect
    from .show.inspectreport import inspection_to_dict, print_inspection, write_inspection_report
    from .show.terminal import Progress

    with Progress(sys.stderr) as progress:
        result = inspect(request, progress=progress)
    data = inspection_to_dict(result) if args.json or args.log is not None else None
    if data is not None:
        write_result(args, data)
    if args.report:
        path = write_inspection_report(result, args.report, overwrite=args.overwrite)
    if not args.quiet and args.json != "-":
        print_inspection(result, sys.stdout, color=use_color())
        if args.report:
            print(f"Report: {path}")
    record(args, "inspect", data)
    return 0


def _camera(args: argparse.Namespace) -> int:
    check_log(args)
    keep_outputs([args.out, args.json], [*args.photos, args.target, args.measured], args.overwrite)
    if args.out == "-":
        raise UsageError("a camera needs a file", "name one, such as phone.json")
    from .flows.characterise import characterise, characterise_result
    from .flows.requests import CameraRequest
    from .photo.camerafile import save_camera
    from .show.terminal import Progress

    request = CameraRequest(photos=tuple(args.photos), target=args.target, measured=args.measured, light=args.light)
    with Progress(sys.stderr) as progress:
        camera = characterise(request, progress=progress)
    save_camera(args.out, camera)
    data = characterise_result(camera, args.out)
    write_result(args, data)
    if not args.quiet and args.json != "-":
        model = camera.model
        print(f"{args.out}  {camera.device or 'unnamed device'}, {model.cells} cells, {model.bad_cells} left out")
        print(f"Colours it was not taught come out within {model.cv_mean:.1f} ΔE00 on average (cross-validated).")
        print("Use it under the same lamp, on the same white card, with white balance locked if the camera can.")
        for note in camera.notes:
            print(f"Note: {note}")
    record(args, "camera", data, photos=args.photos)
    return 0


def _repeat(args: argparse.Namespace) -> int:
    check_log(args)
    keep_outputs([args.json], [*args.photos, args.target], args.overwrite)
    from .flows.repeat import repeat, to_dict
    from .flows.requests import RepeatRequest
    from .show.terminal import Progress

    request = RepeatRequest(photos=tuple(args.photos), target=args.target)
    with Progress(sys.stderr) as progress:
        result = repeat(request, progress=progress)
    data = to_dict(result)
    write_result(args, data)
    if not args.quiet and args.json != "-":
        print(f"One reading of one cell repeats within {result.mean:.2f} ΔE00 (one standard deviation).")
        print(f"Smallest difference this set-up can tell: {result.smallest_cell:.1f} ΔE00 in one cell,")
        print(f"{result.smallest_mean:.1f} ΔE00 in the mean of all cells, between two single photos.")
        if result.odd:
            print(f"Unlike the others: {', '.join(result.odd)}. Look at it and leave it out if the light changed.")
    record(args, "repeat", data, photos=args.photos)
    return 0


def _one_line(text: str) -> str:
    """Cut an overlong line in its middle and take out signs that would steer the terminal."""
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return plain if len(plain) < 380 else f"{plain[:220]} … {plain[-150:]}"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code: 0 done, 2 bad usage or input, 130 interrupted."""
    for stream in (sys.stdout, sys.stderr):  # a terminal may know few signs: show what it cannot as '?'
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        args, stray = _parser().parse_known_args(argv)
        if stray:
            raise UsageError(f"{args.command} does not take {stray[0][:60]}", f"see 'colorcheck {args.command} --help'")
        code = int(args.run(args))
        sys.stdout.flush()
        return code
    except ColorcheckError as e:
        print(f"colorcheck: {_one_line(str(e))}", file=sys.stderr)
        return 2
    except MemoryError:
        print("colorcheck: not enough memory for this picture: use a smaller one", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("colorcheck: stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except OSError as e:  # the disk, a name or the terminal: never a fault of the program
        what = os.fsdecode(e.filename) if isinstance(e.filename, str | bytes | os.PathLike) else "the output"
        if len(what) > 60:
            what = f"{what[:60]}…"
        line = f"{what} cannot be read or written ({e.strerror or e}): check name, permissions and free space"
        print(f"colorcheck: {_one_line(line)}", file=sys.stderr)
        return 2


def run() -> None:
    """Entry point of the installed command."""
    # our matrices are small: a second thread of the linear algebra costs more than it brings (5.0 s for 2.1 s)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())


if __name__ == "__main__":
    run()
