"""What a worker of a batch does: one photo in, its lines and small pictures out; no error of a photo leaves here."""

from __future__ import annotations

import multiprocessing
import os
import signal
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ..ground.errors import ColorcheckError
from ..ground.files import read_bytes
from .batchline import Told, refused
from .pieces import Candidates, JudgedPhoto, judge_photo
from .requests import InspectRequest

MOST_BYTES = 300_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """What holds for all photos of a batch.

    ``tell`` turns a judged photo into lines; ``files`` are the artworks themselves, for workers on other machines.
    """

    request: InspectRequest
    candidates: Candidates
    tell: Callable[[JudgedPhoto], Told]
    files: tuple[bytes, ...] = ()


def with_files(setup: Setup) -> Setup:
    """Put the artworks themselves into a setup."""
    return replace(setup, files=tuple(read_bytes(j.artwork, most=MOST_BYTES) for j in setup.candidates.jobs))


def work(setup: Setup, path: str, sha256: str) -> Told:
    """Judge one photo; whatever is wrong with it becomes its line."""
    name = os.fsencode(Path(path).name).decode("utf-8", "replace")
    try:
        photo = judge_photo(path, setup.request, setup.candidates)
        if photo.sha256 != sha256:
            return Told((refused(name, sha256, f"{name} changed while it was judged: start again when it is whole"),))
        return setup.tell(photo)
    except ColorcheckError as e:
        why = e.message
    except MemoryError:
        why = f"not enough memory for {name}: use a smaller picture, or fewer --workers"
    except Exception as e:  # what a library says of a file that it cannot use
        why = f"{name} cannot be used ({type(e).__name__}: {' '.join(str(e).split())[:200]})"
    return Told((refused(name, sha256, why),))


# ---------------------------------------------------------------- in a process of this machine

_here: list[Setup] = []


def begin(setup: Setup, prepare: Callable[[], None]) -> None:
    """Make a worker process ready: what all photos need stays in it."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's Ctrl+C is the first process' to answer
    prepare()
    cv2.setNumThreads(1)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _here[:] = [setup]


def _end_with_parent() -> None:
    """End this process when the one that started it is killed: nobody would tell it otherwise."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def work_here(path: str, sha256: str) -> Told:
    """Judge one photo in a process made ready by `begin`."""
    return work(_here[0], path, sha256)


# ---------------------------------------------------------------- on another machine

_elsewhere: dict[str, tuple[Setup, Any]] = {}


def work_elsewhere(setup: Setup, key: str, name: str, content: bytes, sha256: str) -> Told:
    """Judge a photo that comes by content; artworks are laid down once for each setup (``key``)."""
    import cv2

    cv2.setNumThreads(1)
    if key not in _elsewhere:
        _elsewhere.clear()
        folder = tempfile.TemporaryDirectory(prefix="colorcheck-")
        jobs = []
        for number, (job, data) in enumerate(zip(setup.candidates.jobs, setup.files, strict=True)):
            place = Path(folder.name) / str(number) / job.name
            place.parent.mkdir()
            place.write_bytes(data)
            jobs.append(replace(job, artwork=str(place)))
        candidates = replace(setup.candidates, jobs=tuple(jobs))
        _elsewhere[key] = (replace(setup, candidates=candidates, files=()), folder)
    with tempfile.TemporaryDirectory(prefix="colorcheck-") as folder_name:
        photo = Path(folder_name) / Path(name).name
        with suppress(ValueError):
            photo.write_bytes(content)
        return work(_elsewhere[key][0], str(photo), sha256)
