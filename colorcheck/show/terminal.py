"""A result on the terminal: the answer first, then why, then a short table. And a quiet progress line."""

from __future__ import annotations

import shutil
import sys
import textwrap
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import TextIO

from ..ground.records import Reading, Reason
from . import words

_BOLD, _DIM, _END = "\x1b[1m", "\x1b[2m", "\x1b[0m"
_RANK = {"fail": 3, "undecided": 2, "note": 1, "pass": 0, "skipped": -1}
_FINDINGS = 5


@dataclass(frozen=True, slots=True)
class Answer:
    """What is printed of one result, as text: the answer, why, a table, findings, and what to do."""

    action: str
    headline: str
    why: str
    rows: Sequence[tuple[str, str, str, str]]
    findings: Sequence[str]
    todo: Sequence[str]
    photo_todo: Sequence[str]
    next: Sequence[str]
    cautions: Sequence[str]
    settle: Sequence[str]
    photo_notes: Sequence[str]


def print_reading(reading: Reading, stream: TextIO, *, color: bool = False, width: int | None = None) -> None:
    """Print what was found, the answer first.

    Parameters
    ----------
    reading : Reading
    stream : text stream
    color : bool
        Use bold and faint type by ANSI sequences. They never carry meaning alone.
    width : int, optional
        Columns to fill; that of the terminal, at most 100, when left out.
    """
    print_answer(_answer(reading), stream, color=color, width=width)


def print_answer(answer: Answer, stream: TextIO, *, color: bool = False, width: int | None = None) -> None:
    """Print a result; parameters as for `print_reading`."""
    columns = min(shutil.get_terminal_size((80, 24)).columns, 100) if width is None else width
    lines = answer_lines(answer, color=color, width=max(columns, 40))
    encoding = getattr(stream, "encoding", None) or "utf-8"
    text = "\n".join(lines) + "\n"
    stream.write(text.encode(encoding, "replace").decode(encoding))


def _answer(reading: Reading) -> Answer:
    v = reading.verdict
    retake = v.action == "retake-photo"
    open_ = () if retake else v.undecided
    return Answer(
        action=v.action,
        headline=words.headline(v),
        why=words.one_line_why(reading),
        rows=table_rows(reading),
        findings=[]
        if retake
        else [words.say_finding(f, reading) for f in (*reading.evenness.findings, *reading.prints.findings)],
        todo=words.repress_lines(reading) if v.action == "re-press" else [],
        photo_todo=words.next_photo_lines(reading) if retake else [],
        next=words.next_piece_lines(reading) if v.action != "re-press" else [],
        cautions=words.cautions(v.action),
        settle=list(dict.fromkeys(words.undecided_advice(m, reading) for m in open_)),
        photo_notes=[
            words.say_reason(r, reading) for r in v.reasons if words.is_photo_measure(r) and r.outcome == "note"
        ],
    )


def answer_lines(answer: Answer, *, color: bool, width: int) -> list[str]:
    """Make the lines that `print_answer` prints."""

    def bold(text: str) -> str:
        return f"{_BOLD}{text}{_END}" if color else text

    def faint(text: str) -> str:
        return f"{_DIM}{text}{_END}" if color else text

    out = [bold(line) for line in _wrap(_shout(answer.action, answer.headline), width)]
    out += [*_wrap(answer.why, width), "", *_table(answer.rows, width, faint)]
    if answer.findings:
        out.append("")
        for k, text in enumerate(answer.findings[:_FINDINGS], 1):
            out += _wrap(text, width, f"{k:2d}. ")
        if len(answer.findings) > _FINDINGS:
            out.append(f"    and {len(answer.findings) - _FINDINGS} more, see the report")

    def part(title: str, lines: Sequence[str], first: str = "  - ", lead: str = "  - ") -> None:
        nonlocal out
        if lines:
            out += ["", bold(title)] if title else [""]
            for k, line in enumerate(lines):
                out += _wrap(line, width, lead if k else first)

    part("Before you press again", answer.todo, "  ! ")
    part("For the next photo", answer.photo_todo)
    part("", answer.next)
    part("Take care", answer.cautions)
    part("", answer.settle, *["To settle what is open: "] * 2)
    part("", answer.photo_notes, *["Photo: "] * 2)
    return out


def _shout(action: str, text: str) -> str:
    """Capitals for the action alone, so that its condition stays readable."""
    word = words.action_word(action)
    return text.replace(word, word.upper(), 1)


def table_rows(reading: Reading) -> list[tuple[str, str, str, str]]:
    """Pick the worst measure of every question: (what, measured, limit, outcome)."""
    v = reading.verdict
    return [
        (words.short_name(r), words.measured_text(r), words.limit_text(r), words.outcome_text(r, v))
        for r in worst_of_each_question(v.reasons)
    ]


def worst_of_each_question(reasons: Sequence[Reason]) -> list[Reason]:
    """Take what failed or stayed open of every question, or the measure nearest its limit."""
    out: list[Reason] = []
    for name, _ in words.steps():
        here = [r for r in reasons if words.step_of(r) == name and r.outcome != "note"]
        if here:
            out += _pick(here)
    return out


def _pick(reasons: Sequence[Reason]) -> list[Reason]:
    """Take the failed and open measures, at most two; without any, the one nearest its limit."""
    loud = [r for r in reasons if r.outcome in ("fail", "undecided")]
    loud = sorted(loud, key=lambda r: -_RANK[r.outcome])[:2]
    if loud:
        return loud
    known = [r for r in reasons if r.outcome == "pass"] or list(reasons)
    return [max(known, key=lambda r: r.value / r.limit if r.limit > 0 else 0.0)]


def _table(rows: Sequence[tuple[str, str, str, str]], width: int, faint: object) -> list[str]:
    quiet = faint if callable(faint) else str
    head = ("", "measured", "limit", "")
    sizes = [max(len(r[k]) for r in [head, *rows]) for k in range(4)]
    sizes[0] = min(sizes[0], max(12, width - sum(sizes[1:]) - 8))
    out = [quiet(_row(head, sizes))]
    for r in rows:
        name = textwrap.wrap(r[0], sizes[0]) or [""]
        out.append(_row((name[0], *r[1:]), sizes))
        out += [f"  {more}" for more in name[1:]]
    return out


def _row(cells: tuple[str, ...], sizes: list[int]) -> str:
    return ("  " + "  ".join(c.ljust(n) for c, n in zip(cells, sizes, strict=True))).rstrip()


def _wrap(text: str, width: int, lead: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=lead,
        subsequent_indent=" " * min(len(lead), 8),
        break_long_words=False,
        break_on_hyphens=False,
    )


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
        self._after = after_s
        self._text = ""
        self._shown = False
        self._timer: threading.Timer | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> Progress:
        if self._on:
            self._timer = threading.Timer(self._after, self._appear)
            self._timer.daemon = True
            self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._lock:
            self._on = False
            if self._timer is not None:
                self._timer.cancel()
            if self._shown:
                self._write("\r\x1b[K")
                self._shown = False

    def __call__(self, text: str) -> None:
        """Say what is being done now."""
        with self._lock:
            self._text = text
            if self._on and self._shown:
                self._draw()

    def _appear(self) -> None:
        with self._lock:
            if self._on:
                self._shown = True
                self._draw()

    def _draw(self) -> None:
        room = shutil.get_terminal_size((80, 24)).columns - 2
        self._write(f"\r\x1b[K{self._text[:room]} …")

    def _write(self, text: str) -> None:
        try:
            self._stream.write(text)
            self._stream.flush()
        except (OSError, ValueError, UnicodeError):
            self._on = False
