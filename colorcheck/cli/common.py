"""What the commands of the command line share: options, and the care for files that exist."""

from __future__ import annotations

import argparse
import math
import os
import re
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from ..ground.errors import ColorcheckError, FileError, UsageError

if TYPE_CHECKING:
    from ..flows.requests import Pressing
    from ..show.screen import Block

T = TypeVar("T")


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        """Raise instead of printing the whole usage."""
        last = " (a --log without a file name comes last)" if "--log" in self._option_string_actions else ""
        if not message.startswith("the following arguments are required"):
            last = ""
        raise UsageError(message, f"see '{self.prog} --help'{last}")


def add_common(p: argparse.ArgumentParser, *, report: bool = True) -> None:
    """Options that every measuring command takes."""
    p.add_argument("--json", metavar="FILE", help="write the full result as JSON ('-' for the screen)")
    if report:
        p.add_argument("--report", metavar="DIR", help="write report.html with the pictures into this folder")
    p.add_argument("--overwrite", action="store_true", help="replace files that exist")
    p.add_argument("--quiet", action="store_true", help="print nothing on the screen")


def add_piece(p: Any, size: str | None = None, *, needed: bool = True, view: str = "") -> None:
    """Add size, shape and view of a piece; without a usual size it must be told where it is needed."""
    usual = f" (default: {size})" if size else "" if needed else "; a job list tells it itself"
    must = needed and size is None
    p.add_argument("--size", default=size, required=must, help=f"size of the piece, mm, cm or in{usual}")
    p.add_argument("--shape", choices=("rect", "round"), default="rect")
    told = "'front': you look straight at the coat (printed mirrored); 'through': through the glass"
    p.add_argument("--view", choices=("front", "through"), default="front", help=view or told)


def add_lit(p: Any) -> None:
    """Add from where the piece is lit."""
    p.add_argument(
        "--lit",
        choices=("front", "behind"),
        default="front",
        help="'behind': it hangs in a window or stands before a lamp, paper off (default: front)",
    )


def add_judging(p: argparse.ArgumentParser) -> None:
    """Add what every judgement of a pressed piece asks and gives."""
    p.add_argument(
        "--paper", choices=("on", "off"), default="on", help="is the paper still taped on and unmoved? (default: on)"
    )
    p.add_argument("--limits", metavar="FILE.toml", help="your own limits instead of the shipped ones")
    add_heat(p)
    add_common(p)
    add_log(p, heat=True)


def add_heat(p: argparse.ArgumentParser) -> None:
    """Add what the heat model wants to know for the re-press advice."""
    g = p.add_argument_group("pressing again")
    g.add_argument("--recipe", metavar="TEXT", help="how it was pressed, such as '200C 180s medium, heated back'")
    g.add_argument("--glass-mm", metavar="MM", help="thickness of the glass, 2 to 12 mm")
    g.add_argument("--press", metavar="N", help="which pressing of this piece: 1, after a re-press 2")
    g.add_argument("--max-temperature", metavar="TEMP", help="highest temperature the makers allow, C or F")
    g.add_argument("--max-seconds", metavar="S", help="longest time the makers allow")
    g.add_argument("--piece-temp", metavar="TEMP", help="how warm the piece is now (default: as the room)")
    g.add_argument("--warm-up", metavar="S", help="time until dye begins to go over, from 'ladder read' on this press")


_LOG_OPTIONS = ("piece", "blank", "recipe", "lay", "press", "cost", "note")
_HEAT_OPTIONS = ("recipe", "press")  # count without a log as well where the command asks `add_heat`


def add_log(p: argparse.ArgumentParser, *, piece: bool = True, heat: bool = False) -> None:
    """Add ``--log`` and what it records beside the result.

    Parameters
    ----------
    p : ArgumentParser
    piece : bool
        The result is about one piece, which then has a name, a blank, a recipe … in the log; else only a note.
    heat : bool
        The command has the options of `add_heat`; recipe and pressing are among them.
    """
    p.set_defaults(log_piece=piece)
    g = p.add_argument_group("press log")
    g.add_argument(
        "--log",
        metavar="FILE",
        nargs="?",
        const="",
        help="record the result: in your data folder, or in this file or postgresql:// URL",
    )
    if not piece:
        g.add_argument("--note", metavar="TEXT", help="anything to remember")
        return
    g.add_argument("--piece", metavar="NAME", help="which piece this is")
    g.add_argument("--blank", metavar="NAME/LOT", help="which blank it was, and its lot")
    if not heat:
        g.add_argument("--recipe", metavar="TEXT", help="how it was pressed, such as '200C 180s medium, heated back'")
        g.add_argument("--press", metavar="N", help="which pressing of this piece: 1, after a re-press 2")
    g.add_argument("--lay", metavar="TEXT", help="how it lay in the press, such as 'centre turn=90 face=down'")
    g.add_argument("--cost", metavar="AMOUNT", help="what it cost, such as 4.20 or 'blank 3.50; ink 0.40 EUR'")
    g.add_argument("--note", metavar="TEXT", help="anything to remember")


