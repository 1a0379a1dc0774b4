"""Results on a terminal: the answer first. `rich` lays out, wraps and colours; a pipe gets the same text, plain."""

from __future__ import annotations

import io
import re
import shutil
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, TextIO

_TAIL = re.compile(r"(?: |\x1b\[[\d;]*m)+$", re.M)  # blanks that fill a line, and codes among them
_LOOK = {"fails": "red", "open": "yellow", "ok": "green"}  # beside the word, never instead of it


@dataclass(frozen=True, slots=True)
class Heading:
    """A line in bold type."""

    text: str


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under their headings, for screen and page alike.

    Parameters
    ----------
    head : sequence of str
        One for each column, '' for none.
    rows : sequence of sequence of str
        The first cell names its row.
    numbers : str
        For each column 'n' when it holds numbers, else anything; left out: text, then numbers.
    """

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: str = ""


@dataclass(frozen=True, slots=True)
class Items:
    """A list under a title: ``mark`` before every item (``first`` before the first), or '1' to number them."""

    lines: Sequence[str]
    title: str = ""
    mark: str = "-"
    first: str = ""
    more: str = ""  # what was left out


Block = str | Heading | Table | Items


def show(stream: TextIO, blocks: Sequence[Block], *, color: bool = False, width: int | None = None) -> None:
    """Print blocks, one under another, with a free line before every table and list.

    Parameters
    ----------
    stream : text stream
    blocks : sequence of str, Heading, Table or Items
        Empty ones are left out.
    color : bool
        Use bold type and colour by ANSI sequences. They never carry meaning alone.
    width : int, optional
        Columns to fill; that of the terminal, at most 100, when left out.
    """
    from rich.console import Console

    columns = min(shutil.get_terminal_size((80, 24)).columns, 100) if width is None else width
    page = io.StringIO()
    console = Console(
        file=page,
        width=max(columns, 40),
        force_terminal=color,
        color_system="standard" if color else None,
        no_color=not color,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
        _environ={},
    )
    shown = [b for b in blocks if b and not (isinstance(b, Items) and not b.lines)]
    for k, block in enumerate(shown):
        if k and not isinstance(block, str | Heading):
            console.print()
        _print(console, block)
        if isinstance(block, Table | Items) and k + 1 < len(shown) and isinstance(shown[k + 1], str | Heading):
            console.print()
    encoding = getattr(stream, "encoding", None) or "utf-8"
    text = _TAIL.sub(lambda m: m[0].replace(" ", ""), page.getvalue())
    stream.write(text.encode(encoding, "replace").decode(encoding))


def _print(console: Any, block: Block) -> None:
    from rich.text import Text

    if isinstance(block, str):
        longest = max(map(len, block.split()), default=0)  # a long path stays whole, to be copied
        console.print(Text(block), overflow="ignore" if longest > console.width else None, crop=False)
    elif isinstance(block, Heading):
        console.print(Text(block.text, "bold"))
    elif isinstance(block, Items):
        if block.title:
            console.print(Text(block.title, "bold"))
        for k, line in enumerate(block.lines, 1):
            lead = f"{k:2d}. " if block.mark == "1" else f"  {block.first if k == 1 and block.first else block.mark} "
            _hang(console, lead, line)
        if block.more:
            _hang(console, "    ", block.more)
    else:
        _table(console, block)


def _hang(console: Any, lead: str, text: str) -> None:
    """Print a paragraph that hangs behind its lead."""
    from rich.table import Table as Grid
    from rich.text import Text

    grid = Grid.grid()
    grid.add_column(width=len(lead), no_wrap=True)
    grid.add_column()
    grid.add_row(Text(lead, end=""), Text(text))
    console.print(grid)


def _table(console: Any, table: Table) -> None:
    """Print columns; where they do not fit, each row becomes a paragraph of 'heading value'."""
    from rich.table import Table as Columns
    from rich.text import Text

    kinds = table.numbers or "." + "n" * (len(table.head) - 1)
    grid = Columns(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim", show_edge=False)
    grid.add_column(no_wrap=True)
    room = 0
    for k, (name, kind) in enumerate(zip(table.head, kinds, strict=True)):
        longest = max(len(text) for text in (name, *(row[k] for row in table.rows)))
        least = min(longest, 14) if kind == "." else longest
        room += least + 2
        side: Any = "right" if kind == "n" else "left"
        grid.add_column(Text(name), justify=side, no_wrap=kind != ".", min_width=least, overflow="fold")
    for row in table.rows:
        grid.add_row("", *(Text(cell, _LOOK.get(cell, "")) for cell in row))
    if room <= console.width:
        console.print(grid)
        return
    for name, *cells in table.rows:
        told = [f"{h}: {c}" for h, c in zip(table.head[1:], cells, strict=True) if c and c != "–"]
        _hang(console, "  ", f"{name} – {'; '.join(told)}")


class Progress:
    """One line on the error stream that says what is being done; it appears only when it takes long.

    Call it with a few words; leave the ``with`` block to wipe the line. On anything but a
    terminal nothing is written.

    Parameters
    ----------
    stream : text stream, optional
        ``sys.stderr`` when left out.
    after_s : float
        Seconds of silence at the start.
    """

    def __init__(self, stream: TextIO | None = None, *, after_s: float = 1.0) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._on = bool(getattr(self._stream, "isatty", lambda: False)())
        self._text = ""
        self._line: Any = None
        self._lock = threading.Lock()
        self._timer = threading.Timer(after_s, self._appear)
        self._timer.daemon = True

    def __enter__(self) -> Progress:
        if self._on:
            self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        with self._lock, suppress(OSError, ValueError):
            self._on = False
            if self._line is not None:
                self._line.stop()

    def __call__(self, text: str) -> None:
        """Say what is being done now."""
        with self._lock, suppress(OSError, ValueError):
            self._text = text
            if self._line is not None:
                self._line.update(self._said())

    def _said(self) -> Any:
        from rich.text import Text

        return Text(f"{self._text} …", no_wrap=True, overflow="ellipsis")

    def _appear(self) -> None:
        from rich.console import Console

        with self._lock, suppress(OSError, ValueError):
            if self._on:
                self._line = Console(file=self._stream).status(self._said(), spinner="line")
                self._line.start()
