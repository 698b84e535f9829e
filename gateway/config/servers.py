"""The servers that fleet.toml names, as settings of the modules that talk to them.

Secrets are looked up here, file names are resolved against the configuration directory, and what
would send a password in the clear is pointed out.
"""

from __future__ import annotations

import dataclasses
import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from gateway.board.links import SHORTEST_KEY
from gateway.board.settings import BoardSettings
from gateway.config.files import Document, why_unreadable
from gateway.config.models import (
    BoardTable,
    BrokerTable,
    FleetFile,
    MailTable,
    RecordsTable,
    StoreTable,
    WatchTable,
)
from gateway.config.report import Level, Problem, has_errors
from gateway.config.secrets import Secret, read_secret
from gateway.config.sentences import problem_at
from gateway.intake import BrokerSettings, TlsSettings
from gateway.mail.smtp import MailSettings
from gateway.records_place import RecordsPlace
from gateway.telemetry.settings import StoreSettings
from gateway.watching.settings import WatchSettings

__all__ = ["Servers", "build", "watch_settings"]

_BROKER_PORT: Final = 1883  # IANA: mqtt
_BROKER_TLS_PORT: Final = 8883  # IANA: secure-mqtt
_HEADERS_IN_USE: Final = frozenset(
    """
    accept accept-encoding accept-language authorization cache-control connection content-length
    content-type cookie forwarded host if-modified-since if-none-match origin pragma range referer
    te upgrade user-agent via x-form-token x-forwarded-for x-forwarded-host x-forwarded-proto
    """.split()  # noqa: SIM905 - a list of thirty words
)
_TLS_FILES: Final = ("ca_file", "certificate_file", "key_file")


@dataclass(frozen=True)
class Servers:
    """The settings of each server, None where fleet.toml does not allow to make them."""

    broker: BrokerSettings | None
    store: StoreSettings | None
    mail: MailSettings | None
    problems: tuple[Problem, ...]
    records: RecordsPlace = field(default_factory=RecordsPlace)
    board: BoardSettings = field(default_factory=BoardSettings)


def build(
    document: Document, model: FleetFile | None, directory: Path, environ: Mapping[str, str]
) -> Servers:
    """The servers of fleet.toml; secrets and files are checked even where the model was refused."""
    look = _Look(document, directory, environ)
    broker_password = look.secret("broker", "password")
    store_token = look.secret("store", "token")
    mail_password = look.secret("mail", "password")
    records_password = look.secret("records", "password")
    board_secret = look.secret("board", "secret")
    tls_files = look.files("broker", "tls")
    mail_files = look.files("mail")
    if model is None:
        return Servers(None, None, None, tuple(look.problems))
    _look_at_accounts(look, model)
    _look_at_board(look, model.board, board_secret)
    if has_errors(look.problems):
        return Servers(None, None, None, tuple(look.problems))
    broker = look.made("broker", lambda: _broker(model.broker, broker_password, tls_files))
    store = look.made("store", lambda: _store(model.store, store_token))
    mail = look.made("mail", lambda: _mail(model.mail, mail_password, mail_files))
    records = _records(model.records, records_password, directory)
    board = _board(model.board, board_secret)
    return Servers(broker, store, mail, tuple(look.problems), records, board)


