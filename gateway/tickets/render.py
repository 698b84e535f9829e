"""From a notice to a mail: plain text first, HTML beside it, both complete.

Owns layout and headers. Headers, text and HTML are decided by the notice: rendering one twice gives
the same, so an outbox may try again as often as it likes. Only the chart depends on what the
telemetry store holds at that moment: a second attempt may lack it, and is the same mail by its
Message-ID all the same. Headers by RFC 5322 section 3.6 and RFC 3834, parts by RFC 2387. Nothing
remote is referred to and nothing runs.
"""

from __future__ import annotations

import hashlib
import logging
import re
import textwrap
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from email.headerregistry import Address, BaseHeader, HeaderRegistry, UnstructuredHeader
from email.message import EmailMessage
from email.policy import SMTP, Policy
from email.utils import format_datetime
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, ClassVar, Final, Literal
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from gateway.digests.listing import Listing, ListingItem
from gateway.digests.page import ListPage, list_page
from gateway.telemetry.base import Rollups
from gateway.tickets.chart import Chart, draw_chart
from gateway.tickets.document import build, clean
from gateway.tickets.jobsheet import job_sheet
from gateway.tickets.notice import (
    PRIORITY_OF,
    NoticeKind,
    Recipient,
    TicketNotice,
    subject_lead,
)
from gateway.tickets.sheet_maker import SheetMaker
from gateway.tickets.ticket import ReadingToTakeRow, Ticket
from rules.equipment import OwnRule, Site, Unit
from rules.events import Severity
from rules.faults.base import Fault
from rules.jobplans import INSPECTION, missing_plans, plan_for
from rules.own_rules.catalogue import own_fault

__all__ = ["TEXT_WIDTH", "MailRenderer", "mail_environment", "subject"]

log = logging.getLogger(__name__)

TEXT_WIDTH: Final = 72
"""Columns of the text part: readable in a plain terminal, quoted once or twice."""

_TEMPLATES: Final = Path(__file__).parent / "templates"
# RFC 2156 names the values of Importance; several mail programs show or sort by it.
_IMPORTANCE: Final = MappingProxyType({
    Severity.LOW: "low", Severity.MEDIUM: "normal", Severity.HIGH: "high",
})  # fmt: skip
# A dot-atom before the @ (RFC 5322 3.4.1, from memory); quoted local parts are not worth the risk.
_ADDRESS: Final = re.compile(
    r"(?P<local>[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*)"
    r"@(?P<domain>[^@\s<>,;:\"()\[\]\\]+)"
)
_WITH_CHART: Final = frozenset(
    {NoticeKind.OPENED, NoticeKind.WORSENED, NoticeKind.REPEATED, NoticeKind.ESCALATED}
)
_WITH_SHEET: Final = frozenset({NoticeKind.OPENED, NoticeKind.WORSENED, NoticeKind.ESCALATED})
_LATEST_DATE_MS: Final = 253_402_300_799_000  # end of the year 9999, the last a Date can hold


class _Subject(UnstructuredHeader, BaseHeader):
    """A subject that folds between its words, the first of them beside the name.

    The standard library moves a subject that is a little too long to a line of its own, and readers
    then see it begin with a space, which spoils the sorting.
    """

    max_count: ClassVar[Literal[1] | None] = 1

    def fold(self, *, policy: Policy[Any]) -> str:
        width = policy.max_line_length or 78
        line = f"{self.name}: {self}"
        if not line.isascii():
            folded = super().fold(policy=policy)
            return folded.replace(f": {policy.linesep} ", ": ", 1)
        lines = textwrap.wrap(
            line,
            width,
            subsequent_indent=" ",
            break_long_words=False,
            break_on_hyphens=False,
        )
        return policy.linesep.join(lines) + policy.linesep


_HEADERS: Final = HeaderRegistry()
_HEADERS.map_to_type("subject", _Subject)
_POLICY: Final = SMTP.clone(header_factory=_HEADERS)


