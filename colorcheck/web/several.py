"""Several pieces at once: each photo is a job of its own, and one overview shows what needs a hand first."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
from pathlib import Path
from typing import Any, Protocol

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from ..ground.errors import UsageError
from ..ground.files import write_text
from . import moreforms
from .access import page_of_one_line
from .datafolder import Store
from .jobs import DONE, INTERRUPTED, Bench, Job

MOST_FILES = 40  # photos and artworks in one form


class Pages(Protocol):
    """What of `app.Site` is needed here."""

    store: Store
    bench: Bench

    def refuse(self, request: Request) -> Response | None:
        """Answer to a form that this page did not make."""
        ...

    async def check(
        self, request: Request, kind: str, template: str, parse: Any, what: str, *, begin: Any = None, most: int = 0
    ) -> Response:
        """Show a form with files, or take it."""
        ...

    def begun(self, request: Request, kind: str, mark: str) -> Job | None:
        """Find the job that the same form began a moment ago."""
        ...

    async def begin(
        self, request: Request, kind: str, title: str, params: dict[str, Any], *, uid: str = "", mark: str = ""
    ) -> Response:
        """Put a job into the queue."""
        ...


class Several:
    """Handlers of the form and of the overview; ``part-UID.json`` in the overview's folder is what one photo gave."""

    def __init__(self, site: Pages) -> None:
        self.site = site

    def routes(self) -> list[Route]:
        """Every address."""
        return [
            Route("/check/several", self.form, methods=["GET", "POST"]),
            Route("/pieces/{uid}/cancel", self.cancel, methods=["POST"]),
        ]

    async def form(self, request: Request) -> Response:
        """Show the form, or take it."""
        site = self.site
        return await site.check(
            request,
            "several",
            "several_form.html.j2",
            moreforms.several,
            "Pieces in",
            begin=self.begin,
            most=MOST_FILES,
        )

    async def begin(
        self, request: Request, kind: str, title: str, params: dict[str, Any], *, uid: str, mark: str
    ) -> Response:
        """Begin one job for each photo; a photo that was sent twice counts once."""
        site = self.site
        if (twin := site.begun(request, kind, mark)) is not None:
            await asyncio.to_thread(site.store.forget_uploads, uid)
            return RedirectResponse(page_of(twin), 303)
        shas = await asyncio.to_thread(lambda: [_sha256(path) for path in params["photos"]])
        first: dict[str, str] = {}
        for path, sha256 in zip(params["photos"], shas, strict=True):
            first.setdefault(sha256, path)
        if len(first) > site.bench.room:
            raise UsageError("too many photos are waiting", "try again in a minute")
        parts = []
        for k, (path, sha256) in enumerate(zip(params["photos"], shas, strict=True)):
            told = {"uid": site.store.new_uid(), "name": params["names"][Path(path).name], "sha256": sha256}
            if first[sha256] != path:
                told["same_as"] = params["names"][Path(first[sha256]).name]
            parts.append((k, path, told))
        told_all = [told for _, _, told in parts]
        answer = {"kind": kind, "title": title, "template": "several.html.j2", "context": {}, "parts": told_all}
        folder = site.store.folder(uid)
        await asyncio.to_thread(folder.mkdir, parents=True, exist_ok=True)
        await asyncio.to_thread(write_text, folder / "answer.json", json.dumps(answer, ensure_ascii=False))
        for k, path, told in parts:
            if "same_as" not in told:
                more = {**params, "photo": path, "sha256": told["sha256"], "group": uid, "part": told["uid"]}
                one = f"{title}: {told['name']}" if len(first) > 1 else title
                await site.begin(request, kind, one, more, uid=told["uid"], mark=mark if k == 0 else f"{mark} {k}")
        return RedirectResponse(f"/pieces/{uid}/", 303)

    async def cancel(self, request: Request) -> Response:
        """Stop all photos that are not done."""
        if refused := self.site.refuse(request):
            return refused
        uid = request.path_params["uid"]
        answer = self.site.store.answer(uid)
        if answer is None or answer.get("kind") != "several":
            return page_of_one_line("there is no such job", 404)
        for part in answer["parts"]:
            await self.site.bench.cancel(part["uid"])
        return RedirectResponse(f"/pieces/{uid}/", 303)

    # ------------------------------------------------------------ the overview

    def values(self, uid: str, answer: dict[str, Any]) -> dict[str, Any]:
        """Collect what the overview shows of the photos that are done so far."""
        from ..show.batchpage import overview_context

        lines, pictures, photos, waiting = self._told(uid, answer)
        live = bool(waiting)
        context = overview_context(lines, pictures, photos, live=live)
        files = [("results.csv", "A table, for a spreadsheet"), ("results.jsonl", "All results as a file (JSON lines)")]
        return {
            **context,
            "uid": uid,
            "title": answer["title"],
            "when": self.site.store.time_of(uid),
            "picture_of": self.site.store.picture(uid),
            "done": len(answer["parts"]) - len(waiting),
            "all": len(answer["parts"]),
            "waiting": waiting,
            "seen": f"{len(lines)}-{len(waiting)}",
            "kept": not live and self.site.store.uploads(uid).is_dir(),
            "downloads": [] if live else [f for f in files if self.site.store.file(uid, f[0])],
        }

    def _told(
        self, uid: str, answer: dict[str, Any]
    ) -> tuple[list[dict[str, Any]], dict[tuple[str, int], str], dict[str, str], list[dict[str, str]]]:
        """Lines, small pictures and photos of what is done, and the photos that are not."""
        from ..flows.batchline import refused

        lines: list[dict[str, Any]] = []
        pictures: dict[tuple[str, int], str] = {}
        photos: dict[str, str] = {}
        waiting: list[dict[str, str]] = []
        for part in answer["parts"]:
            name, sha256 = part["name"], part["sha256"]
            if same := part.get("same_as"):
                why = f"{name} is the same photo as {same}: it counts once"
                lines.append(refused(name, sha256, why, same_as=same))
                continue
            path = self.site.store.file(uid, f"part-{part['uid']}.json")
            job = self.site.bench.jobs.get(part["uid"])
            if path is not None:
                told = json.loads(path.read_text(encoding="utf-8"))
                lines += told["lines"]
                for line, picture in zip(told["lines"], told["pictures"], strict=False):
                    pictures[sha256, line["piece"] or 0] = picture
                photos[sha256] = told["overview"]
            elif job is not None and (not job.over or job.state == DONE):
                waiting.append({"name": name, "says": job.says or job.state})
            else:
                why = job.error or job.state if job is not None else f"{INTERRUPTED}: send it again"
                lines.append(refused(name, sha256, why))
        return lines, pictures, photos, waiting

    def ended(self, job: Job) -> None:
        """Put a photo's job away: what was sent goes when all went well, and the results become files."""
        store, bench, group = self.site.store, self.site.bench, str(job.params["group"])
        answer = store.answer(group)
        if answer is None:  # forgotten meanwhile
            store.forget_uploads(group)
            return
        others = [bench.jobs.get(part["uid"]) for part in answer["parts"]]
        if any(j is not None and not j.over for j in others):
            return
        lines, _, _, waiting = self._told(group, answer)
        if waiting:
            return
        if not any(line["error"] and "same_as" not in line for line in lines):
            store.forget_uploads(group)
        from ..ground.reader import all_shown
        from ..show.batchwords import table_csv

        lines = all_shown(lines)
        rows = "".join(json.dumps(line, ensure_ascii=False) + "\n" for line in lines)
        with contextlib.suppress(OSError):  # a full disk: the overview is there all the same
            write_text(store.folder(group) / "results.jsonl", rows)
            write_text(store.folder(group) / "results.csv", table_csv(lines))


def page_of(job: Job) -> str:
    """Address where a job is shown."""
    return f"/pieces/{job.params['group']}/" if "group" in job.params else f"/jobs/{job.uid}"


def _sha256(path: str) -> str:
    with open(path, "rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()
