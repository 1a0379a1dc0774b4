"""The program: one command line in, one exit code out.

Everything is imported inside ``main``, so that an interruption during the start is answered like any other.
"""

from __future__ import annotations

import os
import sys

if False:  # for the type checker: importing these would open the gap that ``main`` closes
    from collections.abc import Sequence
    from types import FrameType


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code: 0 done, 2 bad usage or input, 130 interrupted."""
    try:
        from .cli.program import answer

        return answer(argv)
    except KeyboardInterrupt:
        print("colorcheck: stopped", file=sys.stderr)
        return 130


def _stop(number: int, _frame: FrameType | None) -> None:
    """End as on any error, so that no half-written file is left."""
    raise SystemExit(128 + number)


def _listen() -> None:
    """Answer the signals that end a program by ending as on any error."""
    import signal

    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, _stop)


def run() -> None:
    """Entry point of the installed command."""
    # our matrices are small: a second thread of the linear algebra costs more than it brings (5.0 s for 2.1 s), and it
    # adds up in another order, so that the last digits would depend on the machine
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    try:
        _listen()
        code = main()
    except KeyboardInterrupt:
        code = 130
    sys.exit(code)


if __name__ == "__main__":
    run()
