"""Routes that ask for something: forms as browsers send them, who signs, and the request left for the daemon."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs

from fastapi import HTTPException, Request
from pydantic import BaseModel

from monitor.web.site import Site


class Refusal(BaseModel):
    """Why something was not done."""

    detail: str


REFUSALS: dict[int | str, dict[str, Any]] = {
    400: {"model": Refusal, "description": "It contradicts itself, or something is missing"},
    401: {"model": Refusal, "description": "Nobody who is known here"},
    403: {"model": Refusal, "description": "May not do that, or it came from another site"},
    404: {"model": Refusal, "description": "Not here"},
    429: {"model": Refusal, "description": "Too many requests at once"},
    503: {"model": Refusal, "description": "The store cannot be read"},
}

LARGEST = 16_384
NAME = 60


def each_once(request: Request) -> None:
    """Raises 400 where a parameter comes twice: which of the two was meant is not ours to guess."""
    given = [name for name, _ in request.query_params.multi_items()]
    if len(given) > len(set(given)):
        raise HTTPException(400, "A parameter is given more than once.")


async def fields(request: Request, most: int = 40) -> dict[str, str]:
    """The fields of a posted form, at most so many, each once, without surrounding blanks. Raises 413, 400."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > LARGEST:
            raise HTTPException(413, "That is more than a form holds.")
    try:
        found = parse_qs(body.decode(), max_num_fields=most)
    except ValueError:
        raise HTTPException(400, "That is no form in UTF-8.") from None
    return {name: values[-1].strip() for name, values in found.items()}


def signer(request: Request, given: dict[str, str]) -> str:
    """Who asks: the one who logged in, else the name given. Raises 400 where neither is known."""
    who = getattr(request.state, "who", None) or given.get("who", "")[:NAME]
    if not who:
        raise HTTPException(400, "Your name is missing: what is done is kept with who did it.")
    return str(who)


async def leave(site: Site, skid: str | None, action: str, body: dict[str, Any]) -> int:
    """Leaves a request for the daemon; returns its number. Raises 403 where this page may only look."""
    if site.submit is None:
        raise HTTPException(403, "This page may only look.")
    submit = site.submit
    number = await site.hub.ask(lambda _: submit(skid, action, body))
    await site.hub.look()
    return number