class MailRenderer:
    """Makes the mail of a notice: ``renderer(notice)`` gives an EmailMessage.

    ``sites``, ``faults`` and the fleet's own ``rules`` are what the gateway runs with;
    ``from_name`` is the name beside the sender's address. A notice about a site, unit or fault that
    they no longer know still makes a mail, which says what is not recorded. ``figures`` gives what
    a notice's chart shows, or None; where it fails the mail goes without a chart. ``link`` gives
    the address at which a notice's ticket can be acknowledged, empty where there is none.
    ``board_url`` is how people reach the board, without a slash at the end: job sheets then carry a
    QR code that leads to the ticket's page there. ``make_sheet`` makes them elsewhere than in this
    process.
    """

    def __init__(
        self,
        sites: Iterable[Site],
        faults: Iterable[Fault],
        from_name: str = "basinward",
        *,
        rules: Iterable[OwnRule] = (),
        figures: Callable[[TicketNotice], Rollups | None] = lambda _notice: None,
        link: Callable[[TicketNotice], str] | None = None,
        board_url: str = "",
        make_sheet: SheetMaker | None = None,
    ) -> None:
        """Read the templates; raises ValueError if a fault names a job plan that does not exist."""
        faults = tuple(faults)
        if missing := missing_plans(faults):
            msg = f"no mail can be made for: {'; '.join(missing)}. Correct the fault catalogue"
            raise ValueError(msg)
        self._sites: Mapping[str, Site] = {site.id: site for site in sites}
        self._faults: Mapping[str, Fault] = {fault.slug: fault for fault in faults}
        self._from_name = clean(from_name, 80)
        self._rules = tuple(rules)
        self._figures = figures
        self._link = link or (lambda _notice: "")
        self._board_url = board_url
        self._make_sheet = make_sheet
        environment = mail_environment(_TEMPLATES)
        self._text = environment.get_template("ticket.txt.j2")
        self._html = environment.get_template("ticket.html.j2")
        self._list_text = environment.get_template("list.txt.j2")
        self._list_html = environment.get_template("list.html.j2")

    def __call__(self, notice: TicketNotice) -> EmailMessage:
        """The mail of ``notice``, complete with headers."""
        digest = hashlib.sha256(notice.message_id.encode()).hexdigest()
        if notice.listing is not None:
            page = self.page(notice, notice.listing)
            mail = self._addressed(notice, page.subject)
            mail["Importance"] = "normal"
            mail.set_content(self._list_text.render(p=page), cte="quoted-printable")
            html = self._list_html.render(p=page)
            mail.add_alternative(html, subtype="html", cte="quoted-printable")
        else:
            mail = self._ticket_mail(notice, digest)
        _set_boundaries(mail, digest)
        return mail

    def _ticket_mail(self, notice: TicketNotice, digest: str) -> EmailMessage:
        ticket = self.ticket(notice)
        mail = self._addressed(notice, subject(ticket, is_reply=bool(notice.in_reply_to)))
        mail["Importance"] = "normal" if ticket.is_over else _IMPORTANCE[notice.severity]
        link = self._link(notice)
        mail.set_content(self.text(ticket, link), cte="quoted-printable")
        chart = self._chart(notice)
        cid = f"chart.{digest[:32]}@basinward"
        html = self.html(ticket, link, chart=chart, cid=cid)
        mail.add_alternative(html, subtype="html", cte="quoted-printable")
        if chart is not None:
            *_, page = mail.iter_parts()
            page.add_related(
                chart.png, "image", "png", cid=f"<{cid}>", filename=f"{ticket.number}.png",
                disposition="inline",
            )  # fmt: skip
        sheet = self._sheet(notice, ticket)
        if sheet is not None:
            mail.add_attachment(
                sheet, "application", "pdf", filename=f"Job sheet {ticket.number}.pdf"
            )
        return mail

    def sheet(self, notice: TicketNotice) -> bytes:
        """The job sheet of a notice's ticket, as PDF."""
        site = self._sites.get(notice.site_id)
        page: Literal["A4", "Letter"] = (
            "Letter" if site is not None and site.display_units == "us" else "A4"
        )
        made_ms = min(max(notice.date_ms, 0), _LATEST_DATE_MS)
        ticket = self.ticket(notice)
        number = quote(ticket.number, safe="")
        link = f"{self._board_url}/tickets/{number}" if self._board_url else ""
        make = self._make_sheet or job_sheet
        return make(ticket, made_ms=made_ms, page=page, link=link)

    def _sheet(self, notice: TicketNotice, ticket: Ticket) -> bytes | None:
        """The job sheet, for those who may have to go out and have none yet."""
        if notice.kind not in _WITH_SHEET or notice.severity < Severity.MEDIUM:
            return None
        try:
            return self.sheet(notice)
        except Exception:  # the mail itself says all that the sheet does
            log.exception("The job sheet of ticket %s cannot be made.", ticket.number)
            return None

    def _addressed(self, notice: TicketNotice, subject_line: str) -> EmailMessage:
        """A mail with all headers but its importance."""
        mail = EmailMessage(policy=_POLICY)
        mail["Subject"] = subject_line
        if sender := _address(Recipient(self._from_name, notice.from_address)):
            mail["From"] = sender
        for header, people in (("To", notice.to), ("Cc", notice.cc)):
            if addresses := tuple(a for a in map(_address, people) if a):
                mail[header] = addresses
        if reply_to := _address(Recipient("", notice.reply_to)):
            mail["Reply-To"] = reply_to
        date_s = min(max(notice.date_ms, 0), _LATEST_DATE_MS) // 1000
        mail["Date"] = format_datetime(datetime.fromtimestamp(date_s, UTC))
        mail["Message-ID"] = clean(notice.message_id, 900)
        if notice.in_reply_to:
            mail["In-Reply-To"] = clean(notice.in_reply_to, 900)
        if notice.references:
            mail["References"] = " ".join(clean(r, 900) for r in notice.references)
        mail["Auto-Submitted"] = "auto-generated"
        return mail

    def page(self, notice: TicketNotice, listing: Listing) -> ListPage:
        """The page of a mail that lists tickets."""

        def fault_title(item: ListingItem) -> str:
            fault = self._fault(item.site_id, item.unit_id, item.fault)
            return clean((fault or _unknown_fault(item.fault)).title, 100)

        return list_page(notice.kind, listing, self._sites, fault_title)

    def _chart(self, notice: TicketNotice) -> Chart | None:
        """The chart, where the notice is worth one and its figures are to be had."""
        site = self._sites.get(notice.site_id)
        if notice.kind not in _WITH_CHART or site is None:
            return None
        try:
            figures = self._figures(notice)
            if figures is None:
                return None
            return draw_chart(notice, figures, site.zone, site.display_units)
        except Exception:  # a picture must not keep a mail from going out
            log.exception("The chart of ticket %s cannot be drawn.", notice.number)
            return None

    def ticket(self, notice: TicketNotice) -> Ticket:
        """The document of ``notice``."""
        site = self._sites.get(notice.site_id)
        unit = _unit(site, notice.unit_id)
        fault = self._fault(notice.site_id, notice.unit_id, notice.fault)
        if fault is None:
            return build(notice, site, unit, _unknown_fault(notice.fault), INSPECTION)
        return build(notice, site, unit, fault, plan_for(fault, notice.evidence))

    def _fault(self, site_id: str, unit_id: str, slug: str) -> Fault | None:
        """The catalogue's entry, or that of the fleet's own rule of this name."""
        site = self._sites.get(site_id)
        unit = _unit(site, unit_id)
        fault = self._faults.get(slug)
        if fault is None and site is not None and unit is not None:
            fault = own_fault(self._rules, site, unit, slug)
        return fault

    def text(self, ticket: Ticket, link: str = "") -> str:
        """The text part: complete, at most :data:`TEXT_WIDTH` columns but for the link."""
        return self._text.render(t=ticket, link=link)

    def html(
        self, ticket: Ticket, link: str = "", *, chart: Chart | None = None, cid: str = ""
    ) -> str:
        """The HTML part; ``cid`` is the Content-ID by which it shows ``chart``."""
        return self._html.render(t=ticket, link=link, chart=chart, cid=cid)


