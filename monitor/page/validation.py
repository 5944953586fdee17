"""Validation of requests (body, query parameters, ids), and the error response for each kind of failure."""

from __future__ import annotations

import json

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from monitor.page.readers import TooBusy
from monitor.runs.report_body import Refused
from monitor.runs.store import StoreTrouble

MOST_ID = 2**31  # of runs and cycles


async def body_of(request: Request) -> object:
    """The JSON of a body. Raises Refused."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise Refused("send application/json", 415)
    try:
        return json.loads(await request.body())
    except (ValueError, RecursionError):
        raise Refused("the body is not JSON", 400) from None


def numbers_of(request: Request, limits: dict[str, tuple[float, float]]) -> list[float | None]:
    """Query parameters that are numbers within limits, in their order. Raises Refused."""
    out: list[float | None] = []
    for name, (low, high) in limits.items():
        text = request.query_params.get(name)
        if text is None:
            out.append(None)
            continue
        try:
            value = float(text)
        except ValueError:
            raise Refused(f"{name}: must be a number") from None
        if not low <= value <= high:
            raise Refused(f"{name}: must be {low:g} to {high:g}")
        out.append(value)
    return out


def whole(text: str, name: str) -> int:
    """A number of a run or a cycle. Raises Refused."""
    if not (text.isascii() and text.isdecimal() and len(text) < 12 and int(text) < MOST_ID):
        raise Refused(f"{name}: must be a whole number")
    return int(text)


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)
    return JSONResponse({"error": str(error)}, error.status)


async def _store_trouble(request: Request, error: Exception) -> Response:
    return JSONResponse({"error": f"the store: {error}"}, 503, {"retry-after": "10"})


async def _too_busy(request: Request, error: Exception) -> Response:
    return JSONResponse({"error": "too many requests at once"}, 503, {"retry-after": "2"})


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return JSONResponse({"error": str(error.detail)}, error.status_code, error.headers)


async def _gone(request: Request, error: Exception) -> Response:
    return JSONResponse({"error": "the body was too long, or ended early"}, 413)


ERRORS = {
    Refused: _refused,
    StoreTrouble: _store_trouble,
    TooBusy: _too_busy,
    HTTPException: _http,
    ClientDisconnect: _gone,
}
