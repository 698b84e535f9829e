"""Pages that say what went wrong and what to do, in a sentence or two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

__all__ = ["Message", "Messages", "Told"]


@dataclass(frozen=True)
class Message:
    """A page with a status of HTTP, a title, and what to read under it.

    ``command`` does at a shell what the page cannot; ``retry_s`` is when to come again, 0 for none.
    ``scope`` is the role that is missing, where that is the trouble.
    """

    status: int
    title: str
    lines: tuple[str, ...]
    command: str = ""
    retry_s: int = 0
    scope: str = ""


class Told(Exception):
    """Ends a request with a message."""

    def __init__(self, message: Message) -> None:
        super().__init__(message.title)
        self.message = message


class Messages:
    """The messages of one board; ``reply_to`` is whom people may write to, if anybody."""

    def __init__(self, reply_to: str = "") -> None:
        """Name the desk that answers mails, if there is one."""
        self._otherwise = (
            "To acknowledge the ticket all the same, tell your monitoring desk"
            + (f" ({reply_to})" if reply_to else "")
            + "."
        )

    def bad_link(self) -> Message:
        """The link is not one of ours, or not whole."""
        return Message(
            404,
            "This link cannot be used",
            (
                "It is not whole, or it was not made by this board. Open it again from the mail; "
                "if your mail program has cut it, copy all of it, up to its last letter.",
                self._otherwise,
            ),
            _command(),
        )

    def too_many(self, retry_s: int) -> Message:
        """Too many bad links from one address."""
        return Message(
            429,
            "Too many links that cannot be used",
            (
                "They all came from your network within a few minutes. A link that is whole still "
                "opens: try it again from the mail.",
                self._otherwise,
            ),
            _command(),
            retry_s,
        )

    def expired(self, ticket: str, expired_ms: int) -> Message:
        """The link's time is over."""
        ended = datetime.fromtimestamp(expired_ms / 1000, UTC)
        return Message(
            410,
            "This link has expired",
            (
                f"It was for ticket {ticket} and held until {ended:%Y-%m-%d %H:%M} UTC. Nothing "
                "was changed. If there is a newer mail about this ticket, use the link in that "
                "one.",
                self._otherwise,
            ),
            _command(ticket),
        )

    def unknown_ticket(self, ticket: str) -> Message:
        """A good link to a ticket or mail that the records do not have."""
        return Message(
            404,
            f"The records do not have ticket {ticket} with this mail",
            (
                "The link is good, so these may be other records than those that the mail came "
                "from, as after a restored backup. Tell whoever looks after the gateway.",
                self._otherwise,
            ),
            _command(ticket),
        )

    def records_away(self, *, uncertain: bool = False) -> Message:
        """The records cannot be reached; ``uncertain`` whether the last act was written."""
        return Message(
            503,
            "The records cannot be reached at the moment",
            (
                (
                    "Whether it was recorded is not known. Wait a minute and look before you try "
                    "again; "
                    if uncertain
                    else "Nothing was changed. Wait a minute and try again; "
                )
                + "a link stays good until it expires.",
                self._otherwise,
            ),
            _command(),
            60,
        )

    def defect(self) -> Message:
        """Something that should not happen."""
        return Message(
            500,
            "Something went wrong here",
            (
                "It may be that nothing was recorded: open the link again to see. The log of the "
                "board says what happened.",
                self._otherwise,
            ),
            _command(),
        )

    def too_long(self) -> Message:
        """More than a form can hold."""
        return Message(413, "That is too long", ("Go back, shorten the note, and confirm again.",))

    def files_wait(self, status: int, why: str) -> Message:
        """Files while many others are being sent."""
        return Message(status, "These files have to wait", (f"{why} Nothing was kept.",))

    def files_too_large(self, longest: int) -> Message:
        """Files of more bytes than are taken at once."""
        return Message(
            413,
            "These files are too large",
            (
                f"{longest // 1_048_576} MB are the most at once. Go back and send fewer, or "
                "photos of a lower resolution. Nothing was kept.",
            ),
        )

    def files_not_read(self, most: int) -> Message:
        """Files that did not come as a page sends them, or too many."""
        return Message(
            400,
            "The files could not be read",
            (
                f"They did not come whole, or were more than {most} at once. Go back and send them "
                "again. Nothing was kept.",
            ),
        )

    def not_a_form(self) -> Message:
        """A body that no page of ours sends."""
        return Message(
            415,
            "This was not sent by this page",
            ("Open the page again, or the link from the mail, and confirm there.",),
        )

    def not_from_here(self) -> Message:
        """A form that does not come from a page of this visit."""
        return Message(
            403,
            "This form is not of your present visit",
            (
                "Nothing was changed. It happens where one has signed in again, or out, since the "
                "page was opened, and where another site sends a form in your name. Open the page "
                "again and repeat what you wanted.",
            ),
        )

    def token_of_visit_missing(self) -> Message:
        """What acts below the API with a session, without the visit's form token."""
        return Message(
            403,
            "The header X-Form-Token is missing",
            (
                "Nothing was changed. Whoever acts with a session's cookie shows by it that he "
                "means it; GET api/1/me gives it. A program with a token of its own needs none.",
            ),
        )

    def sign_in_first(self) -> Message:
        """Nobody is signed in, where that is needed."""
        return Message(401, "Sign in first", ("Nothing was changed. Sign in, then try again.",))

    def not_allowed(self, name: str, role: str) -> Message:
        """The visitor lacks a role."""
        return Message(
            403,
            "Your account may not do this",
            (
                f"It needs the role '{role}', which {name} does not have. Nothing was changed. "
                "Whoever administers the board can give it.",
            ),
            scope=role,
        )

    def not_in_token(self, role: str) -> Message:
        """The token's scope lacks a role that its account may have."""
        return Message(
            403,
            "This token may not do this",
            (
                f"It needs the scope '{role}', which the token does not have. Nothing was changed. "
                f"`basinward accounts token NAME --purpose TEXT --role {role}` makes one that has "
                "it, where the account has that role; name every role that it needs.",
            ),
            scope=role,
        )

    def unclear(self, names: Sequence[str]) -> Message:
        """An address, or a form, with something in it that cannot be meant."""
        what = f" ({', '.join(names)})" if names else ""
        return Message(
            422,
            "This address cannot be understood",
            (
                f"Something in it is no number, or too large or too long{what}. Nothing was "
                "changed. Open the page again by the links at the top, and choose there what you "
                "want to see.",
            ),
        )

    def no_page(self) -> Message:
        """Nothing is at that address."""
        return Message(
            404, "There is no such page", ("Open the link from a ticket's mail; copy all of it.",)
        )

    def no_method(self) -> Message:
        """A method that the page does not have."""
        return Message(405, "This page does not do that", ("Open the link from a ticket's mail.",))

    def front(self) -> Message:
        """The first page: what this is."""
        return Message(
            200,
            "This is where tickets are acknowledged",
            (
                "Open the link in a ticket's mail. It leads to the page of that ticket.",
                "Nothing here starts, stops or isolates a machine, and nothing here authorises "
                "work.",
            ),
        )


def _command(ticket: str = "NUMBER") -> str:
    return f'basinward tickets ack {ticket} --by "NAME"'
