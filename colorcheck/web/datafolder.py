"""Where the page keeps what it made: one folder for each job, and the settings.

::

    DATA/pieces/UID/      answer.json, result.json, pictures, files to download
    DATA/artworks/        pictures that were printed, to be chosen again; without place, time or owner
    DATA/settings.json    recipes, how long results are kept
    DATA/limits.toml      the workshop's own limits
    DATA/camera.json      the taught camera
"""

from __future__ import annotations

import contextlib
import json
import re
import secrets
import shutil
import time
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from ..ground.errors import FileError, ImageError, UsageError
from ..ground.files import write_bytes, write_text

UID = re.compile(r"[0-9a-f]{32}")
_ANOTHER_TRY_S = 86400.0
_OTHER_TRIES = 40
SMALL = "small.jpg"
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._ -]{0,119}")


@dataclass(frozen=True, slots=True)
class KeptRecipe:
    """Press settings that a workshop uses again, and what the makers allow; None where it was not told."""

    name: str
    platen_c: float | None
    seconds: float | None
    heated_face: str
    glass_mm: float | None
    max_seconds: float | None
    max_c: float | None = None


@dataclass(frozen=True, slots=True)
class Artwork:
    """A picture that was printed: its digest, the name it was sent under, where it lies."""

    digest: str
    name: str
    path: Path


