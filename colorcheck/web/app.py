"""The pages: what is asked, what is shown. Everything that is measured or said comes from the tasks."""

from __future__ import annotations

import asyncio
import contextlib
import errno
from collections.abc import AsyncIterator, Callable, Mapping
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from types import MappingProxyType
from typing import Any
from urllib.parse import urlencode

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from .. import __version__
from ..ground import reader
from ..ground.errors import ColorcheckError, UsageError
from ..show import numbers, words
from ..show.limitwords import limit_name, table_name
from ..show.say import give_words
from . import forms, uploads
from .access import (
    CODE,
    CODE_BYTES,
    Access,
    Guard,
    TooLargeError,
    TooSlowError,
    Tries,
    ask_for_code,
    enter,
    page_of_one_line,
    sentence,
    session_of,
)
from .datafolder import SMALL, UID, KeptRecipe, Store
from .joblog import Journal
from .jobs import DONE, INTERRUPTED, RUNNING, WAITING, Bench, Job
from .more import More
from .readerunits import COOKIE, Shown, chosen
from .several import Several, page_of

_WAIT_S = 20.0
_TYPES = {".jpg": "image/jpeg", ".png": "image/png", ".json": "application/json", ".pdf": "application/pdf"}
_INLINE = (".jpg", ".png")
_TWICE_S = 120.0  # the same form sent again within this time was meant once
_FORMS = {
    "read": "/check/target",
    "inspect": "/check/piece",
    "several": "/check/several",
    "target": "/target",
    "compare": "/compare",
    "prepare": "/prepare",
    "profile": "/profile",
    "repeat": "/setup",
    "bench": "/bench",
    "camera": "/camera",
    "ladder-plan": "/steps",
    "ladder": "/steps",
}
_LOGGED = ("read", "inspect", "several", "compare", "profile", "prepare", "repeat", "bench", "camera", "ladder")


def make_app(
    store: Store,
    journal: Journal,
    *,
    access: Access,
    workers: int = 2,
    max_bytes: int = 160_000_000,
    patience_s: float = 30.0,
    url: str = "",
) -> Starlette:
    """Make the page.

    Parameters
    ----------
    store : Store
        Where results lie.
    journal : Journal
        The press log.
    access : Access
        Secrets, host names and the code for the network.
    workers : int
        Photos worked on at once.
    max_bytes : int
        Largest request.
    patience_s : float
        Longest pause within an upload.
    url : str
        Address for the phone, shown as a code; '' when only this computer can reach the page.

    Returns
    -------
    Starlette
        An ASGI application.
    """
    site = Site(store, journal, access, url)
    bench = site.bench = Bench(workers, on_end=site.ended)

    @contextlib.asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        await asyncio.to_thread(store.tidy)
        await asyncio.to_thread(journal.interrupt_unfinished)
        await bench.start()
        yield
        await bench.stop()
        await site.settle()
        journal.close()

    app = Starlette(
        routes=site.routes(),
        lifespan=life,
        middleware=[Middleware(Guard, access=access, max_bytes=max_bytes, patience_s=patience_s)],
        exception_handlers={
            404: lambda r, e: page_of_one_line("there is no such page", 404),
            405: lambda r, e: page_of_one_line("that does not work here", 405),
            500: lambda r, e: page_of_one_line("something went wrong inside the program: please report it", 500),
            ColorcheckError: lambda r, e: site.line(r, str(e), 503),
            OSError: _no_room,
            TooLargeError: lambda r, e: page_of_one_line("that is too much at once: send fewer or smaller photos", 413),
            TooSlowError: lambda r, e: page_of_one_line("the photo came too slowly: go closer to the router", 408),
            ClientDisconnect: lambda r, e: Response(status_code=400),
        },
    )
    app.state.hurry = bench.hurry
    return app


