"""The command `ladder`: plan a step test, read it back."""

from __future__ import annotations

import argparse
import math
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import DataError, FileError, UsageError
from .common import add_common, add_log, begin, finish

if TYPE_CHECKING:
    from ..ground.records import Floats
    from ..sheet.savedreading import SavedReading
    from ..shop.ladder import LadderPlan, Pressed, Settings


def add_ladder(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "ladder",
        help="step test: find the shortest pressing time that is enough",
        description="Plan a series of presses on small targets, then read their readings and find the best recipe.",
        epilog="example: colorcheck ladder plan steps --time 60..240s --temperature 200C --max-time 300s "
        "--max-temperature 205C, press, read each piece, then: colorcheck ladder read steps/plan.json A.json B.json …",
    )
    p.add_argument("what", choices=("plan", "read"), help="'plan OUTDIR' or 'read PLAN.json READING.json…'")
    p.add_argument("paths", metavar="PATH", nargs="+", help="OUTDIR; or PLAN.json and the readings")
    plan = p.add_argument_group("for 'plan'")
    plan.add_argument("--time", metavar="RANGE", help="times to try, such as 60..240s")
    plan.add_argument("--temperature", metavar="RANGE", help="190..205C, or one to hold: 200C (default: as always)")
    plan.add_argument("--pressure", metavar="LIST", help="light,medium,firm: those to try (default: as always)")
    plan.add_argument("--presses", type=int, default=6, help="how many pieces to press (default: 6)")
    plan.add_argument("--max-time", metavar="S", help="longest time the makers of blank, coat and paper allow")
    plan.add_argument("--max-temperature", metavar="TEMP", help="highest temperature they allow")
    plan.add_argument("--size", default="60x60mm", help="size of the pieces, such as offcuts (default: 60x60mm)")
    plan.add_argument("--shape", choices=("rect", "round"), default="rect")
    plan.add_argument("--view", choices=("front", "through"), default="front", help="as for 'target'")
    plan.add_argument("--name", default="ladder", help="name on the targets (default: ladder)")
    plan.add_argument("--seed", type=int, default=1, help="another number, another order and other targets")
    read = p.add_argument_group("for 'read'")
    read.add_argument(
        "--step", metavar="NAME", nargs="+", help="steps of the readings, in their order (default: printed code)"
    )
    read.add_argument(
        "--at",
        metavar="NAME=TIME[,TEMP][,PRESSURE]",
        nargs="+",
        action="extend",
        default=[],
        help="what was really set",
    )
    read.add_argument(
        "--yellow", metavar="NAME", nargs="+", help="steps whose coat looks yellower than an unpressed blank; or: none"
    )
    read.add_argument(
        "--within", metavar="PERCENT", type=float, default=3.0, help="this near the plateau is on it (default: 3)"
    )
    read.add_argument("--csv", metavar="FILE", help="write the presses as CSV")
    add_common(p)
    add_log(p, piece=False)
    p.set_defaults(run=_ladder)


def _ladder(args: argparse.Namespace) -> int:
    return _plan(args) if args.what == "plan" else _read(args)


# ---------------------------------------------------------------- plan


def _range(text: str, parse: Any, what: str, example: str) -> tuple[float, float]:
    """Read '60..240s'; the unit written at the end holds for both."""
    parts = re.split(r"\s*(?:\.\.+|…|–)\s*", text.strip())
    if len(parts) > 2 or not all(parts):
        raise UsageError(f"--{what} '{text[:40]}' is not a range", f"write {example}")
    if len(parts) == 2 and re.fullmatch(r"[0-9.,]+", parts[0]):
        unit = re.search(r"\s*°?\s*[A-Za-z]+$", parts[1])
        parts[0] += unit[0] if unit else ""
    return parse(parts[0]), parse(parts[-1])


