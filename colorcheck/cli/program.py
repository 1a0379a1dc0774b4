"""One command line answered: what it says, and the exit code; every error becomes one line."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Sequence
from contextlib import nullcontext, suppress

from ..ground.errors import ColorcheckError, UsageError


def _one_line(text: str) -> str:
    """Cut an overlong line in its middle and take out signs that would steer the terminal."""
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return plain if len(plain) < 380 else f"{plain[:220]} … {plain[-150:]}"


def answer(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code: 0 done, 2 bad usage or input."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by who started us
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):  # a terminal may know few signs: show what it cannot as '?'
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        from ..ground.files import together
        from .parser import make_parser

        words = sys.argv[1:] if argv is None else argv
        if bad := next((w for w in words if re.fullmatch("--[a-z-]+=--", w)), None):
            raise UsageError(f"{bad} names nothing", "write a name behind the =")
        args, stray = make_parser().parse_known_args(argv)
        if stray:
            raise UsageError(f"{args.command} does not take {stray[0][:60]}", f"see 'colorcheck {args.command} --help'")
        with nullcontext() if args.command == "serve" else together():
            code = int(args.run(args))
        sys.stdout.flush()
        return code
    except ColorcheckError as e:
        print(f"colorcheck: {_one_line(str(e))}", file=sys.stderr)
        return 2
    except MemoryError:
        print("colorcheck: not enough memory for this picture: use a smaller one", file=sys.stderr)
        return 2
    except BrokenPipeError:
        with suppress(OSError, ValueError):  # or Python would complain of it at the end
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as e:  # the disk, a name or the terminal: never a fault of the program
        what = os.fsdecode(e.filename) if isinstance(e.filename, str | bytes | os.PathLike) else "the output"
        if len(what) > 60:
            what = f"{what[:60]}…"
        line = f"{what} cannot be read or written ({e.strerror or e}): check name, permissions and free space"
        print(f"colorcheck: {_one_line(line)}", file=sys.stderr)
        return 2
    except Exception as e:  # what a library says of a file that it cannot use
        if os.environ.get("COLORCHECK_TRACE"):
            raise
        line = f"this cannot be used ({type(e).__name__}: {e}): check the files, or set COLORCHECK_TRACE=1 to see more"
        print(f"colorcheck: {_one_line(line)}", file=sys.stderr)
        return 2