class _Look:
    """One look at fleet.toml's servers, and what it found."""

    def __init__(self, document: Document, directory: Path, environ: Mapping[str, str]) -> None:
        self.document = document
        self.directory = directory
        self.environ = environ
        self.problems: list[Problem] = []

    def table(self, *path: str) -> Mapping[str, Any]:
        """The table at a path, empty if there is none or it is something else."""
        here: Any = self.document.data or {}
        for part in path:
            here = here.get(part)
            if not isinstance(here, Mapping):
                return {}
        return dict(here)

    def note(self, path: tuple[str, ...], what: str, **more: Any) -> None:
        self.problems.append(problem_at(self.document, path, what, **more))

    def secret(self, table: str, name: str) -> Secret | None:
        secret, found = read_secret(
            self.table(table), name,
            where=table, directory=self.directory, environ=self.environ,
        )  # fmt: skip
        for key, problem in found:
            line = self.document.line((table, key))
            self.problems.append(dataclasses.replace(problem, file=self.document.name, line=line))
        return secret

    def files(self, *where: str) -> dict[str, Path]:
        """The certificate and key files that a table names, each proved readable."""
        files = {}
        for key, name in self.table(*where).items():
            if key not in _TLS_FILES or not isinstance(name, str) or not name.strip():
                continue
            path = self.directory / name.strip()
            try:
                with path.open("rb") as stream:
                    stream.read(1)
            except OSError as error:
                self.note(
                    (*where, key), f"the file cannot be read: {why_unreadable(error)}.",
                    todo="Correct the path (a relative one starts from the configuration "
                    "directory) or the file's permissions.",
                )  # fmt: skip
            except ValueError:  # a NUL in the path
                self.note((*where, key), "this is not a possible file name.")
            files[key] = path
        return files

    def made(self, table: str, make: Any) -> Any:
        """What ``make`` gives; its refusal of the values becomes a problem of the table."""
        try:
            return make()
        except ValueError as error:
            self.note((table,), str(error), given="", todo="Correct it.")
            return None


def _look_at_accounts(look: _Look, model: FleetFile) -> None:
    """Passwords without a name, names without a password, passwords sent in the clear."""
    broker, mail, store = model.broker, model.mail, model.store
    accounts: list[tuple[str, BrokerTable | MailTable | RecordsTable]] = [
        ("broker", broker),
        ("mail", mail),
    ]
    if model.records is not None:
        accounts.append(("records", model.records))
    for where, table in accounts:
        has_password = table.password_env is not None or table.password_file is not None
        if has_password and table.username is None:
            key = "password_env" if table.password_env is not None else "password_file"
            look.note(
                (where, key), "there is a password, but no username to go with it.",
                todo=f"Add username to [{where}], or take the password out.",
            )  # fmt: skip
        elif table.username is not None and not has_password and where != "records":
            look.note(
                (where, "username"), "there is a username, but no password to go with it.",
                todo="Add password_env or password_file, or take the username out.",
            )  # fmt: skip
    if broker.username is not None and broker.tls is None and not _is_local(broker.host):
        look.note(
            ("broker", "host"),
            "the password goes to the broker unencrypted, over the network.",
            todo="Add a [broker.tls] table, even an empty one, if the broker speaks TLS.",
            level=Level.WARNING,
        )
    if mail.username is not None and mail.security == "none" and not _is_local(mail.host):
        look.note(
            ("mail", "security"),
            "the password goes to the mail server unencrypted, over the network.",
            todo="Use 'starttls' or 'tls'; the mail server's manual says which it speaks.",
            level=Level.WARNING,
        )
    if model.watch.serve and not _is_local(model.watch.address):
        look.note(
            ("watch", "address"),
            "/health and /metrics go over the network unencrypted, to anybody who asks.",
            todo="Use 127.0.0.1, or let only those through who may see them.",
            level=Level.WARNING,
        )
    if store.kind == "embedded":
        for key in ("url", "org", "bucket", "token_env", "token_file"):
            if getattr(store, key) is not None:
                look.note(
                    ("store", key), "has no effect with kind = 'embedded'.",
                    todo="Take it out, or write kind = 'influxdb'.", level=Level.WARNING,
                )  # fmt: skip


def _look_at_board(look: _Look, table: BoardTable, secret: Secret | None) -> None:
    """A secret that protects nothing, and pages or links that go over the network in the clear."""
    if secret is not None and len(secret.encode()) < SHORTEST_KEY:
        look.note(
            ("board", "secret_env" if table.secret_env else "secret_file"),
            f"the secret that signs links has {len(secret.encode())} bytes; at least "
            f"{SHORTEST_KEY} are needed.",
            todo="Draw one by chance, for instance with: openssl rand -hex 32",
        )
    if not _is_local(table.address):
        look.note(
            ("board", "address"), "pages and links go over the network unencrypted.",
            todo="Use 127.0.0.1, with a web server that speaks TLS in front.",
            level=Level.WARNING,
        )  # fmt: skip
    _look_at_sign_on(look, table)
    url = urlsplit(table.public_url or "")
    if url.scheme == "http" and not _is_local(url.hostname or ""):
        look.note(
            ("board", "public_url"),
            "links in mails lead over the network unencrypted: who sees one on its way can "
            "acknowledge that ticket.",
            todo="Put a web server that speaks TLS in front, and write https://.",
            level=Level.WARNING,
        )


