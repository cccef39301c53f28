"""The server of the page: loopback only, a token in its address, one folder, gone with its window."""

import asyncio
import contextlib
import json
import secrets
import socket
import time
import traceback
import webbrowser
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, Final

import anyio.from_thread
import uvicorn
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from analyzer.core.errors import AnalyzerError, plain_text
from analyzer.core.files import COURSE_PAGE, LOOK_PAGE, PAGE, RESULTS
from analyzer.core.units import AXLES, DIMENSIONS, Axle
from analyzer.desk import sheet_form
from analyzer.desk.folder import LARGEST_LOG, MODELS, ChangedOnDiskError, Folder, RefusedError
from analyzer.desk.work import BAR_KEYS, WISHES, Work, bar_sheet, traces, tried_bar, weights
from analyzer.sheets.bar import MATERIALS
from analyzer.sheets.car import CHANNEL_DIMENSIONS, CarSheet

HERE: Final = Path(__file__).parent
LOOPBACK: Final = "127.0.0.1"
LARGEST_MESSAGE: Final = 1_000_000
"""Bytes of what a page sends but logs."""
GRACE: Final = 8.0
"""Time without a window after which the server ends [s]: the next page of a busy machine comes within it."""
BEAT: Final = 0.25
"""Time between two looks for news of the work [s]."""
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
REPORT_POLICY: Final = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'"
)
"""The report is one file with its style in it, and has no script; the desk shows it in a frame."""
LOOK_POLICY: Final = (
    f"{REPORT_POLICY}; script-src 'unsafe-inline'; "
    "sandbox allow-scripts allow-popups allow-top-navigation-by-user-activation"
)
"""That of the runs has a script, which is kept apart: whoever gave the folder away may have put it there."""
_SHOWN: Final = frozenset({PAGE, COURSE_PAGE, LOOK_PAGE, RESULTS})

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]