def check_log(args: argparse.Namespace) -> None:
    """Refuse what could not be recorded, before the slow work and without loading a database.

    Raises
    ------
    UsageError
        A recipe, cost … that is not understood, or one without ``--log``.
    FileError, DataError
        The log cannot lie there.
    """
    given = [name for name in _LOG_OPTIONS if _said(args, name) is not None]
    if args.log is None:
        given = [name for name in given if name not in _HEAT_OPTIONS or not hasattr(args, "glass_mm")]
        if given:
            raise UsageError(f"--{given[0]} is for the press log", "add --log as well")
        return
    from ..shop.presslog_records import look_at_place, place_of

    log_notes(args)
    place = place_of(args.log)
    results = [getattr(args, name, None) for name in ("json", "out", "csv", "values", "proof", "curves")]
    if any(r and r != "-" and os.path.realpath(r) == os.path.realpath(place) for r in results):
        raise UsageError(f"{place} cannot be the press log and a result", "give each its own name")
    look_at_place(place)


def _said(args: argparse.Namespace, name: str) -> str | None:
    """Give an option of the press log; an option of that name that means something else is none."""
    if name != "note" and not args.log_piece:
        return None
    said: str | None = getattr(args, name)
    return said


def log_notes(args: argparse.Namespace) -> dict[str, Any]:
    """Read the options of the press log, as fields of an entry."""
    if not args.log_piece:
        return {"note": args.note or ""}
    from ..ground.recipe import parse_recipe
    from ..shop.presslog_records import parse_blank, parse_costs, parse_lay

    blank, lot = parse_blank(args.blank) if args.blank is not None else ("", "")
    recipe = parse_recipe(args.recipe) if args.recipe is not None else None
    lay = parse_lay(args.lay) if args.lay is not None else None
    if lay is not None and not lay.face and not (recipe is not None and recipe.heated_face):
        raise UsageError("--lay does not say which way the picture faced", "add face=up or face=down")
    return {
        "piece": args.piece or "",
        "blank": blank,
        "lot": lot,
        "recipe": recipe,
        "lay": lay,
        "costs": parse_costs(args.cost) if args.cost is not None else (),
        "press_no": _press_no(args.press),
        "note": args.note or "",
    }


def _press_no(typed: str | None) -> int | None:
    """Read which pressing it was; None when it was not told."""
    if typed is None:
        return None
    if not re.fullmatch(r"[1-9][0-9]?", typed):
        raise UsageError(f"--press {typed[:20]} is no count", "write 1, or 2 after a re-press")
    return int(typed)


def record(
    args: argparse.Namespace, kind: str, data: dict[str, Any] | None, *, photos: Sequence[str | Path] = ()
) -> None:
    """Record a result in the press log when ``--log`` asks for it; the last thing a command does.

    Parameters
    ----------
    args : Namespace
        Of a command with `add_log`.
    kind : str
        The command.
    data : dict or None
        Its result as JSON; None only without ``--log``.
    photos : sequence of path
        Photos that the result does not tell by their SHA-256 itself.

    Raises
    ------
    FileError
        It could not be recorded; the result is written already.
    """
    if args.log is None or data is None:
        return
    from ..ground.files import settle
    from ..shop.presslog import open_log
    from ..shop.presslog_records import NewEntry, photo_of

    settle()
    try:
        seen = tuple(photo_of(p) for p in photos)
        with open_log(args.log or None) as log:
            uid = log.record(NewEntry(kind, data, photos=seen, **log_notes(args)))
            where = log.name
    except ColorcheckError as e:
        kept = next((p for p in (args.json, getattr(args, "report", None)) if p and p != "-"), None)
        place = f"the result is in {kept}" if kept else "the result stands"
        raise FileError(f"{place}, but is not recorded ({e})") from e
    tell(args, lambda: [_recorded(uid[:8], where)])


def _recorded(uid: str, where: str) -> str:
    from ..show.say import say

    return say("recorded", uid, where)


