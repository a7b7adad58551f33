"""The application: a workbench and a gate given, routes behind it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from backstay.app.library import without_folders
from backstay.errors import InputError, NotConverged, NotFound, StoreError, error_shape, http_status
from backstay.web import (
    pages,
    routes_angiogram,
    routes_cases,
    routes_door,
    routes_plan,
    routes_record,
    routes_report,
    routes_vessel,
)
from backstay.web.gate import Gate, Refused
from backstay.web.models import ErrorShape
from backstay.web.parts import Workbench

TICK_S = 1.0
_EXPECTED = (InputError, NotConverged, StoreError, OSError)


def application(workbench: Workbench, *, hosts: frozenset[str]) -> Gate:
    """Return the workbench as an ASGI application.

    Parameters
    ----------
    workbench : Workbench
        Cases, visits and what else stands behind the routes.
    hosts : frozenset of str
        Names, with the port, under which it may be spoken to.
    """
    app = inside(workbench)
    scheme = "https" if workbench.is_tls else "http"
    return Gate(
        app,
        hosts=hosts,
        scheme=scheme,
        visits=workbench.visits,
        cookie=workbench.cookie,
        audit=workbench.audit,
    )


def inside(workbench: Workbench) -> FastAPI:
    """Return what stands behind the gate."""
    app = FastAPI(
        title="Backstay workbench",
        version="1",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        lifespan=_running(workbench),
        responses={code: {"model": ErrorShape} for code in (401, 403, 404, 422, 503)},
    )
    app.state.workbench = workbench
    for kind in (*_EXPECTED, RequestValidationError, HTTPException):
        app.add_exception_handler(kind, _answer)
    for module in (
        pages,
        routes_door,
        routes_cases,
        routes_plan,
        routes_record,
        routes_report,
        routes_vessel,
        routes_angiogram,
    ):
        app.include_router(module.router)
    return app


def _running(workbench: Workbench) -> Callable[[FastAPI], Any]:
    @asynccontextmanager
    async def running(app: FastAPI) -> AsyncIterator[None]:
        workbench.hub.start()
        workbench.desks.start()
        ticking = asyncio.create_task(_tick(workbench))
        yield
        ticking.cancel()
        workbench.hub.stop()
        await run_in_threadpool(workbench.desks.stop)

    return running


async def _tick(workbench: Workbench) -> None:
    """Keep the clocks of every followed case going, and say of each whether they go: a page that hears nothing knows."""
    while True:
        await asyncio.sleep(TICK_S)
        for case in workbench.hub.followed:
            try:
                await run_in_threadpool(workbench.desks.tick, case)
            except Exception as error:  # whatever it is, the next second and the other cases must still come
                shape = error_shape(without_folders(error, workbench.library.folder))
                workbench.hub.tell(case, "stopped", {"why": f"{shape['message']} {shape['where']}".strip()})
            else:
                workbench.hub.tell(case, "alive", {})


async def _answer(request: Request, error: Exception) -> JSONResponse:
    """Answer with the one error shape."""
    workbench: Workbench = request.app.state.workbench
    if isinstance(error, Refused):
        return JSONResponse(error.as_json(), status_code=error.status)
    if isinstance(error, RequestValidationError):
        read = _first(error)
        return JSONResponse(read.as_json(), status_code=http_status(read))
    if isinstance(error, HTTPException):
        kind = NotFound if error.status_code == 404 else InputError
        said = kind(str(error.detail), field="request", value=request.url.path, allowed="a route of this API")
        return JSONResponse(said.as_json(), status_code=error.status_code, headers=error.headers)
    shape = error_shape(without_folders(error, workbench.library.folder))
    return JSONResponse({**shape, "where": shape["where"].split("/")[-1]}, status_code=http_status(error))


def _first(error: RequestValidationError) -> InputError:
    found = error.errors()[0]
    place = [str(part) for part in found["loc"] if part not in ("body", "query", "path")]
    raised = found.get("ctx", {}).get("error")
    if isinstance(raised, InputError):
        return raised
    value = found.get("input")
    more = len(error.errors()) - 1
    return InputError(
        str(found["msg"]) + (f" (and {more} more)" if more else ""),
        field=".".join(place) or str(found["loc"][0]),
        value=None if isinstance(value, dict | list) else value,
        allowed="see the API's description",
    )
