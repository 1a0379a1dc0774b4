"""Where the page keeps what it made: one folder for each job, and the settings.

::

    DATA/pieces/UID/      answer.json, result.json, pictures, files to download
    DATA/artworks/        pictures that were printed, to be chosen again
    DATA/settings.json    recipes;  DATA/limits.toml  the workshop's own limits;  DATA/camera.json
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import time
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from ..ground.errors import FileError
from ..ground.files import write_text

UID = re.compile(r"[0-9a-f]{32}")
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
        try:
            (self.root / "pieces").mkdir(parents=True, exist_ok=True)
            (self.root / "uploads").mkdir(exist_ok=True)
            self.root.chmod(0o700)
        except OSError as e:
            raise FileError(f"the folder {root} cannot be made ({e.strerror})", "choose another with --data") from e

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

    def forget_all_uploads(self) -> None:
        """Remove what an earlier run that was stopped left behind."""
        for path in (self.root / "uploads").iterdir():
            shutil.rmtree(path, ignore_errors=True)

    def answer(self, uid: str) -> dict[str, Any] | None:
        """Read what the page of a finished job shows; None when there is none."""
        try:
            data = json.loads((self.folder(uid) / "answer.json").read_text(encoding="utf-8"))
        except (OSError, ValueError, FileError):
            return None
        return data if isinstance(data, dict) else None

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

    def keep_artwork(self, path: Path, name: str) -> Path:
        """Keep an artwork, so that the next piece of its kind need not send it again; returns where it lies now."""
        digest = sha256(path.read_bytes()).hexdigest()[:16]
        folder = self.root / "artworks" / digest
        kept = folder / ("artwork" + path.suffix)
        if not kept.is_file():
            folder.mkdir(parents=True, exist_ok=True)
            write_text(folder / "name.txt", name)
            shutil.move(path, kept)
        else:
            path.unlink()
            (folder / "name.txt").touch()
        return kept

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

    def recipes(self) -> list[KeptRecipe]:
        """List the workshop's recipes, by name."""
        try:
            rows = json.loads((self.root / "settings.json").read_text(encoding="utf-8"))["recipes"]
            return [KeptRecipe(**row) for row in rows]
        except (OSError, ValueError, KeyError, TypeError):
            return []

    def save_recipe(self, recipe: KeptRecipe) -> None:
        """Keep a recipe under its name."""
        self._save([r for r in self.recipes() if r.name != recipe.name] + [recipe])

    def drop_recipe(self, name: str) -> None:
        """Forget a recipe."""
        self._save([r for r in self.recipes() if r.name != name])

    def _save(self, recipes: list[KeptRecipe]) -> None:
        rows = [{f: getattr(r, f) for f in KeptRecipe.__slots__} for r in sorted(recipes, key=lambda r: r.name.lower())]
        write_text(self.root / "settings.json", json.dumps({"recipes": rows}, ensure_ascii=False, indent=1))

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