def _plan(args: argparse.Namespace) -> int:
    for given, name in ((args.step, "--step"), (args.at, "--at"), (args.yellow, "--yellow"), (args.csv, "--csv")):
        if given:
            raise UsageError(f"{name} belongs to 'ladder read'", "leave it out when planning")
    if args.report:
        raise UsageError("--report belongs to 'ladder read'", "the plan comes with a run sheet, runsheet.html")
    if len(args.paths) != 1:
        raise UsageError("'ladder plan' takes one folder", "colorcheck ladder plan OUTDIR --time 60..240s …")
    if not args.time:
        raise UsageError("--time is missing", "write the times to try, such as --time 60..240s")
    if not args.max_time or not args.max_temperature:
        raise UsageError(
            "the makers' limits are missing",
            "look them up for blank, coat and paper, then add --max-time 300s --max-temperature 205C with your numbers",
        )
    from ..ground.units import parse_seconds, parse_size, parse_temperature

    time_s = _range(args.time, parse_seconds, "time", "60..240s")
    heat = _range(args.temperature, parse_temperature, "temperature", "190..205C") if args.temperature else None
    limits_s, limits_c = parse_seconds(args.max_time), parse_temperature(args.max_temperature)
    size = parse_size(args.size)
    pressures = [w.strip().lower() for w in (args.pressure or "").split(",") if w.strip()]
    plain = args.name.isprintable() and len(args.name) <= 40 and not args.name.startswith(".")
    if not args.name or not plain or Path(args.name).name != args.name:
        raise UsageError(f"'{args.name[:40]}' cannot be a file name", "use letters, digits and hyphens")
    if not 0 <= args.seed <= 20_000:
        raise UsageError("the seed must be a whole number from 0 to 20000")
    from ..ground.jsontext import write_json
    from ..ground.recipe import MakerLimits
    from ..sheet.draw import write_print_file, write_sheet
    from ..sheet.target import make_target, to_dict
    from ..shop.ladder import make_plan, plan_to_dict
    from ..show import answers
    from ..show.page import write_run_sheet

    plan = make_plan(
        time_s=time_s,
        limits=MakerLimits(limits_s, limits_c),
        presses=args.presses,
        temperature_c=heat,
        pressures=pressures,
        size_mm=size,
        shape=args.shape,
        view=args.view,
        name=args.name,
        seed=args.seed,
    )
    out = Path(args.paths[0])
    if any(q.exists() and not q.is_dir() for q in (out, *out.parents)):
        raise FileError(f"{out} is a file, or lies in one", "name a folder for the plan")
    made = (out / "plan.json", out / "runsheet.html")
    for f in made:
        if f.exists() and not args.overwrite:
            raise FileError(f"{f} exists and is kept", "choose another folder, or add --overwrite")
    begin(args, outputs=[], inputs=[str(f) for f in made])
    targets = [
        make_target(
            size_mm=size,
            shape=args.shape,
            patches="compact",
            view=args.view,
            seed=seed,
            name=f"{args.name}-{letter}",
        )
        for letter, seed in ((*((s.name, s.target_seed) for s in plan.steps), *plan.spares))
    ]
    files = [out / name for t in targets for name in (t.print_file, f"{t.name}.json")]
    if kept := next((f for f in [*files, out / f"{args.name}-A4.pdf"] if f.exists() and not args.overwrite), None):
        raise FileError(f"{kept} exists and is kept", "choose another folder or --name, or add --overwrite")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise FileError(f"the folder {out} cannot be made ({e.strerror})", "choose another place") from e
    for t in targets:
        write_print_file(t, out / t.print_file)
        write_json(out / f"{t.name}.json", to_dict(t))
    sheets = _pages(targets, out / f"{args.name}-A4", write_sheet)
    write_run_sheet(plan, out / "runsheet.html")
    data = plan_to_dict(plan)
    write_json(out / "plan.json", data)

    pages = sheets or [out / targets[0].print_file]
    return finish(args, lambda: data, lambda: answers.run_blocks(plan, out, pages))


def _pages(targets: Sequence[Any], stem: Path, write_sheet: Any) -> list[Path]:
    """Put the targets on as few A4 pages as they need; none when one alone is too large."""
    pages: list[Path] = []
    rest = list(targets)
    while rest:
        for count in range(len(rest), 0, -1):
            path = stem.with_name(f"{stem.name}{f'-{len(pages) + 1}' if pages or count < len(rest) else ''}.pdf")
            try:
                write_sheet(rest[:count], path)
            except UsageError:
                continue
            pages.append(path)
            rest = rest[count:]
            break
        else:
            return pages
    return pages


# ---------------------------------------------------------------- read


