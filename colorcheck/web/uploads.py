"""Files from the network → a job's folder: kinds by content, names of our own, nothing trusted."""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import MultiPartException
from starlette.requests import Request

from ..ground.errors import ColorcheckError, UsageError
from ..ground.files import write_text

MAX_FILES = 12
_MOST_PARTS = 200  # more is no form of this page
PICTURES = {"photos": "photo", "turned": "turned", "artwork": "artwork", "blank_frame": "white-sheet"}
ARTWORKS = ("artworks", "artworks2", "artworks3")  # of pieces of one size each
LAMPS = ("lamp_a", "lamp_b", "both", "black", "sheet")  # of the check of a set-up
PICTURES |= {field: field for field in (*ARTWORKS, *LAMPS)}
_MANY = ("photos", "turned", *ARTWORKS)
FILES = {"profile": "profile.icc", "measured": "measured.txt", "layout": "layout.json"}
_ENDING = {
    "jpeg": ".jpg",
    "png": ".png",
    "tiff": ".tif",
    "heic": ".heic",
    "raw": ".dng",
    "webp": ".webp",
    "pillow": ".bmp",
}
_NOTE = "form.json"
_RAW = (".dng", ".cr2", ".cr3", ".nef", ".arw", ".rw2", ".orf", ".raf", ".pef", ".srw")


@dataclass(frozen=True, slots=True)
class Stored:
    """A file that was sent: where it lies, and the name it had, cleaned for showing."""

    path: Path
    name: str


async def form_of(request: Request, most: int = MAX_FILES) -> FormData:
    """Read a form of at most so many files; they are spooled to disk while they come.

    Raises
    ------
    UsageError
        It is no form, or holds too much.
    """
    try:
        form = await request.form(max_files=_MOST_PARTS, max_fields=_MOST_PARTS, max_part_size=64 * 1024)
    except MultiPartException as e:
        await _drain(request)
        if "Too many files" in e.message:
            raise UsageError(f"more than {_MOST_PARTS} files at once", f"send {most} at most") from e
        raise UsageError("the form did not arrive whole", "go back and send it again") from e
    except (ValueError, KeyError, AssertionError) as e:
        raise UsageError("that is not a form of this page", "go back and send it again") from e
    count = sum(isinstance(v, UploadFile) and bool(v.filename) for _, v in form.multi_items())
    if count > most:
        raise UsageError(f"{count} files at once are too many", f"send {most} at most")
    return form


async def _drain(request: Request) -> None:
    """Take what is still being sent: a browser shows an answer only when it has sent all."""
    while True:
        message = await request.receive()
        if message["type"] != "http.request" or not message.get("more_body"):
            return


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


@dataclass(frozen=True, slots=True)
class Given:
    """What a form gave: its fields, and its files by field, those of an earlier try that failed among them."""

    fields: dict[str, str]
    files: dict[str, tuple[Stored, ...]]
    folder: Path

    @property
    def names(self) -> dict[str, list[str]]:
        """What the files were called, by field, for showing."""
        return {k: [s.name for s in v] for k, v in self.files.items() if v}


def load_given(folder: Path) -> Given:
    """Read what an earlier try left in its folder; empty when nothing is left."""
    try:
        data = json.loads((folder / _NOTE).read_text(encoding="utf-8"))
        files = {
            k: tuple(Stored(folder / Path(name).name, str(shown)) for name, shown in rows)
            for k, rows in data["files"].items()
        }
        return Given(
            {str(k): str(v) for k, v in data["fields"].items()},
            {k: tuple(s for s in v if s.path.is_file()) for k, v in files.items()},
            folder,
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return Given({}, {}, folder)


async def take(form: FormData, folder: Path, earlier: Path | None) -> Given:
    """Put a form's files into a folder, with those of an earlier try that were not sent anew; note the form there.

    Raises
    ------
    UsageError
        A file is no picture; the others, and the fields, are noted all the same.
    """
    before = load_given(earlier or folder)
    wrong: ColorcheckError | None = None
    files: dict[str, tuple[Stored, ...]] = {}
    for field in (*PICTURES, *FILES):
        stored: list[Stored] = []
        for k, f in enumerate(sent(form, field), 1):
            try:
                if field in FILES:
                    stored.append(await store_file(f, folder, FILES[field]))
                else:
                    many = f"-{k}" if field in _MANY else ""
                    stored.append(await store_picture(f, folder, PICTURES[field] + many))
            except ColorcheckError as e:
                wrong = wrong or e
        if not stored:
            for old in before.files.get(field, ()):
                folder.mkdir(parents=True, exist_ok=True)
                stored.append(Stored(old.path.replace(folder / old.path.name), old.name))
        files[field] = tuple(stored)
    given = Given({k: v for k, v in texts(form).items() if k != "from"}, files, folder)
    noted = {"fields": given.fields, "files": {k: [(s.path.name, s.name) for s in v] for k, v in files.items()}}
    folder.mkdir(parents=True, exist_ok=True)
    write_text(folder / _NOTE, json.dumps(noted, ensure_ascii=False))
    if wrong is not None:
        raise wrong
    return given


def fingerprint(given: Given) -> str:
    """Digest of all that a form gave: the same form sent twice is one job."""
    digest = sha256(json.dumps(given.fields, sort_keys=True).encode())
    for field, rows in sorted(given.files.items()):
        for s in rows:
            digest.update(f"{field}/{s.name}".encode())
            digest.update(s.path.read_bytes())
    return digest.hexdigest()


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
        raise UsageError(f"{name} is not a photo that can be read", "send a JPEG, PNG, TIFF or HEIC file")
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