def _look_at_sign_on(look: _Look, table: BoardTable) -> None:
    """A header that anybody could send, or that the board sets or reads for something else."""
    if bool(table.sign_on_header) is not bool(table.sign_on_from):
        given, missing = "sign_on_header", "sign_on_from"
        if not table.sign_on_header:
            given, missing = missing, given
        look.note(
            ("board", given), f"needs {missing} beside it.",
            todo="sign_on_header is the header in which your reverse proxy names the visitor, "
            'sign_on_from the addresses that it connects from, such as ["10.0.0.5"]. Without '
            "both, people sign in with a password.",
        )  # fmt: skip
    if (table.sign_on_header or "").lower() in _HEADERS_IN_USE:
        look.note(
            ("board", "sign_on_header"), "browsers send this header themselves, so it proves "
            "nothing.",
            todo="Name one that your reverse proxy sets, and takes away from what comes in.",
        )  # fmt: skip
    for address in table.sign_on_from:
        try:
            parsed = ipaddress.ip_address(address)
        except ValueError:
            parsed = None
        if parsed is None or parsed.is_unspecified or parsed.is_multicast:
            look.note(
                ("board", "sign_on_from"), f"'{address}' is no address that connections come from.",
                todo="Write the IP addresses of your reverse proxies, one by one.",
            )  # fmt: skip


def _is_local(host: str) -> bool:
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def watch_settings(table: WatchTable) -> WatchSettings:
    """The settings of the gateway's watch over itself."""
    return WatchSettings(**table.model_dump() | {"syslog_host": table.syslog_host or ""})


def _broker(
    table: BrokerTable, password: Secret | None, tls_files: Mapping[str, Path]
) -> BrokerSettings:
    port = table.port or (_BROKER_PORT if table.tls is None else _BROKER_TLS_PORT)
    return BrokerSettings(
        host=table.host,
        port=port,
        client_id=table.client_id,
        protocol=table.protocol,
        keep_alive_s=table.keep_alive_s,
        username=table.username,
        password=password,
        tls=None if table.tls is None else TlsSettings(**tls_files),
    )


def _store(table: StoreTable, token: Secret | None) -> StoreSettings:
    return StoreSettings(
        kind=table.kind,
        retention_days=table.retention_days,
        rollup_retention_days=table.rollup_retention_days,
        url=table.url or "",
        org=table.org or "",
        bucket=table.bucket or "",
        token=token or "",
    )


def _records(table: RecordsTable | None, password: Secret | None, directory: Path) -> RecordsPlace:
    if table is None:
        return RecordsPlace()
    file = table.password_file
    return RecordsPlace(
        url=table.url,
        username=table.username,
        password=password or "",
        password_env=table.password_env or "",
        password_file=str((directory / file).absolute()) if file else "",
    )


def _board(table: BoardTable, secret: Secret | None) -> BoardSettings:
    return BoardSettings(
        address=table.address,
        port=table.port,
        public_url=(table.public_url or "").rstrip("/"),
        link_hours=table.link_hours,
        secret=secret or "",
        session_idle_minutes=table.session_idle_minutes,
        session_hours=table.session_hours,
        sign_on_header=table.sign_on_header or "",
        sign_on_from=table.sign_on_from,
    )


def _mail(table: MailTable, password: Secret | None, files: Mapping[str, Path]) -> MailSettings:
    return MailSettings(
        host=table.host,
        from_address=table.from_address,
        port=table.port,
        security=table.security,
        username=table.username,
        password=password,
        reply_to=table.reply_to or "",
        ca_file=files.get("ca_file"),
        hourly_limit=table.hourly_limit,
    )
