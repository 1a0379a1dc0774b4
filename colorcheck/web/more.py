"""The pages of the rarer jobs: set-up, camera, profile of several readings, step test; the press log as files."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlencode

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from ..ground.errors import ColorcheckError, DataError, UsageError
from . import moreforms, uploads
from .access import page_of_one_line
from .datafolder import Store
from .joblog import Journal

_MOST_TABLES = 150_000_000  # bytes of an archive of tables


class Pages(Protocol):
    """What of `app.Site` is needed here."""

    store: Store
    journal: Journal

    def refuse(self, request: Request) -> Response | None:
        """Answer to a form that this page did not make."""
        ...

    def show(self, request: Request, template: str, values: dict[str, Any], status: int = 200) -> Response:
        """Fill a template."""
        ...

    def earlier(self, kind: str) -> list[dict[str, Any]]:
        """Earlier results of one kind."""
        ...

    async def check(self, request: Request, kind: str, template: str, parse: Any, what: str) -> Response:
        """Show a form with files, or take it."""
        ...

    async def typed(
        self, request: Request, kind: str, template: str, read: Any, title_of: Any, more: Any = None
    ) -> Response:
        """Show a form that is typed only, or take it."""
        ...

    async def begin(
        self, request: Request, kind: str, title: str, params: dict[str, Any], *, uid: str = "", mark: str = ""
    ) -> Response:
        """Put a job into the queue."""
        ...


def _log_in(path: Path) -> Path:
    """Take the one file of an export that is read back out of the archive it came in.

    Raises
    ------
    DataError
        It holds none, or too much.
    """
    import shutil
    import zipfile

    from ..shop.presslog_files import PLAIN, WHOLE

    if not zipfile.is_zipfile(path):
        return path
    try:
        with zipfile.ZipFile(path) as archive:
            name = next((n for n in archive.namelist() if n.rpartition("/")[2] in (WHOLE, PLAIN)), None)
            if name is None:
                raise DataError("there is no press log in that file", "choose the file that a page gave out")
            if archive.getinfo(name).file_size > 20 * _MOST_TABLES:
                raise DataError("that press log is too large for the page", "take 'log import' on the bench computer")
            with archive.open(name) as source, open(path.with_name("log"), "wb") as out:
                shutil.copyfileobj(source, out, 1 << 20)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError) as e:
        raise DataError("that file is damaged", "have it given out again") from e
    return path.with_name("log")


class More:
    """Handlers beside those of `Site`, which shows the pages and begins the jobs."""

    def __init__(self, site: Pages) -> None:
        self.site = site

    def routes(self) -> list[Route]:
        """Every address."""
        both = ["GET", "POST"]
        return [
            Route("/bench", self.bench, methods=both),
            Route("/setup", self.setup, methods=both),
            Route("/camera", self.camera, methods=both),
            Route("/camera/{uid}", self.use_camera, methods=["POST"]),
            Route("/profile", self.profile, methods=both),
            Route("/steps", self.steps, methods=both),
            Route("/steps/{plan}", self.step_answer, methods=both),
            Route("/trend", self.trend, methods=["POST"]),
            Route("/fading/{uid}", self.fading, methods=["POST"]),
            Route("/pieces/{uid}/note", self.note, methods=["POST"]),
            Route("/log/import", self.take_up, methods=["POST"]),
            Route("/log/{what}", self.log_file, methods=["POST"]),
        ]

    async def bench(self, request: Request) -> Response:
        """Check camera, lamps and room."""
        return await self.site.check(request, "bench", "bench_form.html.j2", moreforms.bench, "Set-up")

    async def setup(self, request: Request) -> Response:
        """Ask how small a difference this set-up can tell."""
        return await self.site.check(request, "repeat", "setup_form.html.j2", moreforms.repeat, "Set-up from")

    async def camera(self, request: Request) -> Response:
        """Teach the camera from a measured target."""
        return await self.site.check(request, "camera", "camera_form.html.j2", moreforms.camera, "Camera from")

    async def use_camera(self, request: Request) -> Response:
        """Keep a camera that was taught here."""
        if refused := self.site.refuse(request):
            return refused
        path = self.site.store.file(request.path_params["uid"], "camera.json")
        if path is None:
            return page_of_one_line("there is no such camera", 404)
        await asyncio.to_thread(self.site.store.keep_camera, path)
        return RedirectResponse("/settings", 303)

    async def profile(self, request: Request) -> Response:
        """Build a profile from one or several readings."""
        return await self._pick(request, "profile", "profile_form.html.j2", {})

    async def steps(self, request: Request) -> Response:
        """Plan a step test."""
        return await self.site.typed(
            request,
            "ladder-plan",
            "steps_form.html.j2",
            moreforms.step_plan,
            lambda params: str(params["title"]),
            lambda: {"plans": self.site.earlier("ladder-plan")},
        )

    async def step_answer(self, request: Request) -> Response:
        """Ask a step test for its answer."""
        plan = request.path_params["plan"]
        title = await asyncio.to_thread(self.site.store.title, plan)
        if not title:
            return page_of_one_line("there is no such step test", 404)
        return await self._pick(request, "ladder", "steps_answer.html.j2", {"plan": plan, "title": title})

    async def _pick(self, request: Request, kind: str, template: str, more: dict[str, str]) -> Response:
        """Show a form that picks readings, or take it."""
        site = self.site
        if refused := site.refuse(request):
            return refused
        fields, error, picked = dict(request.query_params), "", request.query_params.getlist("reading")
        if request.method == "POST":
            try:
                form = await uploads.form_of(request)
                picked = [str(v) for v in form.getlist("reading") if isinstance(v, str)]
                fields, uid = {**uploads.texts(form), **more}, site.store.new_uid()
                parse = moreforms.profile if kind == "profile" else moreforms.step_answer
                params = parse(fields, picked, site.store, site.store.uploads(uid))
                mark = params["retry"] = urlencode([(k, v) for k, v in form.multi_items() if isinstance(v, str)])
                return await site.begin(request, kind, params["title"], params, uid=uid, mark=mark)
            except ColorcheckError as e:
                error = str(e)
            finally:
                await request.close()
        rows = await asyncio.to_thread(site.earlier, "read")
        values = {"rows": rows, "error": error, "picked": picked, "fields": fields, **more}
        return site.show(request, template, values, 400 if error else 200)

    # ------------------------------------------------------------ the press log

    async def trend(self, request: Request) -> Response:
        """Ask whether evenness, colour and black are steady."""
        if refused := self.site.refuse(request):
            return refused
        return await self.site.begin(request, "trend", "Is anything drifting?", {"from": self.site.journal.where})

    async def fading(self, request: Request) -> Response:
        """Ask what has faded on a piece since its first reading."""
        if refused := self.site.refuse(request):
            return refused
        piece = await asyncio.to_thread(self.site.journal.piece_of, request.path_params["uid"])
        if not piece:
            return page_of_one_line("this reading has no name in the press log, so it cannot be found again", 404)
        params = {"from": self.site.journal.where, "of": piece}
        return await self.site.begin(request, "fading", f"Has {piece} faded?", params)

    async def note(self, request: Request) -> Response:
        """Write another note beside a result in the press log."""
        if refused := self.site.refuse(request):
            return refused
        uid = request.path_params["uid"]
        text = uploads.texts(await uploads.form_of(request)).get("note", "")
        await asyncio.to_thread(lambda: self.site.journal.log().note(uid, text))
        return RedirectResponse(f"/pieces/{uid}/#note", 303)

    async def take_up(self, request: Request) -> Response:
        """Take up the tables that another page, or this one, gave out."""
        site = self.site
        if refused := site.refuse(request):
            return refused
        uid = site.store.new_uid()
        try:
            sent = uploads.sent(await uploads.form_of(request), "tables")
            if not sent:
                raise UsageError("the tables are missing", "choose the file that a page gave out")
            stored = await uploads.store_file(sent[0], site.store.uploads(uid), "tables", max_bytes=_MOST_TABLES)
            taken = await asyncio.to_thread(lambda: site.journal.log().import_(_log_in(stored.path)))
        finally:
            await request.close()
            await asyncio.to_thread(site.store.forget_uploads, uid)
        return RedirectResponse(f"/presses?added={taken.added}&known={taken.known}", 303)

    async def log_file(self, request: Request) -> Response:
        """Send the press log: a sound copy, or its tables."""
        if refused := self.site.refuse(request):
            return refused
        what = request.path_params["what"]
        if what not in ("copy", "tables"):
            return page_of_one_line("there is no such file", 404)
        folder = tempfile.TemporaryDirectory(dir=self.site.store.root)

        def make() -> Path:
            import shutil

            top, log = Path(folder.name), self.site.journal.log()
            if what == "copy":
                log.backup(top / "press-log.sqlite")
                return top / "press-log.sqlite"
            log.export(top / "press-log")
            return Path(shutil.make_archive(str(top / "press-log"), "zip", top / "press-log"))

        try:
            path = await asyncio.to_thread(make)
        except ColorcheckError:
            folder.cleanup()
            raise
        return FileResponse(
            path,
            media_type="application/octet-stream",
            filename=path.name,
            background=BackgroundTask(folder.cleanup),
        )
