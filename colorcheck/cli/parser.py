"""Every command and its options; what a command does is imported when it runs, so that help is quick."""

from __future__ import annotations

import argparse

from .. import __version__
from .batch import add_batch
from .bench import add_bench
from .camera import add_camera
from .common import Parser
from .compare import add_compare
from .health import add_health
from .inspect import add_inspect
from .ladder import add_ladder
from .log import add_log_command
from .prepare import add_prepare
from .profile import add_profile
from .read import add_read
from .repeat import add_repeat
from .serve import add_serve
from .target import add_target

_COMMANDS = (
    add_target,
    add_read,
    add_inspect,
    add_batch,
    add_camera,
    add_repeat,
    add_bench,
    add_compare,
    add_ladder,
    add_health,
    add_profile,
    add_prepare,
    add_log_command,
    add_serve,
)


def make_parser() -> argparse.ArgumentParser:
    """Parser of the whole command line."""
    p = Parser(
        prog="colorcheck",
        description="Print a test target, press it, photograph it: colour, evenness, and what to do next.",
    )
    p.add_argument("--version", action="version", version=f"colorcheck {__version__}")
    sub = p.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)
    for add in _COMMANDS:
        add(sub)
    return p
