"""One worker: a process that does one job after another, told by lines of JSON on its standard input.

In: ``{"kind", "params", "folder", "uid"}``. Out: ``{"event": "ready" | "progress" | "photo" | "done" | "error", ...}``.
The libraries are loaded before the first job comes, so that a photo does not wait for them. When the page goes
away, the input ends, and the worker ends with it at once: a job half done leaves nothing behind but its folder.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import sys
import threading
from pathlib import Path
from typing import Any, TextIO


def _listen(source: TextIO, jobs: queue.SimpleQueue[str]) -> None:
    """Take lines in; the end of the input is the end of this process, whatever it is doing."""
    for line in source:
        jobs.put(line)
    os._exit(0)


def _warm_up() -> None:
    """Load what every job needs."""
    from ..flows import inspect as inspection  # noqa: F401
    from ..flows import read as pipeline  # noqa: F401
    from ..shop import presslog  # noqa: F401
    from ..show import page, results  # noqa: F401


def _give_back() -> None:
    """Hand memory that the C library keeps for later back to the system: of a large photo some 90 MB."""
    import ctypes

    with contextlib.suppress(AttributeError, OSError):  # not the GNU C library
        ctypes.CDLL(None).malloc_trim(0)


def main() -> None:
    """Do jobs until the input ends."""
    out = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8", buffering=1)
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # a library that prints must not spoil the lines

    def tell(**event: Any) -> None:
        out.write(json.dumps(event, ensure_ascii=False) + "\n")

    jobs: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin, jobs), daemon=True).start()
    _warm_up()
    tell(event="ready")
    from ..ground.errors import ColorcheckError
    from .tasks import named, perform

    while True:
        _give_back()
        job = json.loads(jobs.get())
        try:
            perform(job["kind"], job["params"], Path(job["folder"]), tell)
            tell(event="done")
        except ColorcheckError as e:
            tell(event="error", says=named(job["params"], str(e)))
        except MemoryError:
            tell(event="error", says="not enough memory for this picture: use a smaller one")
        except Exception as e:
            import traceback

            traceback.print_exc()
            tell(event="error", says=f"something went wrong inside the program ({type(e).__name__}): please report it")


if __name__ == "__main__":
    main()