class Guard:
    """Lets through what comes from the page itself: right host, right token, right origin.

    Any other site that a browser on this machine has open can send requests to this address, and a name of
    its own may lead here, too; neither knows the token nor can give another host or origin than its own.

    Parameters
    ----------
    app : ASGI application
        What lies behind.
    host, token : str
        Host with port, and the random part of the address.
    code : str
        Leads to the address once: every account of this machine sees the command line on which a browser is
        opened, so the token does not stand there.
    """

    def __init__(self, app: Any, host: str, token: str, code: str) -> None:
        self.app, self.host, self.token, self.code = app, host, token, code
        self._burnt = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        heads = [(name.lower(), value) for name, value in scope["headers"]]
        hosts = [value for name, value in heads if name == b"host"]
        origins = [value for name, value in heads if name == b"origin"]
        asks = scope["method"] in ("GET", "HEAD")
        own = f"http://{self.host}".encode()
        token, _, rest = scope["path"].removeprefix("/").partition("/")
        # In this order: who does not know the host learns nothing of tokens, nor whether an address was used.
        if hosts != [self.host.encode()]:
            answer: Response | None = Response("this address has another host\n", 421)
        elif scope["method"] == "GET" and secrets.compare_digest(token.encode(), self.code.encode()):
            answer = Response(USED, 410) if self._burnt else RedirectResponse(f"/{self.token}/", 303, _PLAIN)
            self._burnt = True
        elif not secrets.compare_digest(token.encode(), self.token.encode()):
            answer = Response("the address is not complete\n", 404)
        elif origins not in ([own], []) or (not asks and origins != [own]):
            answer = Response("this comes from another page\n", 403)
        else:
            answer = None
        if answer is not None:
            await answer(scope, receive, send)
            return

        async def guarded(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                # An answer that needs other rights brings its own policy; all others get the strict one.
                given = {name.lower() for name, _ in message["headers"]}
                for name, value in _HEADS.items():
                    if name not in given:
                        message["headers"].append((name, value))
            await send(message)

        await self.app({**scope, "path": f"/{rest}", "raw_path": None}, receive, guarded)


USED: Final = (
    "This address leads to the desk once, and did already. The lasting one is shown in the terminal.\n"
    "If you have not opened it before, somebody else on this machine has: end the desk there with Ctrl-C.\n"
)
_PLAIN: Final = {"referrer-policy": "no-referrer", "cache-control": "no-store"}
_HEADS: Final = {
    b"content-security-policy": POLICY.encode(),
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"no-referrer",
    b"cache-control": b"no-store",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"x-frame-options": b"DENY",
}


class Desk:
    """What answers the page.

    Parameters
    ----------
    folder : Folder
        The session.
    """

    def __init__(self, folder: Folder) -> None:
        self.folder = folder
        self.work = Work(folder)
        self.windows = 0
        self.last_seen: float | None = None
        self._environment = Environment(
            loader=FileSystemLoader(HERE),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.globals |= {
            "kinds": sheet_form.kinds_of,
            "materials": tuple(MATERIALS),
            "house": tuple(CHANNEL_DIMENSIONS),
            "units": tuple(dict.fromkeys(unit for kind in DIMENSIONS.values() for unit in kind.log_units)),
            "pages": (),
            "counts": {},
        }

    def app(self) -> Starlette:
        """Return the application, its addresses without the token."""
        routes = [
            Route("/", self._logs),
            *(Route(f"/{name}", partial(self._sheet, name)) for name in MODELS),
            Route("/bar", self._bar),
            Route("/builder", self._builder),
            Route("/builder/{axle}", self._builder),
            Route("/shown", self._shown),
            Route("/results", self._results),
            Route("/style.css", self._style),
            Route("/desk.js", self._script),
            Route("/report/{name}", self._report),
            Route("/windows", self._window),
            Route("/logs/{name}", self._take, methods=["PUT"]),
            Route("/try", self._try, methods=["POST"]),
            Route("/save", self._save, methods=["POST"]),
            Route("/bar", self._try_bar, methods=["POST"]),
            Route("/work", self._begin, methods=["POST"]),
        ]
        handlers: dict[Any, Any] = {AnalyzerError: _told, Exception: _fault}
        return Starlette(routes=routes, exception_handlers=handlers)

    # Pages.

    def _page(self, template: str, **shown: Any) -> HTMLResponse:
        text = self._environment.get_template(template).render(
            folder=self.folder.path.name, begun=self.folder.begun, page=template.partition(".")[0], **shown
        )
        return HTMLResponse(plain_text(text).encode("utf-8", "xmlcharrefreplace"))

    def _logs(self, _request: Request) -> Response:
        shown: dict[str, Any] = {
            "runs": (),
            "logs": self.folder.logs(),
            "channels": None,
            "largest": LARGEST_LOG,
        }
        if not self.folder.begun:
            return self._page("logs.html.j2", **shown, kept=None, traces=(), free=(), left=(), log="")
        kept = self.folder.read("car")
        form = sheet_form.form_of(CarSheet, self.folder.document(kept))
        channels = form.group("logger").group("channels")
        used = {part.value for part in sheet_form.fields(channels) if part.key.name == "column"}
        known = {part.key.name for part in channels.parts}
        runs = self.folder.read("session").table.get("runs", [])
        # One map of channels holds for all logs, so the first one shows what its columns are.
        first = next((str(log) for run in runs for log in run.get("logs", ())), "")
        drawn = traces(self.folder.inside(first)) if first in self.folder.logs() else ()
        shown |= {
            "runs": runs,
            "kept": kept,
            "channels": channels,
            "traces": {trace.column: trace for trace in drawn},
            "left": [trace for trace in drawn if trace.column not in used],
            "free": [name for name in CHANNEL_DIMENSIONS if name not in known],
            "log": first,
            "job": self.work.job,
        }
        return self._page("logs.html.j2", **shown)

    def _sheet(self, which: str, _request: Request) -> Response:
        kept = self.folder.read(which)
        form = sheet_form.form_of(MODELS[which], self.folder.document(kept))
        setups = self.folder.read("session").table.get("setups", {}) if which == "session" else {}
        refused = self.folder.refused(which, kept.data)
        return self._page(
            "sheet.html.j2",
            which=which,
            kept=kept,
            form=form,
            setups=list(setups) if isinstance(setups, dict) else [],
            logs=self.folder.logs(),
            refused=_places(refused),
            counts=weights(CarSheet.model_validate(kept.table)) if which == "car" and not refused else {},
        )

    def _bar(self, _request: Request) -> Response:
        kept = self.folder.read("car")
        form = sheet_form.form_of(CarSheet, self.folder.document(kept))
        bars = {axle: [part for part in sheet_form.fields(form) if _shown_live(part, axle)] for axle in AXLES}
        return self._page(
            "bar.html.j2", kept=kept, bars=bars, refused=_places(self.folder.refused("car", kept.data))
        )

    def _builder(self, request: Request) -> Response:
        text, drawings = bar_sheet(self.folder)
        axle = request.path_params.get("axle")
        if axle not in drawings:
            return self._page("builder.html.j2", text=text, drawn=list(drawings))
        heads = {"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'"}
        return Response(drawings[axle], media_type="image/svg+xml", headers=heads)

    def _results(self, _request: Request) -> Response:
        every, driven = self.work.setups()
        return self._page(
            "results.html.j2",
            setups=every,
            driven=driven,
            job=self.work.job,
            pages=self._pages(),
            wishes=WISHES,
        )

    def _shown(self, _request: Request) -> Response:
        """Return what the last piece of work found, as a part of a page."""
        job = self.work.job
        return self._page("work.html.j2", job=job, shows=(job.what,), pages=self._pages())

    def _pages(self) -> list[str]:
        """Return the pages of the last review."""
        report = self.folder.path / "report"
        return [name for name in (PAGE, COURSE_PAGE, LOOK_PAGE) if (report / name).is_file()]

    def _style(self, _request: Request) -> Response:
        from analyzer.report import page as report_page

        own = (HERE / "desk.css").read_text(encoding="utf-8")
        shared = (Path(report_page.__file__).parent / "style.css").read_text(encoding="utf-8")
        return Response(shared + own, media_type="text/css")

    def _script(self, _request: Request) -> Response:
        return FileResponse(HERE / "desk.js", media_type="text/javascript")

    def _report(self, request: Request) -> Response:
        name = request.path_params["name"]
        path = self.folder.inside("report", name) if name in _SHOWN else None
        if path is None or not path.is_file():
            return Response("there is no such page\n", 404)
        kind = "application/json" if path.suffix == ".json" else "text/html; charset=utf-8"
        policy = LOOK_POLICY if name == LOOK_PAGE else REPORT_POLICY
        heads = {"content-type": kind, "content-security-policy": policy, "x-frame-options": "SAMEORIGIN"}
        return FileResponse(path, headers=heads)

    async def _window(self, request: Request) -> Response:
        """Tell a window the news until it is closed; the server lives as long as one hears them."""
        return StreamingResponse(self._news(request), media_type="text/event-stream")

    async def _news(self, request: Request) -> AsyncIterator[str]:
        self.windows += 1
        told, quiet = "", 0.0
        try:
            while not await request.is_disconnected():
                job = self.work.job
                said = json.dumps(
                    {
                        name: getattr(job, name)
                        for name in ("number", "what", "running", "step", "done", "steps")
                    }
                )
                quiet += BEAT
                if said != told or quiet > 10.0:
                    yield f"data: {said}\n\n"
                    told, quiet = said, 0.0
                await asyncio.sleep(BEAT)
        finally:
            self.windows -= 1
            self.last_seen = time.monotonic()

    # What the page sends.

    async def _take(self, request: Request) -> Response:
        if int(request.headers.get("content-length") or 0) > LARGEST_LOG:
            return _line(f"a log may have {LARGEST_LOG / 1e9:g} GB at most; split it", 413)
        stream = request.stream().__aiter__()

        async def following() -> bytes:
            return await anext(stream, b"")

        def fill(file: BinaryIO) -> None:
            size = 0
            while piece := anyio.from_thread.run(following):
                size += len(piece)
                if size > LARGEST_LOG:
                    raise AnalyzerError(f"a log may have {LARGEST_LOG / 1e9:g} GB at most; split it")
                file.write(piece)
            if size == 0:
                raise AnalyzerError("the log is empty")

        try:
            log, run = await run_in_threadpool(self.folder.take_run, request.path_params["name"], fill)
        except ClientDisconnect:
            return _line("the log did not come in whole; drop it again", 400)
        return JSONResponse({"log": log.name, "run": run})

    async def _try(self, request: Request) -> Response:
        sent = await _message(request)
        which, edits = _which(sent), sheet_form.read_edits(sent.get("edits"))
        return await run_in_threadpool(self._tried, which, edits)

    def _tried(self, which: str, edits: tuple[sheet_form.Edit, ...]) -> Response:
        data = sheet_form.edited(self.folder.read(which).data, edits)
        return JSONResponse({"refused": _places(self.folder.refused(which, data))})

    async def _save(self, request: Request) -> Response:
        sent = await _message(request)
        which, edits = _which(sent), sheet_form.read_edits(sent.get("edits"))
        try:
            kept = await run_in_threadpool(self.folder.save, which, str(sent.get("version")), edits)
        except ChangedOnDiskError as error:
            return JSONResponse({"version": error.now, "difference": error.difference}, 409)
        except RefusedError as error:
            return JSONResponse({"refused": _places(error.found), "line": str(error)}, 422)
        return JSONResponse({"version": kept.version})

    async def _try_bar(self, request: Request) -> Response:
        sent = await _message(request)
        axle: Axle = "rear" if sent.get("axle") == "rear" else "front"
        edits = sheet_form.read_edits(sent.get("edits"))
        figures = await run_in_threadpool(tried_bar, self.folder, axle, edits)
        return JSONResponse(figures)

    async def _begin(self, request: Request) -> Response:
        sent = await _message(request)
        wishes = {key: str(value) for key, value in sent.items() if isinstance(value, str)}
        return JSONResponse({"number": self.work.start(wishes.get("what", ""), wishes).number})


def _shown_live(part: sheet_form.Field, axle: Axle) -> bool:
    return part.place[:2] == (axle, "bar") and part.place[2:] in BAR_KEYS


def _which(sent: dict[str, Any]) -> str:
    which = sent.get("sheet")
    if which not in MODELS:
        raise AnalyzerError("the page named no sheet; load it again")
    return str(which)


def _places(found: Any) -> list[dict[str, Any]]:
    return [
        {
            "key": item.key,
            "place": list(item.place),
            "line": "; ".join(filter(None, (item.problem, item.remedy))),
        }
        for item in found
    ]


async def _message(request: Request) -> dict[str, Any]:
    """Return what a page sent as JSON; raises `AnalyzerError` when it is too large or something else."""
    data = b""
    async for piece in request.stream():
        data += piece
        if len(data) > LARGEST_MESSAGE:
            raise AnalyzerError("the page sent too much at once; load it again")
    try:
        sent = json.loads(data)
    except (ValueError, RecursionError):
        sent = None
    if not isinstance(sent, dict):
        raise AnalyzerError("the page sent something that is no message; load it again")
    return sent


def _line(text: str, status: int = 422) -> Response:
    return JSONResponse({"line": text}, status)


async def _told(request: Request, error: Exception) -> Response:
    if request.method == "GET":
        return Response(f"{error}\n", 422, media_type="text/plain; charset=utf-8")
    return _line(str(error))


async def _fault(_request: Request, error: Exception) -> Response:
    traceback.print_exception(error)
    return _line("fault of this program; send what the terminal shows to those who keep it", 500)


# The server itself.


def bound(port: int) -> socket.socket:
    """Return a socket on the loopback address that nobody else listens on; `port` 0 for a free one.

    Raises
    ------
    AnalyzerError
        When the port is taken.
    """
    own = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        own.bind((LOOPBACK, port))
        own.listen(128)
    except (OSError, OverflowError):
        own.close()
        raise AnalyzerError(
            f"--port {port}: is taken or not allowed; leave --port out for a free one"
        ) from None
    return own


def settings(app: Guard) -> uvicorn.Config:
    """Return how the server runs: plain HTTP for few windows, and silent."""
    return uvicorn.Config(
        app,
        http="h11",
        ws="none",
        loop="asyncio",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=1,
    )


def serve(path: Path, port: int, show: Callable[[str], object], browser: bool = True) -> None:
    """Serve the page of a folder until its last window is closed, or an interrupt.

    Parameters
    ----------
    path : Path
        Folder of the session, made when it is not there.
    port : int
        0 for a free one.
    show : callable
        Told the address, once it answers.
    browser : bool
        Whether to open it in the user's browser.

    Raises
    ------
    AnalyzerError
        When the folder or the port cannot be used.
    """
    desk = Desk(Folder(path))
    own = bound(port)
    host = f"{LOOPBACK}:{own.getsockname()[1]}"
    token, code = secrets.token_urlsafe(24), secrets.token_urlsafe(24)
    address = f"http://{host}/{token}/"
    server = uvicorn.Server(settings(Guard(desk.app(), host, token, code)))

    async def until_closed() -> None:
        # A page is a window while it listens for news; the server ends when none has for a while.
        running = asyncio.create_task(server.serve([own]))
        while not server.started and not running.done():
            await asyncio.sleep(0.02)
        show(address)
        if browser:
            await run_in_threadpool(webbrowser.open, f"http://{host}/{code}")
        while not running.done():
            await asyncio.wait([running], timeout=0.5)
            seen = desk.last_seen
            if seen is not None and not desk.windows and time.monotonic() - seen > GRACE:
                server.should_exit = True
        with contextlib.suppress(asyncio.CancelledError):  # how a server that was told to close ends
            await running

    asyncio.run(until_closed())
