"""The SMTP client's security and what it says when a server cannot be used."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.ports import free_port
from support.smtp import MailCatcher

from gateway.mail.smtp import Answer, MailServerDown, MailSettings, SmtpTransport

PASSWORD = "correct-horse-9"
MESSAGE = b"Subject: test\r\n\r\none\r\n.two\r\n..three\r\n"


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 that is its own authority, and its key."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl, which makes the test's certificate, is not installed")
    folder = tmp_path_factory.mktemp("tls")
    crt, key = folder / "server.crt", folder / "server.key"
    command = [
        openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
        "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key),
        "-out", str(crt),
    ]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True)
    return crt, key


def server_tls(certificate: tuple[Path, Path]) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)
    return context


def settings_for(server: MailCatcher, **changes: Any) -> MailSettings:
    values: dict[str, Any] = {
        "host": "127.0.0.1", "port": server.port, "security": "none",
        "from_address": "tickets@basinward.example", "timeout_s": 20.0,
    }  # fmt: skip
    return MailSettings(**(values | changes))


def send(settings: MailSettings, before_end: Callable[[], None] = lambda: None) -> Answer:
    with SmtpTransport(settings).session() as session:
        return session.send(MESSAGE, ["rui@north.example"], before_end)


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_goes_over_verified_tls_after_a_login(
    certificate: tuple[Path, Path], security: str
) -> None:
    with MailCatcher(
        tls=server_tls(certificate), implicit_tls=security == "tls", login=("gate", PASSWORD)
    ) as server:
        settings = settings_for(
            server, security=security, ca_file=certificate[0], username="gate", password=PASSWORD
        )
        assert send(settings).accepted == {"rui@north.example": "250 2.0.0 taken"}
        assert server.logins == [True]
        assert server.received[0].content == MESSAGE  # dots arrive as they were (RFC 5321, 4.5.2)


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_that_is_not_trusted_is_refused(
    certificate: tuple[Path, Path], security: str
) -> None:
    with (
        MailCatcher(tls=server_tls(certificate), implicit_tls=security == "tls") as server,
        pytest.raises(MailServerDown, match="its certificate is not trusted"),
    ):
        send(settings_for(server, security=security))
    assert server.received == []


def test_a_certificate_for_another_name_is_refused(certificate: tuple[Path, Path]) -> None:
    with (
        MailCatcher(tls=server_tls(certificate)) as server,
        pytest.raises(MailServerDown, match="certificate is not trusted"),
    ):
        send(settings_for(server, host="localhost", security="starttls", ca_file=certificate[0]))


def test_a_server_without_tls_is_not_used_where_tls_is_asked_for() -> None:
    with MailCatcher() as server:
        with pytest.raises(MailServerDown, match="check security, port and username"):
            send(settings_for(server, security="starttls"))
        assert server.received == []


def test_a_wrong_password_is_reported_without_being_repeated(
    certificate: tuple[Path, Path],
) -> None:
    with MailCatcher(tls=server_tls(certificate), login=("gate", "other")) as server:
        settings = settings_for(
            server, security="starttls", ca_file=certificate[0], username="gate", password=PASSWORD
        )
        with pytest.raises(MailServerDown, match=r"535.*check username and password") as caught:
            send(settings)
    assert PASSWORD not in str(caught.value)
    assert PASSWORD not in repr(settings)
    assert caught.value.__cause__ is None


def test_a_server_that_repeats_the_password_is_not_quoted() -> None:
    with MailCatcher() as server:
        server.behaviour.data = f"554 you said {PASSWORD}\x1b[31m"
        answer = send(settings_for(server, password=PASSWORD))
    assert answer.refused == {"rui@north.example": "554 you said *** [31m"}


def test_a_port_where_nobody_listens_is_named() -> None:
    port = free_port()
    settings = MailSettings("127.0.0.1", "tickets@basinward.example", port=port, security="none")
    with pytest.raises(MailServerDown, match=f"Cannot connect to the mail server 127.0.0.1:{port}"):
        send(settings)


@pytest.mark.parametrize(("security", "port"), [("none", 25), ("starttls", 587), ("tls", 465)])
def test_the_usual_ports(security: Any, port: int) -> None:
    """Ports 25 (RFC 5321), 587 (RFC 6409) and 465 (RFC 8314)."""
    settings = MailSettings("mail.example", "tickets@basinward.example", security=security)
    assert settings.server == f"mail.example:{port}"


def test_what_fails_before_the_end_keeps_the_message_from_the_server() -> None:
    def fail() -> None:
        raise MemoryError

    with MailCatcher() as server:
        with pytest.raises(MemoryError):
            send(settings_for(server), fail)
        send(settings_for(server))
        assert len(server.received) == 1
