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

from ..ground.errors import ColorcheckError
from . import moreforms, uploads
from .access import page_of_one_line
from .datafolder import Store
from .joblog import Journal


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


class More:
    """Handlers beside those of `Site`, which shows the pages and begins the jobs."""

    def __init__(self, site: Pages) -> None:
        self.site = site

    def routes(self) -> list[Route]:
        """Every address."""
        both = ["GET", "POST"]
        return [
            Route("/setup", self.setup, methods=both),
            Route("/camera", self.camera, methods=both),
            Route("/camera/{uid}", self.use_camera, methods=["POST"]),
            Route("/profile", self.profile, methods=both),
            Route("/steps", self.steps, methods=both),
            Route("/steps/{plan}", self.step_answer, methods=both),
            Route("/trend", self.trend, methods=["POST"]),
            Route("/log/{what}", self.log_file, methods=["POST"]),
        ]

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