def subject(ticket: Ticket, *, is_reply: bool) -> str:
    """The subject: sorts by priority, the gravest first, then site, unit, fault and number.

    It stays the same over the ticket's life ('Re: ' in front of later mails), but for the priority:
    who is woken must see what it is now.
    """
    title = ticket.title
    if title[1:2].islower():
        title = title[0].lower() + title[1:]
    lead = subject_lead(PRIORITY_OF[ticket.severity])
    line = f"{lead} - {ticket.place}: {title} ({ticket.number})"
    return f"Re: {line}" if is_reply else line


def _set_boundaries(mail: EmailMessage, digest: str) -> None:
    """Boundaries of our own, from the message's id: the same notice gives the same bytes.

    "=_" cannot occur in quoted-printable text, nor "_" in base64 (RFC 2046, 5.1.1; from memory).
    """
    parts = [part for part in mail.walk() if part.is_multipart()]
    for number, part in enumerate(parts):
        part.set_boundary(f"=_{number or ''}{digest[:32]}")


def _unit(site: Site | None, unit_id: str) -> Unit | None:
    return next((u for u in site.units if u.id == unit_id), None) if site else None


def _unknown_fault(slug: str) -> Fault:
    return Fault(
        slug=slug,
        title=clean(slug.replace("-", " ").capitalize(), 80) or "Fault without a name",
        family="telemetry",
        meaning="The fault catalogue in use does not know this fault; it may be an older one.",
        consequence="Not recorded.",
        action="Look at the machine and report what you find.",
        causes=(),
        needs=(),
        helps=(),
        suppressed_by=(),
        response={},
        job_plan=INSPECTION.slug,
        settings=(),
    )


