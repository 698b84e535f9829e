"""Photos and documents of a ticket: handed out as what they are, and taken from those who work."""

from __future__ import annotations

from typing import Annotated, Final
from urllib.parse import quote

from fastapi import APIRouter, Path, Request, Response
from fastapi.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from gateway.board.acts.tickets import attach
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.forms import FormFields
from gateway.board.messages import Message, Told
from gateway.board.paper import Paper
from gateway.board.visitor import Role
from gateway.records.session import RecordsError

__all__ = ["ticket_files_room"]

_INLINE: Final = frozenset({"image/jpeg", "image/png", "image/webp", "image/gif"})


def ticket_files_room(board: Board, _paper: Paper) -> APIRouter:
    """Routes of what is attached to tickets."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    records = house.source.records

    @router.get("/tickets/{number}/files/{position}")
    def file(number: str, position: Annotated[int, Path(ge=0, le=10_000)]) -> Response:
        found = records.attachment(number, position)
        if found is None:
            raise HTTPException(404)
        row, content = found
        how = "inline" if row.media_type in _INLINE else "attachment"
        headers = {"Content-Disposition": f"{how}; filename*=UTF-8''{quote(row.name)}"}
        return Response(content, media_type=row.media_type, headers=headers)

    @router.post("/tickets/{number}/files", dependencies=[needs(Role.OPERATE)])
    async def take(request: Request, number: str, form: FormFields) -> Response:
        if not form.files:
            raise Told(_refused("No file was chosen. Go back and choose a photo or a PDF."))
        try:
            await run_in_threadpool(attach, board, records, request, number, form.files)
        except RecordsError as error:
            raise Told(_refused(str(error))) from error
        house.live.shared.forget()
        location = f"../{quote(number, safe='')}?done=file"
        return Response(status_code=303, headers={"Location": location})

    return router


def _refused(why: str) -> Message:
    return Message(422, "This was not kept", (why,))
