"""`colorcheck serve`: the page for the bench computer and the phone beside it."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from ..ground.errors import ColorcheckError, UsageError


def add_serve(sub: Any) -> None:
    """Add the command and its options."""
    p = sub.add_parser(
        "serve",
        help="open the page on this computer, and with --lan on the phone: photograph, upload, answer",
        description="Open a local page that does the work of the other commands. It needs no internet.",
        epilog="example: colorcheck serve --lan",
    )
    p.add_argument("--port", type=int, default=8765, help="default: 8765")
    p.add_argument("--lan", action="store_true", help="let phones in the same network in, by a code shown here")
    p.add_argument("--data", metavar="DIR", help="where results and settings lie (default: your data folder)")
    p.add_argument("--log", metavar="FILE|URL", help="press log to write into (default: the one in your data folder)")
    p.add_argument("--workers", type=int, default=0, help="photos worked on at once (default: one for each two cores)")
    p.add_argument("--max-upload", type=int, default=160, metavar="MB", help="largest upload (default: 160)")
    p.add_argument("--quiet", action="store_true", help="print nothing on the screen")
    p.set_defaults(run=_serve)


def data_folder(given: str | None) -> Path:
    """Folder for results and settings: as given, or the user's data folder."""
    if given:
        return Path(given)
    import platformdirs

    return Path(platformdirs.user_data_dir("colorcheck", appauthor=False)) / "page"


def _serve(args: argparse.Namespace) -> int:
    if not 1 <= args.port <= 65535:
        raise UsageError(f"{args.port} is no port", "choose one from 1024 to 65535")
    if not 1 <= args.max_upload <= 4000:
        raise UsageError(f"{args.max_upload} MB is no sensible limit", "choose 1 to 4000")
    if not 0 <= args.workers <= 64:
        raise UsageError(f"{args.workers} workers cannot be", "choose 1 to 64")
    from ..shop.presslog_records import look_at_place, place_of

    look_at_place(place_of(args.log))
    from ..web.access import CODE, CODE_BYTES, Access, address
    from ..web.app import make_app
    from ..web.datafolder import Store
    from ..web.joblog import Journal
    from ..web.server import make_server

    store = Store(data_folder(args.data))
    store.lock()
    journal = Journal(args.log)
    journal.log()  # what is wrong with it is said at once
    workers = args.workers or max(1, min(4, (os.cpu_count() or 2)))
    lan = _own_address() if args.lan else ""
    access = Access(
        code=store.secret(CODE, CODE_BYTES).hex() if args.lan else "",
        secret=store.secret("forms", 32),
        hosts=frozenset({"127.0.0.1", "localhost", "::1", *([lan] if lan else [])}),
    )
    url = address(lan, args.port, access.code) if lan else ""
    app = make_app(store, journal, access=access, workers=workers, max_bytes=args.max_upload * 1_000_000, url=url)
    host = "0.0.0.0" if args.lan else "127.0.0.1"
    server = make_server(app, host, args.port)
    _check_port(host, args.port)
    if not args.quiet:
        print(f"The page is at http://localhost:{args.port}/  (stop it with Ctrl+C)")
        if url:
            _show_code(url, access.short)
        sys.stdout.flush()
    server.run()
    return 0


def _own_address() -> str:
    """Address of this computer in its network; no packet is sent for it."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737: only the way out is looked up
            return str(probe.getsockname()[0])
        except OSError as e:
            raise ColorcheckError("this computer is in no network", "connect it, or leave out --lan") from e


def _check_port(host: str, port: int) -> None:
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as e:
            raise UsageError(f"port {port} cannot be used ({e.strerror})", "choose another with --port") from e


def _show_code(url: str, short: str) -> None:
    import segno

    print("Point the phone's camera at this code (same network):\n")
    segno.make(url, error="m").terminal(compact=True)
    print(f"\nor open {url.split('/in/', maxsplit=1)[0]} on the phone and type {short}")
