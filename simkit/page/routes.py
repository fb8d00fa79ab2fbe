"""The server's addresses: the page and its scripts, and what these ask and say in JSON."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from simkit.page.companion import Refused, Stopped
from simkit.page.guard import POLICY, SANDBOX
from simkit.page.session import Drag, Session
from simkit.page.shelf import Changed
from simkit.page.studio import Studio

KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".pdf": "application/pdf",
    ".txt": "text/plain; charset=utf-8",
}
STATIC = files("simkit.page").joinpath("static")
SHARED = files("simkit.show").joinpath("static")  # what a report's page has too

Answer = Callable[[Studio, Request], Awaitable[Any]]


def application(studio: Studio, first: str | None) -> Starlette:
    """All routes over one studio; the guard stands before it."""

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        await studio.begin(first)
        try:
            yield
        finally:
            await studio.end()

    def route(path: str, answer: Answer, method: str = "GET") -> Route:
        async def answered(request: Request) -> Response:
            return await _answered(studio, answer, request)

        return Route(path, answered, methods=[method])

    gets = {
        "folder": _folder, "state": _state, "card": _card, "blow": _blow, "chart": _chart, "bench": _bench,
    }  # fmt: skip
    posts: dict[str, Answer] = {
        "drag": _drag, "change": _change, "undo": partial(_step, way=-1), "redo": partial(_step, way=1),
        "save": _save, "reload": _reload, "work": _work, "stop": _stop, "bench": _bench,
    }  # fmt: skip
    return Starlette(
        routes=[
            Route("/", _page),
            Route("/static/{name}", _static),
            *(route(f"/api/{name}", answer) for name, answer in gets.items()),
            *(route(f"/api/{name}", answer, "POST") for name, answer in posts.items()),
            route("/api/events", _events),
            route("/made/{path:path}", _made),
        ],
        lifespan=life,
    )


async def _answered(studio: Studio, answer: Answer, request: Request) -> Response:
    """The answer as JSON, or why there is none."""
    try:
        found = await answer(studio, request)
    except Changed as why:
        return JSONResponse({"error": str(why), "changed": True}, 409)  # Conflict: the page then asks whose is to stay
    except Refused as why:
        return JSONResponse({"error": str(why)}, 422)
    except (AttributeError, KeyError, TypeError, ValueError) as why:
        return JSONResponse({"error": f"that request is not understood ({type(why).__name__}: {why})"}, 400)
    except Stopped:
        # Service Unavailable: nothing is wrong with what was asked
        return JSONResponse({"error": "the work was stopped; try again"}, 503)
    return found if isinstance(found, Response) else JSONResponse(found if found is not None else {})


# --- the page -------------------------------------------------------------------------------------


async def _page(request: Request) -> Response:
    """The page; a browser is told at once what its script will ask first, in the script's own words."""
    answer, design = _file("index.html"), request.query_params.get("design")
    if design is not None:  # without it the page shows the folder
        asked = urlencode({"design": design})
        answer.headers["link"] = f"<api/state?{asked}>; rel=preload; as=fetch; crossorigin"
    return answer


async def _static(request: Request) -> Response:
    return _file(request.path_params["name"])


def _file(name: str) -> Response:
    """One of the page's own files, by its plain name."""
    # Neither has it: the folder itself, which is no file.
    path = next((path for path in (STATIC.joinpath(name), SHARED.joinpath(name)) if path.is_file()), STATIC)
    kind = KINDS.get(Path(name).suffix)
    if kind is None or Path(name).name != name or name.startswith(".") or not path.is_file():
        return Response("nothing here", 404)
    return Response(path.read_bytes(), media_type=kind)


async def _made(studio: Studio, request: Request) -> Response:
    """Something that was made here from a design: sheets, the report. Without an origin, so that it reaches nothing."""
    path = studio.shelf.folder / request.path_params["path"]
    # resolve: no link has come in its place.
    if path not in studio.made or not path.is_file() or path.resolve() != path:
        return Response("nothing here", 404)
    policy = SANDBOX if path.suffix == ".html" else POLICY
    headers = {"content-security-policy": policy}
    # never a type that a browser would run
    return Response(path.read_bytes(), media_type=KINDS.get(path.suffix, "text/plain"), headers=headers)


async def _events(studio: Studio, request: Request) -> Response:
    return StreamingResponse(studio.listeners.listen(), media_type="text/event-stream")


# --- looking --------------------------------------------------------------------------------------