def keep_existing(path: str | Path | None, overwrite: bool) -> None:
    """Refuse to write over a file that holds something, before the slow work starts.

    Raises
    ------
    FileError
        It exists, or its folder does not.
    """
    if path is None or str(path) == "-":
        return
    p = Path(path)
    if len(os.fsencode(p.name)) > 200:
        raise FileError(f"{p.name[:40]}… is too long for a file name", "choose a shorter one")
    if p.is_dir():
        raise FileError(f"{p} is a folder", "name a file, such as result.json")
    if p.exists() and not p.is_file():
        raise FileError(f"{p} is no ordinary file", "name a file, or '-' for the screen where the help says so")
    if p.exists() and p.stat().st_size > 0:
        if not overwrite:
            raise FileError(f"{p} exists and is kept", "choose another name, or add --overwrite")
        _keep_log(p)
    if not p.parent.is_dir():
        raise FileError(f"there is no folder {p.parent}", "make it first, or choose another place")
    if not os.access(p.parent, os.W_OK):
        raise FileError(f"the folder {p.parent} cannot be written", "choose another place")


def _keep_log(p: Path) -> None:
    """Refuse to write a result over a press log, whatever --overwrite says."""
    from ..ground.files import SQLITE_HEADER

    with suppress(OSError), p.open("rb") as f:
        if f.read(len(SQLITE_HEADER)) == SQLITE_HEADER:
            raise FileError(f"{p} is a press log and is kept", "choose another name for the result")


def keep_outputs(outputs: Sequence[str | None], inputs: Sequence[str | None], overwrite: bool) -> None:
    """Refuse before the slow work what would lose something: see `keep_existing` and `keep_inputs`.

    Parameters
    ----------
    outputs, inputs : sequence of str or None
        Files that would be written and read; None for those not asked for.
    overwrite : bool

    Raises
    ------
    UsageError
        Two results in one file, or a result over what is read.
    FileError
        It exists, or its folder does not.
    """
    named = [o for o in outputs if o is not None]
    for output in named:
        keep_existing(output, overwrite)
        keep_inputs(output, inputs)
    places = [os.path.realpath(o) for o in named if o != "-"]
    if len(set(places)) < len(places):
        raise UsageError("two results would go into the same file", "give each its own name")


def keep_inputs(output: str | None, inputs: Sequence[str | None]) -> None:
    """Refuse to write the result over a file that is read, whatever --overwrite says."""
    if output is None or output == "-" or not Path(output).exists():
        return
    for name in inputs:
        if name and Path(name).exists() and Path(name).samefile(output):
            raise UsageError(f"{output} is read and cannot be the result as well", "choose another name for the result")


def keep_report(folder: str | None, overwrite: bool) -> None:
    """Refuse a report folder that holds a report, or is a file."""
    if folder is None:
        return
    p = Path(folder)
    if len(os.fsencode(p.name)) > 200:
        raise FileError(f"{p.name[:40]}… is too long for a folder name", "choose a shorter one")
    if any(q.exists() and not q.is_dir() for q in (p, *p.parents)):
        raise FileError(f"{p} is a file, or lies in one", "name a folder for the report")
    there = next((q for q in (p, *p.parents) if q.exists()), p)
    if not os.access(there, os.W_OK):
        raise FileError(f"the folder {there} cannot be written", "choose another place")
    if (p / "report.html").exists() and not overwrite:
        raise FileError(f"{p / 'report.html'} exists and is kept", "choose another folder, or add --overwrite")


def begin(args: argparse.Namespace, *, outputs: Sequence[str | None], inputs: Sequence[str | None]) -> None:
    """Refuse before the slow work what could not be written or recorded, or would lose something.

    Parameters
    ----------
    args : Namespace
    outputs, inputs : sequence of str or None
        Files written beside ``--json`` and ``--report``, and those that are read; None for those not asked for.

    Raises
    ------
    UsageError, FileError, DataError
        See `check_log`, `keep_outputs` and `keep_report`.
    """
    if _records(args):
        check_log(args)
    keep_outputs([args.json, *outputs], inputs, args.overwrite)
    if getattr(args, "csv", None) == "-":
        raise UsageError("--csv needs a file", "use --json - for the screen")
    keep_report(getattr(args, "report", None), args.overwrite)


def _records(args: argparse.Namespace) -> bool:
    """Whether ``--log`` of this command records its result."""
    return hasattr(args, "log_piece")