def _read(args: argparse.Namespace) -> int:
    for given, name in ((args.time, "--time"), (args.temperature, "--temperature"), (args.pressure, "--pressure")):
        if given:
            raise UsageError(f"{name} belongs to 'ladder plan'", "what was really set goes into --at A=92s,196C")
    for given, name in ((args.max_time, "--max-time"), (args.max_temperature, "--max-temperature")):
        if given:
            raise UsageError(f"{name} belongs to 'ladder plan'", "the makers' limits are in the plan")
    if len(args.paths) < 2:
        raise UsageError(
            "'ladder read' takes the plan and its readings", "colorcheck ladder read plan.json A.json B.json …"
        )
    if not 0.5 <= args.within <= 10:
        raise UsageError(f"--within {args.within:g} is out of range", "give 0.5 to 10 percent")
    begin(args, outputs=[args.csv], inputs=args.paths)
    from ..ground.files import refuse_same, write_text
    from ..sheet.savedreading import load_reading
    from ..shop.ladder import fit_ladder, load_plan
    from ..show import answers
    from ..show.resultfiles import ladder_csv, ladder_to_dict

    plan = load_plan(args.paths[0])
    refuse_same(args.paths[1:], "reading")
    readings = [load_reading(p) for p in args.paths[1:]]
    names = _match(plan, readings, args.step)
    pressed = _pressed(plan, readings, names, _really(args.at), args.yellow)
    fit = fit_ladder(pressed, limits=plan.limits, step_s=plan.step_s, within=args.within / 100)
    if args.csv:
        write_text(args.csv, ladder_csv(fit))

    def report() -> Path:
        from ..show.page import ladder_context, write_page

        return write_page(args.report, "ladder.html.j2", ladder_context(plan, fit), overwrite=args.overwrite)

    return finish(
        args,
        lambda: ladder_to_dict(plan, fit),
        lambda: answers.ladder_blocks(plan, fit),
        report=report,
    )


def _match(plan: LadderPlan, readings: Sequence[SavedReading], given: Sequence[str] | None) -> list[str]:
    """Tell which step each reading is: by name, by the printed code, by the file's name, or by order."""
    known = [s.name for s in plan.steps] + [n for n, _ in plan.spares]
    if given is not None:
        if len(given) != len(readings):
            raise UsageError(
                f"--step names {len(given)} steps for {len(readings)} readings", "name one for each, in order"
            )
        return list(given)
    seeds = {s.target_seed: s.name for s in plan.steps} | {k: n for n, k in plan.spares}
    by_code = [seeds.get(_seed(r), "") if r.target.size_mm == plan.size_mm else "" for r in readings]
    by_stem = [next((n for n in known if Path(r.path).stem in (n, f"{plan.name}-{n}")), "") for r in readings]
    by_name = [next((n for n in known if r.name in (n, f"{plan.name}-{n}")), "") for r in readings]
    for found in (by_code, by_name, by_stem):
        if all(found) and len(set(found)) == len(found):
            return found
    if all(by_code):
        twice = next(n for n in by_code if by_code.count(n) > 1)
        raise UsageError(
            f"two readings show the target of step {twice}", "leave one out, or say which is which with --step"
        )
    if len(readings) == len(plan.steps) and not any((*by_code, *by_stem, *by_name)):
        print("colorcheck: no reading names its step: taken in the order of the plan", file=sys.stderr)
        return [s.name for s in plan.steps]
    lost = next(r for r, a, b, c in zip(readings, by_code, by_name, by_stem, strict=True) if not (a or b or c))
    raise UsageError(f"{Path(lost.path).name} belongs to no step of this plan", "say which with --step, in order")


def _seed(r: SavedReading) -> int:
    found = re.search(r"[SFC][FT](\d+)$", r.target.code_text)
    return int(found[1]) if found else -1


def _really(given: Sequence[str]) -> dict[str, tuple[float, float | None, str]]:
    """Read --at: name → seconds, °C or None, pressure or ''."""
    from ..ground.units import parse_seconds, parse_temperature
    from ..shop.ladder import PRESSURES

    out: dict[str, tuple[float, float | None, str]] = {}
    for text in given:
        name, equal, rest = text.partition("=")
        words = [w.strip() for w in rest.split(",") if w.strip()]
        if not equal or not name.strip() or not 1 <= len(words) <= 3:
            raise UsageError(f"--at '{text[:40]}' is not understood", "write A=92s or A=92s,196C")
        heat: float | None = None
        pressure = ""
        for w in words[1:]:
            if w.lower() in PRESSURES:
                pressure = w.lower()
            else:
                heat = parse_temperature(w)
        out[name.strip()] = (parse_seconds(words[0]), heat, pressure)
    return out