class Store:
    """Folders of finished jobs, and settings.

    Parameters
    ----------
    root : path
        Made when it does not exist, for its owner only.

    Raises
    ------
    FileError
        It cannot be made.
    """

    def __init__(self, root: str | Path) -> None:
        self.root = Path(root)
        self._lock: Any = None
        try:
            (self.root / "pieces").mkdir(parents=True, exist_ok=True)
            (self.root / "uploads").mkdir(exist_ok=True)
            self.root.chmod(0o700)
        except OSError as e:
            raise FileError(f"the folder {root} cannot be made ({e.strerror})", "choose another with --data") from e

    def lock(self) -> None:
        """Keep other pages off this folder, as long as this process lives.

        Raises
        ------
        UsageError
            Another page uses it.
        """
        from filelock import FileLock, Timeout

        self._lock = FileLock(self.root / "in-use.lock", timeout=0)
        try:
            self._lock.acquire()
        except Timeout:
            raise UsageError(
                f"another page uses {self.root} already", "open that one, or choose another folder with --data"
            ) from None
        except OSError as e:
            raise FileError(f"{self.root} cannot be written ({e.strerror})", "choose another with --data") from e

    def secret(self, name: str, length: int) -> bytes:
        """Random bytes of this folder, made when first asked for: what they sign holds when the page starts anew."""
        path = self.root / f"{name}.key"
        try:
            data = path.read_bytes()
        except OSError:
            data = b""
        if len(data) != length:
            data = secrets.token_bytes(length)
            write_bytes(path, data)
            path.chmod(0o600)
        return data

    def new_secret(self, name: str) -> None:
        """Forget a secret: what it signed holds no longer."""
        (self.root / f"{name}.key").unlink(missing_ok=True)

    # ------------------------------------------------------------ results

    @staticmethod
    def new_uid() -> str:
        """Name for a new job: the time, so that they sort, and chance, so that none is guessed."""
        return f"{time.time_ns() // 1_000_000:012x}" + secrets.token_hex(10)

    @staticmethod
    def time_of(uid: str) -> str:
        """When a job was begun, by this computer's clock and time zone."""
        return time.strftime("%Y-%m-%d %H:%M", time.localtime(int(uid[:12], 16) / 1000))

    def folder(self, uid: str) -> Path:
        """Folder of a job; its name is checked, so that no path leads elsewhere.

        Raises
        ------
        FileError
            The name is not one of ours.
        """
        if not UID.fullmatch(uid):
            raise FileError("there is no such result", "open it from the list of presses")
        return self.root / "pieces" / uid

    def uploads(self, uid: str) -> Path:
        """Folder of the files a job was given; removed when it is done."""
        if not UID.fullmatch(uid):
            raise FileError("there is no such job", "start again")
        return self.root / "uploads" / uid

    def forget_uploads(self, uid: str) -> None:
        """Remove the files a job was given: photos may tell more than the piece, such as a place."""
        shutil.rmtree(self.uploads(uid), ignore_errors=True)

    def forget_old_uploads(self) -> None:
        """Remove what failed jobs left for another try, after a day; at most some of them are kept."""
        oldest = time.time() - _ANOTHER_TRY_S
        left = sorted((p for p in (self.root / "uploads").iterdir()), reverse=True)
        for k, path in enumerate(left):
            if k >= _OTHER_TRIES or not UID.fullmatch(path.name) or int(path.name[:12], 16) / 1000 < oldest:
                shutil.rmtree(path, ignore_errors=True)

    def forget(self, uid: str) -> None:
        """Remove a result with its pictures; the press log keeps its numbers."""
        shutil.rmtree(self.folder(uid), ignore_errors=True)

    def tidy(self) -> None:
        """Remove results and artworks that are older than the settings allow, and files of tries long past."""
        self.forget_old_uploads()
        days = self.keep_days
        if not days:
            return
        oldest = time.time() - 86400 * days
        for uid in self.uids():
            if int(uid[:12], 16) / 1000 < oldest:
                self.forget(uid)
        for note in self.root.glob("artworks/*/name.txt"):
            if note.stat().st_mtime < oldest:
                shutil.rmtree(note.parent, ignore_errors=True)

    def size_bytes(self) -> int:
        """Count what lies in the data folder."""
        total = 0
        for path in self.root.rglob("*"):
            with contextlib.suppress(OSError):  # forgotten meanwhile
                total += path.lstat().st_size if path.is_file() else 0
        return total

    def answer(self, uid: str) -> dict[str, Any] | None:
        """Read what the page of a finished job shows; None when there is none."""
        try:
            data = json.loads((self.folder(uid) / "answer.json").read_text(encoding="utf-8"))
        except (OSError, ValueError, FileError):
            return None
        return data if isinstance(data, dict) else None

    def picture(self, uid: str) -> str:
        """Name of a result's small picture; '' when it has none."""
        return SMALL if self.file(uid, SMALL) is not None else ""

    def title(self, uid: str) -> str:
        """Title of a finished job, '' when there is none."""
        return str((self.answer(uid) or {}).get("title", ""))

    def file(self, uid: str, name: str) -> Path | None:
        """One of a job's files by its plain name; None when there is none."""
        if not NAME.fullmatch(name) or not UID.fullmatch(uid):
            return None
        path = self.folder(uid) / name
        return path if path.is_file() and not path.is_symlink() else None

    def uids(self) -> list[str]:
        """Finished jobs, the newest first."""
        found = (p.name for p in (self.root / "pieces").iterdir() if (p / "answer.json").is_file())
        return sorted((n for n in found if UID.fullmatch(n)), reverse=True)

    # ------------------------------------------------------------ artworks

    def keep_artwork(self, path: Path, name: str) -> str:
        """Keep an artwork that a job went well with, without what its camera wrote beside it; returns its digest.

        So the next piece of its kind need not send it again. A raw file is not kept: ''.
        """
        from ..photo.nometadata import without_metadata

        if path.parent.parent == self.root / "artworks":  # chosen from those kept: now the newest
            (path.parent / "name.txt").touch()
            return path.parent.name
        digest = sha256(path.read_bytes()).hexdigest()[:16]
        folder = self.root / "artworks" / digest
        if self.artwork(digest) is None:
            try:
                data, suffix = without_metadata(path)
            except ImageError:
                return ""
            folder.mkdir(parents=True, exist_ok=True)
            write_bytes(folder / f"artwork{suffix}", data)
            write_text(folder / "name.txt", name)
        (folder / "name.txt").touch()
        return digest

    def forget_artwork(self, digest: str) -> None:
        """Remove a kept artwork."""
        kept = self.artwork(digest)
        if kept is not None:
            shutil.rmtree(kept.path.parent, ignore_errors=True)

    def artwork(self, digest: str) -> Artwork | None:
        """One of the kept artworks."""
        return next((a for a in self.artworks() if a.digest == digest), None)

    def artworks(self) -> list[Artwork]:
        """List the artworks used last, the newest first."""
        out = []
        for note in sorted(self.root.glob("artworks/*/name.txt"), key=lambda p: -p.stat().st_mtime)[:40]:
            kept = next(iter(note.parent.glob("artwork.*")), None)
            if kept:
                out.append(Artwork(note.parent.name, note.read_text(encoding="utf-8"), kept))
        return out

    # ------------------------------------------------------------ settings

    @property
    def limits_file(self) -> Path:
        """The workshop's own limits, laid over the shipped ones when the file exists."""
        return self.root / "limits.toml"

    @property
    def camera_file(self) -> Path:
        """The characterised camera, used when the file exists."""
        return self.root / "camera.json"

    def keep_camera(self, path: Path) -> None:
        """Use a taught camera from now on."""
        write_bytes(self.camera_file, path.read_bytes())

    def layout_of(self, uid: str) -> str:
        """Name of the layout file of a target that was made here; '' when it is none."""
        context = (self.answer(uid) or {}).get("context", {})
        return str(context.get("layout_file", "")) if isinstance(context, dict) else ""

    def recipes(self) -> list[KeptRecipe]:
        """List the workshop's recipes, by name."""
        try:
            return [KeptRecipe(**row) for row in self._settings().get("recipes", [])]
        except TypeError:
            return []

    def recipe(self, name: str) -> KeptRecipe | None:
        """Look up the recipe that a form chose; None when it chose none.

        Raises
        ------
        UsageError
            There is none of that name: its limits must not be dropped without a word.
        """
        if not name:
            return None
        for kept in self.recipes():
            if kept.name == name:
                return kept
        raise UsageError(f"there is no recipe '{name[:60]}'", "choose another one, or add it in the settings")

    @property
    def keep_days(self) -> int:
        """How many days results and artworks are kept; 0 means for ever."""
        days = self._settings().get("keep_days", 0)
        return days if isinstance(days, int) and 0 < days < 36500 else 0

    def save_keep_days(self, days: int) -> None:
        """Set how long results and artworks are kept, and remove what is older."""
        self._save(keep_days=days)
        self.tidy()

    def _settings(self) -> dict[str, Any]:
        try:
            data = json.loads((self.root / "settings.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return data if isinstance(data, dict) else {}

    def save_recipe(self, recipe: KeptRecipe) -> None:
        """Keep a recipe under its name."""
        self._save_recipes([r for r in self.recipes() if r.name != recipe.name] + [recipe])

    def drop_recipe(self, name: str) -> None:
        """Forget a recipe."""
        self._save_recipes([r for r in self.recipes() if r.name != name])

    def _save_recipes(self, recipes: list[KeptRecipe]) -> None:
        rows = [{f: getattr(r, f) for f in KeptRecipe.__slots__} for r in sorted(recipes, key=lambda r: r.name.lower())]
        self._save(recipes=rows)

    def _save(self, **values: Any) -> None:
        text = json.dumps({**self._settings(), **values}, ensure_ascii=False, indent=1)
        write_text(self.root / "settings.json", text)

    def save_limits(self, values: dict[str, dict[str, float]]) -> None:
        """Write the workshop's own limits; an empty table removes the file."""
        lines = []
        for table, rows in values.items():
            if rows:
                lines += [f"[{table}]", *(f"{key} = {value!r}" for key, value in rows.items()), ""]
        if lines:
            write_text(self.limits_file, "\n".join(lines))
        else:
            self.limits_file.unlink(missing_ok=True)