def finish(
    args: argparse.Namespace,
    data: Callable[[], dict[str, Any]],
    said: Callable[[], Sequence[Block]],
    *,
    page: tuple[Any, ...] = (),
    photos: Sequence[str | Path] = (),
) -> int:
    """Close a command: the result as JSON, the report, the screen, the press log, each where it was asked for.

    Parameters
    ----------
    args : Namespace
    data : callable
        Gives the result as JSON; called at most once.
    said : callable
        Gives what the screen shows of it.
    page : tuple, optional
        What the report shows: its name and what it is about, see `write_report`.
    photos : sequence of path
        As for `record`.

    Returns
    -------
    int
        The exit code.
    """
    logged = _records(args) and args.log is not None
    told = data() if args.json or logged else None
    if told is not None:
        write_result(args, told)
    path = None
    if page and args.report:
        from ..show.page import write_report

        path = write_report(args.report, *page, overwrite=args.overwrite)
    tell(args, said, path)
    if logged:
        record(args, args.command, told, photos=photos)
    return 0


def write_result(args: argparse.Namespace, data: dict[str, Any]) -> None:
    """Write the JSON where it was asked for."""
    if args.json == "-":
        from ..ground.jsontext import to_text

        sys.stdout.write(to_text(data))
    elif args.json:
        from ..ground.jsontext import write_json

        write_json(args.json, data)


def tell(args: argparse.Namespace, blocks: Callable[[], Sequence[Block]], report: Path | None = None) -> None:
    """Show a result on the screen, unless that was not asked for; the last line names the report."""
    if args.quiet or args.json == "-":
        return
    from ..show.say import say
    from ..show.screen import show

    written = [] if report is None else [say("report_at", report)]
    show(sys.stdout, [*blocks(), *written], color=use_color())


def filled(kind: type[T], args: argparse.Namespace, **own: Any) -> T:
    """Make a request: what is not given here comes from the option of its name."""
    asked = {f.name: own[f.name] if f.name in own else getattr(args, f.name) for f in fields(kind)}  # type: ignore[arg-type]
    return kind(**{k: tuple(v) if isinstance(v, list) else v for k, v in asked.items()})


def ask(flow: Callable[..., T], request: Any) -> T:
    """Run a flow, and say what it is doing when that takes long."""
    from ..show.screen import Progress

    with Progress(sys.stderr) as progress:
        return flow(request, progress=progress)


def write_into(folder: str | Path, names: Sequence[str], overwrite: bool, what: str) -> list[Path]:
    """Give the paths of new files in a folder, which is made; refuse those that exist.

    Raises
    ------
    FileError
        The folder cannot be, or holds one of them.
    """
    from ..ground.files import made_folder

    out = Path(folder)
    if kept := next((out / name for name in names if (out / name).exists() and not overwrite), None):
        raise FileError(f"{kept} exists and is kept", "choose another folder or --name, or add --overwrite")
    return [made_folder(out, what) / name for name in names]


def reuse_memory() -> None:
    """Have the C library keep what is freed for the next array, where it is glibc.

    Large arrays come and go; as a rule each is handed back to the system at once, and the next one pays for every
    page again when it is first touched (`man mallopt`). Saves a tenth of the time of `inspect`.
    """
    import ctypes

    trim_threshold, top_pad, mmap_threshold = -1, -2, -3  # M_… of malloc.h
    with suppress(OSError, AttributeError, TypeError):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(mmap_threshold, 1 << 30)
        mallopt(trim_threshold, 1 << 30)
        mallopt(top_pad, 1 << 26)


def use_color() -> bool:
    """Colour only on a terminal that has it (NO_COLOR and dumb terminals are honoured)."""
    return sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def pressing_of(args: argparse.Namespace) -> Pressing:
    """Read what `add_heat` asks; UsageError where it cannot be, or contradicts itself."""
    from ..flows.requests import Pressing
    from ..ground.recipe import MakerLimits, Recipe, parse_recipe
    from ..ground.units import parse_length, parse_seconds, parse_temperature

    def told(typed: str | None, parse: Callable[[str], float]) -> float | None:
        return None if typed is None else parse(typed)

    hottest, longest = told(args.max_temperature, parse_temperature), told(args.max_seconds, parse_seconds)
    return Pressing(
        recipe=Recipe() if args.recipe is None else parse_recipe(args.recipe),
        limits=MakerLimits(
            math.inf if longest is None else longest,
            math.inf if hottest is None else hottest,
        ),
        glass_mm=told(args.glass_mm, parse_length),
        piece_c=told(args.piece_temp, parse_temperature),
        press_no=_press_no(args.press) or 1,
        warm_up_s=told(args.warm_up, parse_seconds),
    )