def _address(person: Recipient) -> Address | None:
    """The address for a header; None if it cannot stand in one.

    RFC 5322 allows ASCII only. A domain has an ASCII form (IDNA), a local part has none; who has
    such an address still gets the mail by its envelope, only the header does not show them.
    """
    match = _ADDRESS.fullmatch(person.email)
    if match is None:
        return None
    try:
        domain = match["domain"].encode("idna").decode("ascii")
        return Address(clean(person.name, 80), match["local"], domain)
    except ValueError:
        return None


@cache
def mail_environment(folder: Path) -> Environment:
    """Templates of mails in a folder, with the filters that lay out their texts.

    One a folder for the whole process, for compiling a template takes longer than filling it.
    """
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=select_autoescape(enabled_extensions=("html.j2",)),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["wrap"] = _wrap
    environment.filters["row"] = _row
    environment.filters["reading_lines"] = _reading_lines
    environment.filters["reading_to_take_lines"] = _reading_to_take_lines
    return environment


def _wrap(text: str, first: str = "", indent: int = 0) -> str:
    """``text`` filled to the width, ``first`` before it, later lines hanging under its start."""
    margin = " " * indent
    return textwrap.fill(
        text,
        width=TEXT_WIDTH,
        initial_indent=margin + first,
        subsequent_indent=margin + " " * len(first),
        break_on_hyphens=False,
    )


def _row(text: str, label: str, width: int = 11) -> str:
    """A labelled line, the texts of several in one column."""
    return _wrap(text, first=label.ljust(width))


def _reading_lines(ticket: Ticket) -> str:
    """The evidence as lines: quantity, value, and what is said about it."""
    name_width = min(max((len(r.quantity) for r in ticket.readings), default=0), 26)
    value_width = max((len(r.measured) for r in ticket.readings), default=0)
    lines = []
    for r in ticket.readings:
        about = [
            f"expected {r.expected}" if r.expected else "",
            r.difference,
            f"allowed {r.allowed}" if r.allowed else "",
            r.note,
            "worked out, not measured" if r.derived else "",
        ]
        head = f"{r.quantity.ljust(name_width)}  {r.measured.rjust(value_width)}"
        rest = ", ".join(part for part in about if part)
        if len(r.quantity) > name_width or len(head) > TEXT_WIDTH - 24:
            lines.append(_wrap(f"{r.quantity}: {r.measured}; {rest}", indent=2))
        else:
            lines.append(_wrap(rest, first=f"{head}  ", indent=2) if rest else f"  {head}")
    return "\n".join(lines)


def _reading_to_take_lines(reading: ReadingToTakeRow) -> str:
    """What to read, and the blanks to fill in, on one line if it is short enough."""
    name = f"- {reading.what}{', ' + reading.unit if reading.unit else ''}"
    before = "before ______" if reading.before else ""
    blanks = f"{before:<13}  {'after ______' if reading.after else ''}".rstrip()
    column = TEXT_WIDTH - 30
    if len(name) <= column:
        return f"{name.ljust(column)}  {blanks}"
    return f"{_wrap(name[2:], first='- ')}\n{' ' * column}  {blanks}"
