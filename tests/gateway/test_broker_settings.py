"""What can be no broker's settings is refused by name, and a password never shows."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.intake import BrokerSettings, TlsSettings


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"host": ""}, "host is empty"),
        ({"host": "a..b"}, "not a possible host name"),
        ({"host": "h", "port": 0}, "port 0 is not between"),
        ({"host": "h", "client_id": ""}, "client_id is empty"),
        ({"host": "h", "protocol": "4"}, "not one of 3.1.1, 5"),
        ({"host": "h", "keep_alive_s": 0}, "keep_alive_s 0"),
        ({"host": "h", "password": "p"}, "without a username"),
    ],
)
def test_impossible_settings_are_refused_with_their_name(settings, words):
    with pytest.raises(ValueError, match=words):
        BrokerSettings(**settings)


def test_a_key_without_certificate_is_refused():
    with pytest.raises(ValueError, match="certificate_file"):
        TlsSettings(key_file=Path("key.pem"))


def test_the_password_does_not_show():
    assert "secret" not in repr(BrokerSettings("h", username="u", password="secret"))