async def _folder(studio: Studio, request: Request) -> Any:
    open_now = {name: session.saved for name, session in studio.sessions.items()}
    designs = studio.shelf.designs()
    named = {design["file"] for design in designs}
    unwritten = [  # designs that are open and have no file yet
        {"file": name, "title": session.shown.get("title") or name}
        for name, session in studio.sessions.items()
        if name not in named
    ]
    return {
        "folder": studio.shelf.folder.name,
        "designs": [{**each, "saved": open_now.get(each["file"], True)} for each in designs],
        "unwritten": unwritten,
        "jobs": [job.as_dict() for job in studio.jobs.values()],
    }


async def _asked(studio: Studio, request: Request) -> Session:
    return await studio.session(request.query_params["design"])


async def _state(studio: Studio, request: Request) -> Any:
    return (await _asked(studio, request)).as_dict()


async def _card(studio: Studio, request: Request) -> Any:
    return await studio.card(request.query_params["design"])


async def _blow(studio: Studio, request: Request) -> Any:
    session = await _asked(studio, request)
    text = session.text
    if request.query_params.get("of") == "saved":
        if session.on_disk is None:
            raise Refused("there is no file yet")
        text = session.on_disk.text
    version = session.version
    return {"version": version, **await studio.patient.ask("replies.blown", text, session.source)}


async def _chart(studio: Studio, request: Request) -> Any:
    session = await _asked(studio, request)
    version = session.version
    return {"version": version, **await studio.patient.ask("replies.charted", session.text, session.source)}


# --- changing -------------------------------------------------------------------------------------


async def _body(studio: Studio, request: Request) -> tuple[Session, dict[str, Any]]:
    body = await request.json()
    if not isinstance(body, dict):
        raise TypeError("an object")  # answered with 400, as every request that is not understood
    return await studio.session(str(body["design"])), body


def _values(body: dict[str, Any]) -> dict[str, float]:
    # JSON has no nan, but Python's reader takes it.
    values = {str(name): float(value) for name, value in body["values"].items()}
    if not values or not all(map(math.isfinite, values.values())):
        raise ValueError("numbers")
    return values


async def _drag(studio: Studio, request: Request) -> Any:
    session, body = await _body(studio, request)
    session.drag(Drag(str(body["tab"]), int(body["serial"]), int(body["base"]), _values(body)))


async def _change(studio: Studio, request: Request) -> Any:
    session, body = await _body(studio, request)
    # shown beside undo: a line at most
    await session.change(_values(body), int(body["base"]), str(body.get("label", "a change"))[:80])
    return {"version": session.version}


async def _step(studio: Studio, request: Request, way: int) -> Any:
    session, _ = await _body(studio, request)
    await session.step(way)


async def _save(studio: Studio, request: Request) -> Any:
    session, body = await _body(studio, request)
    other = body.get("name")
    if other is not None and other != session.name:
        return (await studio.save_as(session.name, str(other))).as_dict()
    session.save(over=body.get("over") is True)  # nothing else means yes
    return {"saved": session.saved}


async def _reload(studio: Studio, request: Request) -> Any:
    session, _ = await _body(studio, request)
    await session.reload()


async def _work(studio: Studio, request: Request) -> Any:
    body = await request.json()
    kind, design = str(body["kind"]), str(body["design"])
    if kind not in ("wish", "start"):  # these begin a design that is not there yet
        await studio.session(design)
    return studio.work(kind, design, body).as_dict()


async def _stop(studio: Studio, request: Request) -> Any:
    studio.stop(int((await request.json())["job"]))


async def _bench(studio: Studio, request: Request) -> Any:
    """The bench's word; with a body, after what that gives. Of the design as its file has it."""
    if request.method == "POST":
        session, given = await _body(studio, request)
    else:
        session, given = await _asked(studio, request), dict(request.query_params)
    if session.on_disk is None:
        raise Refused("save the design first: the bench keeps its log beside the file")
    log = studio.shelf.beside(session.name, ".toml.bench.jsonl")
    # the rest is for the bench, which takes what it knows
    known = {key: value for key, value in given.items() if key not in ("design", "tab")}
    answer = await studio.patient.ask("replies.benched", session.on_disk.text, session.source, str(log), known)
    if not session.saved:
        answer["cautions"].insert(0, "the bench is of the design as it is saved, not of what is shown")
    return {**answer, "log": log.name, "unsaved": not session.saved}
