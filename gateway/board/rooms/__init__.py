"""The rooms of the board: groups of pages, each a function that gives their router.

A room is a module of this package with a function of :class:`Board` and :class:`Paper`; it is put
into :data:`ROOMS`. What a route needs it says by :func:`gateway.board.doors.needs`. A route that
changes something is a POST, whose form carries the visitor's ``form_token``; the application has
checked that before the route is called.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from fastapi import APIRouter

from gateway.board.api.room import api_room
from gateway.board.board import Board
from gateway.board.paper import Paper
from gateway.board.rooms.alarms import alarms_room
from gateway.board.rooms.fleet import fleet_room
from gateway.board.rooms.learned import learned_room
from gateway.board.rooms.lists import lists_room
from gateway.board.rooms.plan import plan_room
from gateway.board.rooms.reports import reports_room
from gateway.board.rooms.sign_in import sign_in
from gateway.board.rooms.ticket_files import ticket_files_room
from gateway.board.rooms.tickets import tickets_room
from gateway.board.rooms.unit import unit_room

__all__ = ["ROOMS", "Room"]

Room = Callable[[Board, Paper], APIRouter]

ROOMS: Final[tuple[Room, ...]] = (
    sign_in,
    fleet_room,
    alarms_room,
    unit_room,
    tickets_room,
    ticket_files_room,
    plan_room,
    lists_room,
    learned_room,
    reports_room,
    api_room,
)
