"""The webhooks of ``oncall.toml``: their secrets looked up, their files found."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from gateway.channels.webhook import WebhookSettings
from gateway.config.files import Document, why_unreadable
from gateway.config.oncall import OnCallFile, webhook_name
from gateway.config.report import Level, Problem
from gateway.config.secrets import read_secret
from gateway.config.sentences import problem_at

__all__ = ["build"]

_SHORTEST_SECRET: Final = 16
_GOOD_SECRET: Final = 32  # RFC 2104, 3: no shorter than the hash's output


def build(
    document: Document, model: OnCallFile | None, directory: Path, environ: Mapping[str, str]
) -> tuple[Mapping[str, WebhookSettings], list[Problem]]:
    """The webhooks by name, and what is wrong with their secrets and files."""
    webhooks: dict[str, WebhookSettings] = {}
    problems: list[Problem] = []
    for team_id, team in model.teams.items() if model else ():
        for index, table in enumerate(team.webhooks):
            path = ("teams", team_id, "webhooks", index)
            secret, found = read_secret(
                table.model_dump(), "secret",
                where=f"teams.{team_id}.webhooks[{index + 1}]",
                directory=directory, environ=environ,
            )  # fmt: skip
            problems += [
                dataclasses.replace(p, file=document.name, line=document.line((*path, key)))
                for key, p in found
            ]
            if secret is None:
                continue
            problems += _weak(document, path, secret)
            ca_file = directory / table.ca_file if table.ca_file else None
            problems += _unreadable(document, (*path, "ca_file"), ca_file)
            name = webhook_name(team_id, table)
            webhooks[name] = WebhookSettings(name, table.url, secret, ca_file)
    return webhooks, problems


def _weak(document: Document, path: tuple[Any, ...], secret: str) -> list[Problem]:
    if len(secret) >= _GOOD_SECRET:
        return []
    level = Level.ERROR if len(secret) < _SHORTEST_SECRET else Level.WARNING
    what = f"the secret is short: {len(secret)} characters, better {_GOOD_SECRET}."
    todo = "Make a new one, such as with: openssl rand -base64 33"
    return [problem_at(document, path, what, given="", todo=todo, level=level)]


def _unreadable(document: Document, path: tuple[Any, ...], file: Path | None) -> list[Problem]:
    try:
        if file is not None:
            with file.open("rb") as stream:
                stream.read(1)
    except OSError as error:
        what = f"the file cannot be read: {why_unreadable(error)}."
        return [problem_at(document, path, what, todo="Correct the path or its permissions.")]
    except ValueError:  # a NUL in the path
        return [problem_at(document, path, "this is not a possible file name.")]
    return []
