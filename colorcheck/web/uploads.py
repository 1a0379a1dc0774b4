"""Files from the network → a job's folder: kinds by content, names of our own, nothing trusted."""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import MultiPartException
from starlette.requests import Request

from ..ground.errors import ColorcheckError, UsageError

_MAX_FILES = 12
_MAX_FIELDS = 120
_ENDING = {
    "jpeg": ".jpg",
    "png": ".png",
    "tiff": ".tif",
    "heic": ".heic",
    "raw": ".dng",
    "webp": ".webp",
    "pillow": ".bmp",
}
_RAW = (".dng", ".cr2", ".cr3", ".nef", ".arw", ".rw2", ".orf", ".raf", ".pef", ".srw")


@dataclass(frozen=True, slots=True)
class Stored:
    """A file that was sent: where it lies, and the name it had, cleaned for showing."""

    path: Path
    name: str


async def form_of(request: Request) -> FormData:
    """Read a form; files are spooled to disk while they come.

    Raises
    ------
    UsageError
        It is no form, or holds too much.
    """
    try:
        return await request.form(max_files=_MAX_FILES, max_fields=_MAX_FIELDS, max_part_size=64 * 1024)
    except MultiPartException as e:
        raise UsageError("the form did not arrive whole", "go back and send it again") from e
    except (ValueError, KeyError, AssertionError) as e:
        raise UsageError("that is not a form of this page", "go back and send it again") from e


def shown_name(raw: str | None) -> str:
    """Return the plain name of a sent file, for showing only."""
    name = re.split(r"[\\/]", raw or "")[-1]
    name = "".join(c for c in name if c.isprintable() and c not in '<>"&').strip(" .")
    return name[-60:] or "photo"


def texts(form: FormData) -> dict[str, str]:
    """Return the fields that are text, shortened to 4000 signs."""
    return {k: v[:4000] for k, v in form.items() if isinstance(v, str)}


def sent(form: FormData, field: str) -> list[UploadFile]:
    """Files of one field that hold something."""
    return [v for v in form.getlist(field) if isinstance(v, UploadFile) and v.filename]


async def store_picture(upload: UploadFile, folder: Path, stem: str) -> Stored:
    """Keep a sent picture under a name of ours, its ending by its content.

    Raises
    ------
    UsageError
        It is empty or no picture of a known kind.
    """
    name = shown_name(upload.filename)
    head = await upload.read(64)
    if not head:
        raise UsageError(f"{name} is empty", "choose the photo again")
    from ..photo.picturekind import picture_kind

    ending = Path(name).suffix.lower()
    kind = picture_kind(head, ending if ending in _RAW else "")
    if not kind:
        raise UsageError(f"{name} is not a photo that can be read", "send a JPEG, PNG, TIFF, HEIC or raw file")
    suffix = ending if kind == "raw" and ending in _RAW else _ENDING[kind]
    return await _store(upload, folder, stem + suffix, name)


async def store_file(upload: UploadFile, folder: Path, file_name: str, *, max_bytes: int = 20_000_000) -> Stored:
    """Keep a sent file that is no picture, such as a profile or a reading.

    Raises
    ------
    UsageError
        It is empty or too large.
    """
    name = shown_name(upload.filename)
    if not upload.size or upload.size > max_bytes:
        raise UsageError(f"{name} is {'empty' if not upload.size else 'too large'}", "choose the file again")
    return await _store(upload, folder, file_name, name)


async def _store(upload: UploadFile, folder: Path, file_name: str, name: str) -> Stored:
    await upload.seek(0)
    path = folder / file_name

    def copy() -> None:
        import shutil

        folder.mkdir(parents=True, exist_ok=True)
        with open(path, "xb") as out:
            shutil.copyfileobj(upload.file, out, 1 << 20)

    try:
        await asyncio.to_thread(copy)
    except OSError as e:
        raise ColorcheckError(
            f"{name} could not be kept ({e.strerror})", "free some space on the bench computer"
        ) from e
    return Stored(path, name)


def plain(fields: dict[str, str], key: str, choices: tuple[str, ...]) -> Any:
    """One of a few values; the first is the default.

    Raises
    ------
    UsageError
        Another value.
    """
    value = fields.get(key) or choices[0]
    if value not in choices:
        raise UsageError(f"'{value[:30]}' is not a choice for {key}", f"choose {', '.join(choices)}")
    return value