def _pressed(
    plan: LadderPlan,
    readings: Sequence[SavedReading],
    names: Sequence[str],
    really: dict[str, tuple[float, float | None, str]],
    yellow: Sequence[str] | None,
) -> list[Pressed]:
    """Put together what came out of every step."""
    import numpy as np

    from ..faults.catalogue import PALE_OR_FAILED
    from ..shop.ladder import Pressed, common_density

    settings = {s.name: s.settings for s in plan.steps}
    if stray := [n for n in really if n not in names]:
        raise UsageError(f"--at names {stray[0]}, which has no reading", f"the steps read are {', '.join(names)}")
    eye = None if yellow is None else set() if [y.lower() for y in yellow] == ["none"] else set(yellow)
    if eye and (stray := sorted(eye - set(names))):
        raise UsageError(f"--yellow names {stray[0]}, which has no reading", f"the steps read are {', '.join(names)}")
    rgb = [r.target.device_rgb.astype(float) for r in readings]
    density = [np.column_stack([np.array([c.density for c in r.rows], float), _rgb_density(r.lab)]) for r in readings]
    usable = [r.usable & np.array([c.kind in ("colour", "control") for c in r.rows]) for r in readings]
    white = [_coat_b(r) for r in readings]
    greys = common_density(rgb, density, usable)
    dye = greys[:, 0]
    if not np.isfinite(dye).any():
        raise DataError("these readings have no colours in common", "read the targets that 'ladder plan' made")
    devices = {d for r in readings for d in r.devices[:1]} - {""}
    if len(devices) > 1:
        print(
            f"colorcheck: the photos come from {len(devices)} cameras: their dye differs by some 3 % for that alone",
            file=sys.stderr,
        )
    whole = all(math.isfinite(b) for b in white)
    out = []
    for k, (r, name) in enumerate(zip(readings, names, strict=True)):
        press = r.file.press
        faults = tuple(dict.fromkeys(f.kind for f in press.findings if f.kind in PALE_OR_FAILED))
        unfit = r.file.verdict.action == "retake-photo"
        out.append(
            Pressed(
                name=name,
                settings=_settings(name, settings, really),
                density=math.nan if unfit else float(dye[k]),
                rgb_density=None if unfit else (float(greys[k, 1]), float(greys[k, 2]), float(greys[k, 3])),
                density_u=(0.03 if len(devices) > 1 else 0.003) * float(np.nanmax(dye)),
                yellow_b=white[k] if whole else math.nan,
                scorch_b=_number(press.scorch_delta_b),
                edge_mm=_number(press.edge_width_mm),
                evenness=_number(press.evenness),
                black=_number(press.black_density),
                looked_yellow=None if eye is None else name in eye,
                faults=(("photo unfit",) if unfit else ()) + faults,
                source=Path(r.path).name,
            )
        )
    return out


def _rgb_density(lab: Floats) -> Floats:
    """Density of CIELAB colours (n, 3) in red, green and blue light (sRGB), relative to the coat; NaN beyond that."""
    import numpy as np

    from ..ground.cielab import density_from_y, lab_to_xyz, xyz_to_linear_srgb

    light = xyz_to_linear_srgb(lab_to_xyz(lab))
    return density_from_y(np.where(light > 0, light, np.nan), 1.0)


def _settings(name: str, planned: dict[str, Settings], really: dict[str, tuple[float, float | None, str]]) -> Settings:
    from ..shop.ladder import Settings as Made

    plan = planned.get(name)
    if name in really:
        time_s, heat, pressure = really[name]
        like = plan or next(iter(planned.values()))
        several = len({(s.temperature_c, s.pressure) for s in planned.values()}) > 1
        if plan is None and several and (heat is None and like.temperature_c is not None):
            raise UsageError(f"step {name} is not in the plan", f"write its temperature too: --at {name}=150s,200C")
        return Made(time_s, heat if heat is not None else like.temperature_c, pressure or like.pressure)
    if plan is None:
        raise UsageError(f"step {name} is not in the plan", f"say what was set: --at {name}=150s,200C")
    return plan


def _number(value: float | None) -> float:
    return math.nan if value is None or abs(value) >= 1e4 else value


def _coat_b(r: SavedReading) -> float:
    """Absolute b* of the bare coat, NaN unless the reading is absolute."""
    import numpy as np

    white = [c.lab_absolute[2] for c in r.rows if c.kind == "white" and c.lab_absolute]
    return float(np.median(white)) if r.absolute and len(white) >= 3 else math.nan