class Site:
    """Handlers of all addresses; one method for each."""

    def __init__(self, store: Store, journal: Journal, access: Access, url: str) -> None:
        self.store = store
        self.journal = journal
        self.access = access
        self.url = url
        self.bench: Bench
        self._later: set[asyncio.Task[None]] = set()
        self._tries = Tries()
        self._begun: dict[str, str] = {}
        self._rows: dict[str, dict[str, Any]] = {}
        self.several = Several(self)
        self._env = env = Environment(
            loader=ChoiceLoader([PackageLoader("colorcheck.web"), PackageLoader("colorcheck")]),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        env.filters["sentence"] = sentence
        raw = ",.dng" if find_spec("rawpy") else ""  # what cannot be read is not offered
        env.globals.update(mm=numbers.mm, heat=numbers.heat, picture_kinds=f"image/*,.heic,.heif,.tif,.tiff{raw}")
        give_words(env)

    def routes(self) -> list[Route]:
        """Every address of the page."""
        both = ["GET", "POST"]
        return [
            Route("/", self.home),
            Route("/target", self.target, methods=both),
            Route("/check/target", self.check_target, methods=both),
            Route("/check/piece", self.check_piece, methods=both),
            Route("/compare", self.compare, methods=both),
            Route("/prepare", self.prepare, methods=both),
            Route("/presses", self.presses),
            Route("/health", self.health, methods=["POST"]),
            Route("/settings", self.settings),
            Route("/settings/{what}", self.change_setting, methods=["POST"]),
            Route("/open", self.open_on_phone),
            Route("/open/new", self.new_code, methods=["POST"]),
            Route("/enter", self.enter_typed, methods=["POST"]),
            Route("/jobs/{uid}", self.job),
            Route("/jobs/{uid}/state", self.job_state),
            Route("/jobs/{uid}/cancel", self.job_cancel, methods=["POST"]),
            Route("/pieces/{uid}/", self.piece),
            Route("/pieces/{uid}/forget", self.forget, methods=["POST"]),
            Route("/pieces/{uid}/{name}", self.piece_file),
            Route("/in/{code}", self.enter),
            Route("/static/{name}", self.static),
            *More(self).routes(),
            *self.several.routes(),
        ]

    # ------------------------------------------------------------ showing

    def show(self, request: Request, template: str, values: dict[str, Any], status: int = 200) -> HTMLResponse:
        """Fill a template; every page knows the reader's units, the form token and the address for the phone."""
        shown = chosen(request)
        common = {
            "shown": shown,
            "token": self.access.token(request),
            "here": request.url.path,
            "has_url": bool(self.url),
            "version": __version__,
        }
        text = self._env.get_template(template).render({**common, **values})
        return HTMLResponse(reader.shown(text, shown.reader), status)

    def line(self, request: Request, text: str, status: int) -> HTMLResponse:
        """Show one line, in the reader's units."""
        return page_of_one_line(reader.shown(text, chosen(request).reader), status)

    def refuse(self, request: Request) -> Response | None:
        """Answer to a form that this page did not make for this visitor; None when it did."""
        if request.method != "POST" or self.access.check_token(request):
            return None
        return page_of_one_line("this form is too old: open the page again and send it once more", 403)

    # ------------------------------------------------------------ pages

    async def home(self, request: Request) -> Response:
        """Show what can be done, and what was done last."""
        last = [self.row(uid) for uid in self.store.uids()[:6]]
        running = [j for j in self.bench.jobs.values() if not j.over]
        return self.show(request, "home.html.j2", {"last": [r for r in last if r], "running": running})

    def row(self, uid: str) -> dict[str, Any] | None:
        """One earlier result in a list; a result never changes, so its file is read once."""
        if uid in self._rows:
            return self._rows[uid]
        answer = self.store.answer(uid)
        if answer is None:
            return None
        context = answer.get("context", {})
        row = {
            "uid": uid,
            "kind": answer.get("kind", ""),
            "title": answer.get("title", ""),
            "action": answer.get("action", ""),
            "word": words.action_word(answer["action"]) if answer.get("action") else "",
            "headline": context.get("headline", ""),
            "when": self.store.time_of(uid),
            "picture": self.store.picture(uid),
        }
        if row["picture"] or row["kind"] != "several":  # an overview grows
            self._rows[uid] = row
        return row

    async def target(self, request: Request) -> Response:
        """Make a target."""
        return await self.typed(
            request, "target", "new_target.html.j2", forms.new_target, lambda params: f"Target {params['piece']}"
        )

    async def typed(
        self,
        request: Request,
        kind: str,
        template: str,
        read: Callable[[dict[str, str], Shown], dict[str, Any]],
        title_of: Callable[[dict[str, Any]], str],
        more: Callable[[], dict[str, Any]] | None = None,
    ) -> Response:
        """Show a form that is typed only, with ``more`` for its template, or take it."""
        if refused := self.refuse(request):
            return refused
        fields, error = dict(request.query_params), ""
        if request.method == "POST":
            try:
                fields = uploads.texts(await uploads.form_of(request))
                params = read(fields, chosen(request))
                params["retry"] = urlencode(fields)
                return await self.begin(request, kind, title_of(params), params)
            except ColorcheckError as e:
                error = str(e)
            finally:
                await request.close()
        values = {"fields": fields, "error": error, **(await asyncio.to_thread(more) if more else {})}
        return self.show(request, template, values, 400 if error else 200)

    async def check_target(self, request: Request) -> Response:
        """Check a target."""
        return await self.check(request, "read", "check_target.html.j2", forms.target_check, "Target")

    async def check_piece(self, request: Request) -> Response:
        """Check a finished piece."""
        return await self.check(request, "inspect", "check_piece.html.j2", forms.piece_check, "Piece")

    async def compare(self, request: Request) -> Response:
        """Compare blanks by their readings."""
        if refused := self.refuse(request):
            return refused
        error, picked = "", request.query_params.getlist("reading")
        if request.method == "POST":
            try:
                form = await uploads.form_of(request)
                picked = [str(v) for v in form.getlist("reading") if isinstance(v, str)]
                uid = self.store.new_uid()
                params = await forms.comparison(form, self.store, self.store.uploads(uid))
                params["retry"] = urlencode([(k, v) for k, v in form.multi_items() if isinstance(v, str)])
                mark = params["retry"]
                return await self.begin(request, "compare", params["title"], params, uid=uid, mark=mark)
            except ColorcheckError as e:
                error = str(e)
            finally:
                await request.close()
        rows = await asyncio.to_thread(self.earlier, "read")
        values = {"rows": rows, "error": error, "picked": picked, "fields": dict(request.query_params)}
        return self.show(request, "compare_form.html.j2", values, 400 if error else 200)

    async def prepare(self, request: Request) -> Response:
        """Make artwork ready to print."""
        return await self.check(request, "prepare", "prepare_form.html.j2", forms.preparation, "Print of")

    def earlier(self, kind: str) -> list[dict[str, Any]]:
        """Earlier results of one kind, the newest first."""
        return [r for uid in self.store.uids()[:200] if (r := self.row(uid)) and r["kind"] == kind]

    async def check(
        self,
        request: Request,
        kind: str,
        template: str,
        parse: Any,
        what: str,
        *,
        begin: Any = None,
        most: int = uploads.MAX_FILES,
    ) -> Response:
        """Show the form of a check, or take it: ``begin`` instead of `begin` where it is more than one job."""
        if refused := self.refuse(request):
            return refused
        earlier = request.query_params.get("from", "")
        given = uploads.load_given(self.store.uploads(earlier if UID.fullmatch(earlier) else "0" * 32))
        fields, error = {**given.fields, **request.query_params}, ""
        if request.method == "POST":
            uid = self.store.new_uid()
            try:
                form = await uploads.form_of(request, most)
                fields = uploads.texts(form)
                last = self.store.uploads(fields["from"]) if UID.fullmatch(fields.get("from", "")) else None
                try:
                    given = await uploads.take(form, self.store.uploads(uid), last)
                finally:
                    if last is not None:
                        await asyncio.to_thread(self.store.forget_uploads, last.name)
                params = parse(given, self.store, chosen(request))
                title = params["piece"] or f"{what} {next(iter(params['names'].values()))}"
                mark = await asyncio.to_thread(uploads.fingerprint, given)
                return await (begin or self.begin)(request, kind, title, params, uid=uid, mark=mark)
            except ColorcheckError as e:
                error, earlier = str(e), uid  # what was sent is not asked for again
                given = uploads.load_given(self.store.uploads(uid))
            finally:
                await request.close()
        values = {"fields": {**fields, "from": earlier}, "error": error, "have": given.names}
        values |= await asyncio.to_thread(self.choices)
        return self.show(request, template, values, 400 if error else 200)

    def choices(self) -> dict[str, Any]:
        """Collect what the forms of both checks offer to choose from."""
        rows, profiles = self.earlier("read"), self.earlier("profile")
        readings = [(r["uid"], f"{r['title']}, {r['when']}") for r in rows]
        return {
            "same_readings": readings,
            "all_readings": readings,
            "named_recipes": [(r.name, r.name) for r in self.store.recipes()],
            "kept_artworks": [(a.digest, a.name) for a in self.store.artworks()],
            "has_camera": self.store.camera_file.exists(),
            "checked": [(r["uid"], f"{r['title']}, {r['when']}") for r in self.earlier("bench")],
            "guide_open": not rows,
            "kept_layouts": [(r["uid"], f"{r['title']}, {r['when']}") for r in self.earlier("target")],
            "kept_profiles": [(r["uid"], f"{r['title']}, {r['when']}") for r in profiles],
        }

    async def begin(
        self, request: Request, kind: str, title: str, params: dict[str, Any], *, uid: str = "", mark: str = ""
    ) -> Response:
        """Put a job into the queue and show it; the same form of the same visitor sent twice is one job."""
        mark = mark or repr(params)
        if (same := self.begun(request, kind, mark)) is not None:
            if uid:
                await asyncio.to_thread(self.store.forget_uploads, uid)
            return RedirectResponse(page_of(same), 303)
        uid = uid or self.store.new_uid()
        self._begun = {m: u for m, u in self._begun.items() if u in self.bench.jobs}
        self._begun[_mark(request, kind, mark)] = uid
        params = {**params, "title": title}
        if kind in _LOGGED:
            params["log"] = self.journal.where
        job = Job(uid=uid, kind=kind, title=title, params=params, folder=self.store.folder(params.get("group", uid)))
        self.bench.submit(job)
        await asyncio.to_thread(self.journal.job_began, uid, kind, title)
        return RedirectResponse(page_of(job), 303)

    def begun(self, request: Request, kind: str, mark: str) -> Job | None:
        """Find the job that the same form of the same visitor began a moment ago."""
        same = self.bench.jobs.get(self._begun.get(_mark(request, kind, mark), ""))
        fresh = same is not None and same.state in (WAITING, RUNNING, DONE) and same.age_s < _TWICE_S
        return same if fresh else None

    def ended(self, job: Job) -> None:
        """Put away a job that is over: its photos go, unless it may be tried again; its end is noted."""

        async def away() -> None:
            if job.state == DONE or not uploads.load_given(self.store.uploads(job.uid)).fields:
                await asyncio.to_thread(self.store.forget_uploads, job.uid)
            if job.state != DONE:
                await asyncio.to_thread(self.store.forget, job.uid)
            if "group" in job.params:
                await asyncio.to_thread(self.several.ended, job)
            await asyncio.to_thread(self.store.tidy)
            await asyncio.to_thread(self.journal.job_over, job.uid, job.state, reader.shown(job.error))

        task = asyncio.ensure_future(away())
        self._later.add(task)
        task.add_done_callback(self._later.discard)

    async def settle(self) -> None:
        """Wait until every job that is over has been put away."""
        await asyncio.gather(*self._later, return_exceptions=True)

    # ------------------------------------------------------------ jobs

    async def job(self, request: Request) -> Response:
        """Show how far a job is; what it found, when it is done."""
        uid = request.path_params["uid"]
        job = self.bench.jobs.get(uid)
        if job is not None and "group" in job.params:
            return RedirectResponse(page_of(job), 303)
        if job is not None and job.state != DONE:
            return self.show(request, "job.html.j2", self._job_values(job))
        if self.store.answer(uid) is not None:
            return RedirectResponse(f"/pieces/{uid}/", 303)
        known = await asyncio.to_thread(self.journal.job, uid)
        if known is None:
            return page_of_one_line("there is no such job", 404)
        gone = Job(uid=uid, kind=known.kind, title=known.title, params={}, folder=Path(), state=known.state)
        gone.error = known.message
        if not gone.over:
            gone.state, gone.error = INTERRUPTED, "the page was stopped meanwhile"
        return self.show(request, "job.html.j2", self._job_values(gone))

    def _job_values(self, job: Job) -> dict[str, Any]:
        """Collect what the page of a job shows; its form is kept for another try."""
        form, query = _FORMS.get(job.kind, "/"), str(job.params.get("retry", ""))
        kept = bool(uploads.load_given(self.store.uploads(job.uid)).fields)
        if kept:
            query = urlencode({"from": job.uid})
        return {
            "job": job,
            "ahead": self.bench.ahead(job),
            "again": form + (f"?{query}" if query and form != "/" else ""),
            "kept": kept,
        }

    async def job_state(self, request: Request) -> Response:
        """Wait until a job has changed since version ``seen``, then tell it."""
        job = self.bench.jobs.get(request.path_params["uid"])
        if job is None:
            return JSONResponse({"state": INTERRUPTED}, 404)
        seen = request.query_params.get("seen", "")
        if seen == str(job.version) and not job.over and not self.bench.stopping:
            changed = job.changed
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(changed.wait(), _WAIT_S)
        told = {
            "state": job.state,
            "version": job.version,
            "says": job.says,
            "ahead": self.bench.ahead(job),
            "photos": job.photos,
        }
        return JSONResponse(reader.all_shown(told, chosen(request).reader))

    async def job_cancel(self, request: Request) -> Response:
        """Stop a job."""
        if refused := self.refuse(request):
            return refused
        uid = request.path_params["uid"]
        await self.bench.cancel(uid)
        return RedirectResponse(f"/jobs/{uid}", 303)

    # ------------------------------------------------------------ results

    async def piece(self, request: Request) -> Response:
        """Show what a job found."""
        uid = request.path_params["uid"]
        answer = await asyncio.to_thread(self.store.answer, uid)
        if answer is None:
            return page_of_one_line("there is no such result", 404)
        if answer["kind"] == "several":
            values = await asyncio.to_thread(self.several.values, uid, answer)
            return self.show(request, "several.html.j2", values)
        values = {
            "base": "answer.html.j2",
            "uid": uid,
            "kind": answer["kind"],
            "action": answer.get("action", ""),
            "onward": _onward(uid, answer),
            "downloads": answer.get("downloads", []),
            "title": answer["title"],
            "when": self.store.time_of(uid),
            "picture_of": self.store.picture(uid),
            "own_limits": answer.get("own_limits", []),
            "note": await asyncio.to_thread(self.journal.note_of, uid) if answer["kind"] in _LOGGED else None,
            **answer["context"],
        }
        return self.show(request, str(answer["template"]), values)

    async def forget(self, request: Request) -> Response:
        """Remove a result with its pictures."""
        if refused := self.refuse(request):
            return refused
        uid = request.path_params["uid"]
        await asyncio.to_thread(self.store.forget, uid)
        await asyncio.to_thread(self.store.forget_uploads, uid)
        self._rows.pop(uid, None)
        return RedirectResponse("/", 303)

    async def piece_file(self, request: Request) -> Response:
        """Send one of a result's files."""
        path = self.store.file(request.path_params["uid"], request.path_params["name"])
        if path is None or path.name == "answer.json":
            return page_of_one_line("there is no such file", 404)
        suffix = path.suffix.lower()
        headers = {"cache-control": "private, max-age=31536000, immutable"} if suffix in _INLINE else {}
        return FileResponse(
            path,
            media_type=_TYPES.get(suffix, "application/octet-stream"),
            filename=path.name,
            content_disposition_type="inline" if path.name.startswith(("picture-", "preview", SMALL)) else "attachment",
            headers=headers,
        )

    async def presses(self, request: Request) -> Response:
        """Show the log, and how much was just taken up."""
        query = dict(request.query_params)
        taken = [query[k] for k in ("added", "known") if query.get(k, "").isdecimal()]
        values = await asyncio.to_thread(self.journal.presses, query)
        kept = [row["uid"] for row in values["rows"] if self.store.file(row["uid"], "answer.json")]
        others = [row["uid"] for row in values["rows"] if row["kind"] == "inspect" and row["uid"] not in kept]
        overviews = await asyncio.to_thread(self.journal.overviews, others)
        for row in values["rows"]:
            uid, at = row["uid"], overviews.get(row["uid"], "")
            row["word"] = words.action_word(row["action"]) if row["action"] else ""
            row["picture"] = self.store.picture(uid)
            row["href"] = f"/pieces/{uid}/" if uid in kept else ""
            if at and self.store.file(at, "answer.json"):
                row["href"] = f"/pieces/{at}/#piece-{uid}"
        return self.show(request, "presses.html.j2", {**values, "taken": taken if len(taken) == 2 else []})

    async def health(self, request: Request) -> Response:
        """Lay the findings of the logged pieces over one another."""
        if refused := self.refuse(request):
            return refused
        params = forms.health(self.journal.where)
        return await self.begin(request, "health", "Presses laid over one another", params)

    # ------------------------------------------------------------ settings

    async def settings(self, request: Request) -> Response:
        """Show the settings."""
        return self.show(request, "settings.html.j2", await asyncio.to_thread(self.setting_values))

    def setting_values(self, what: str = "", typed: Mapping[str, str] = MappingProxyType({})) -> dict[str, Any]:
        """Limits with the shipped ones beside them, recipes, camera; ``typed`` is a form ``what`` that was refused."""
        from ..ground.limits import load_limits

        shipped = load_limits().tables()
        try:
            own = load_limits(self.store.limits_file).tables() if self.store.limits_file.exists() else shipped
        except ColorcheckError:
            own = shipped
        notes = _limit_notes()
        tables = [
            {
                "name": table,
                "title": table_name(table),
                "rows": [
                    {
                        "key": k,
                        "label": limit_name(table, k),
                        "value": typed.get(f"{table}.{k}", own[table][k]),
                        "shipped": v,
                        "note": notes.get((table, k), ""),
                    }
                    for k, v in rows.items()
                ],
            }
            for table, rows in shipped.items()
        ]
        return {
            "tables": tables,
            "recipes": [{"name": r.name, "told": _told(r)} for r in self.store.recipes()],
            "has_camera": self.store.camera_file.exists(),
            "where": str(self.store.root),
            "opened": what,
            "typed": typed,
            "size_mb": self.store.size_bytes() / 1e6,
            "results": len(self.store.uids()),
            "keep_days": str(self.store.keep_days),
            "artworks": [{"digest": a.digest, "name": a.name} for a in self.store.artworks()],
            "error": "",
        }

    async def change_setting(self, request: Request) -> Response:
        """Change one of the settings, and show them again."""
        if refused := self.refuse(request):
            return refused
        what = request.path_params["what"]
        form = await uploads.form_of(request)
        answer = RedirectResponse("/settings", 303)
        fields = uploads.texts(form)
        try:
            if what == "shown":
                shown = Shown(
                    uploads.plain(fields, "length", ("mm", "in")),
                    uploads.plain(fields, "heat", ("C", "F")),
                    uploads.plain(fields, "look", ("auto", "light", "dark")),
                )
                answer.set_cookie(COOKIE, shown.cookie, max_age=400 * 86400, path="/", httponly=True, samesite="lax")
            elif what == "limits":
                from ..ground.limits import load_limits

                self.store.save_limits({} if fields.get("reset") else forms.limits(fields, load_limits().tables()))
            elif what == "recipe" and fields.get("drop"):
                self.store.drop_recipe(fields["drop"])
            elif what == "recipe":
                self.store.save_recipe(KeptRecipe(**forms.recipe(fields, chosen(request))))
            elif what == "artwork":
                await asyncio.to_thread(self.store.forget_artwork, fields.get("drop", ""))
            elif what == "kept":
                days = int(uploads.plain(fields, "days", ("0", "30", "90", "365", "1825")))
                await asyncio.to_thread(self.store.save_keep_days, days)
            elif what == "camera":
                await self._camera(form, drop=bool(fields.get("drop")))
            else:
                return page_of_one_line("there is no such setting", 404)
        except ColorcheckError as e:
            return self.show(request, "settings.html.j2", {**self.setting_values(what, fields), "error": str(e)}, 400)
        finally:
            await request.close()
        return answer

    async def _camera(self, form: Any, *, drop: bool) -> None:
        """Keep a camera file, when it is one, or forget it."""
        if drop:
            self.store.camera_file.unlink(missing_ok=True)
            return
        sent = uploads.sent(form, "camera")
        if not sent:
            raise UsageError("the camera file is missing", "choose the file that 'colorcheck camera' wrote")
        from ..photo.camerafile import load_camera

        uid = self.store.new_uid()
        stored = await uploads.store_file(sent[0], self.store.uploads(uid), "camera.json")
        try:
            await asyncio.to_thread(load_camera, stored.path)
            self.store.keep_camera(stored.path)
        finally:
            self.store.forget_uploads(uid)

    # ------------------------------------------------------------ the rest

    async def open_on_phone(self, request: Request) -> Response:
        """Show the address as a code for the phone's camera; only on the bench computer itself."""
        if not _at_bench(request):
            return page_of_one_line("the code is shown on the bench computer only", 403)
        code = ""
        if self.url:
            import segno

            code = segno.make(self.url, error="m").svg_inline(scale=8, border=4, dark="#111", light="#fff")
        where = self.url.split("/in/")[0].removeprefix("http://")
        values = {"code": code, "url": self.url, "where": where, "short": self.access.short}
        return self.show(request, "open.html.j2", values)

    async def new_code(self, request: Request) -> Response:
        """Make a new code: phones that were let in must ask again."""
        if refused := self.refuse(request):
            return refused
        if not _at_bench(request) or not self.url:
            return page_of_one_line("the code is shown on the bench computer only", 403)
        self.store.new_secret(CODE)
        self.access.code = self.store.secret(CODE, CODE_BYTES).hex()
        self.url = self.url.split("/in/")[0] + f"/in/{self.access.code}"
        return RedirectResponse("/open", 303)

    async def enter_typed(self, request: Request) -> Response:
        """Let a phone in whose owner typed the short code."""
        client = request.client.host if request.client else ""
        if self._tries.too_many(client):
            return page_of_one_line("that was wrong too often: wait ten minutes, or scan the code", 429)
        typed = uploads.texts(await uploads.form_of(request)).get("code", "")
        if not self.access.is_short(typed):
            self._tries.wrong(client)
            return ask_for_code("that is not the code", 403)
        return enter(self.access, self.access.code)  # type: ignore[no-any-return]

    async def enter(self, request: Request) -> Response:
        """Let a phone in that has the code."""
        return enter(self.access, request.path_params["code"])  # type: ignore[no-any-return]

    async def static(self, request: Request) -> Response:
        """Send the style, the script or the icon."""
        name = request.path_params["name"]
        found = {"page.css": "text/css", "page.js": "text/javascript", "icon.svg": "image/svg+xml"}
        if name not in found:
            return page_of_one_line("there is no such file", 404)
        text = files("colorcheck.web").joinpath("static", name).read_text(encoding="utf-8")
        if name == "page.css":
            text = files("colorcheck").joinpath("templates", "look.css").read_text(encoding="utf-8") + text
        return Response(text, media_type=found[name], headers={"cache-control": "no-cache"})


def _mark(request: Request, kind: str, mark: str) -> str:
    """Name a form of a visitor."""
    return f"{session_of(request)} {kind} {mark}"


def _at_bench(request: Request) -> bool:
    """Whether the visitor sits at the bench computer itself."""
    return (request.client.host if request.client else "") in ("127.0.0.1", "::1", "testclient")


def _no_room(request: Request, error: Exception) -> Response:
    """Answer to a disk that is full, or a file that cannot be written."""
    full = isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
    line = "the disk of the bench computer is full: free some space, then send it again"
    return page_of_one_line(line if full else "something on the bench computer's disk cannot be used", 507)


def _onward(uid: str, answer: dict[str, Any]) -> list[dict[str, str]]:
    """Where to go from an answer."""
    kind, again = answer["kind"], answer.get("again", {})
    repressed = answer.get("action") == "re-press"
    once_more = "Check it again after pressing" if repressed else "Photograph it again"
    if repressed:  # what follows has been pressed once more; a photo that is only taken again has not
        again = {**again, "press": "2", **({"before": uid} if kind == "inspect" else {})}
    if kind == "inspect":
        return [{"href": "/check/piece?" + urlencode(again), "text": once_more}]
    if kind == "read":
        return [
            {"href": "/check/target?" + urlencode(again), "text": once_more},
            {"href": "/compare?" + urlencode({"reading": uid}), "text": "Compare it with another blank"},
        ]
    if kind == "profile":
        return [{"href": "/prepare?" + urlencode({"profile_kept": uid}), "text": "Prepare a picture with it"}]
    if kind == "prepare":
        return [{"href": "/prepare?" + urlencode(again), "text": "Prepare another one"}]
    if kind == "ladder-plan":
        return [{"href": f"/steps/{uid}", "text": "All are pressed and checked: the answer"}]
    if kind == "bench":
        return [
            {"href": "/check/target?" + urlencode({"bench": uid}), "text": "Check a target with it"},
            {"href": "/check/piece?" + urlencode({"bench": uid}), "text": "Check a piece with it"},
            {"href": "/bench", "text": "Check it again"},
        ]
    if kind == "repeat":
        return [{"href": "/setup", "text": "Try another set-up"}]
    if kind == "camera":
        return []
    if kind == "ladder":
        return [{"href": "/steps", "text": "All step tests"}]
    if kind in ("health", "trend", "fading"):
        return [{"href": "/presses", "text": "All presses"}]
    return [{"href": "/compare", "text": "Compare others"}]


def _told(r: KeptRecipe) -> str:
    """One recipe in a few words."""
    parts = [reader.heat(r.platen_c)] if r.platen_c else []
    parts += [f"{r.seconds:.0f} s"] if r.seconds else []
    parts += [f"{reader.length(r.glass_mm, None)} glass"] if r.glass_mm else []
    parts += ["heated from the back" if r.heated_face == "back" else "heated through the paper"]
    parts += [f"never longer than {r.max_seconds:.0f} s"] if r.max_seconds else []
    parts += [f"never hotter than {reader.heat(r.max_c)}"] if r.max_c else []
    return ", ".join(parts)


def _limit_notes() -> dict[tuple[str, str], str]:
    """Comments of the shipped limits: what each one is, and where it comes from."""
    out: dict[tuple[str, str], str] = {}
    table = key = ""
    for line in files("colorcheck").joinpath("limits.toml").read_text(encoding="utf-8").splitlines():
        name, _, note = (part.strip() for part in line.partition("#"))
        if name.startswith("["):
            table, key = name.strip("[]"), ""
        elif "=" in name:
            key = name.partition("=")[0].strip()
            out[table, key] = note
        elif key and note and not name:
            out[table, key] += " " + note
    return out
