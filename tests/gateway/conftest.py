"""Records on every kind of database that they may be kept in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sqlalchemy.engine import URL, make_url
from support.migrated import put_empty_records

from gateway.records import Records

if TYPE_CHECKING:
    from board_people import People
    from support.postgres import PostgresServer
    from support.shown_api import ShownApi

NewUrl = Callable[[], URL]


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """One server for all tests of this process; do not stop it."""
    from support.postgres import PostgresServer

    with PostgresServer() as server:
        yield server


@pytest.fixture(scope="session")
def migrated(postgres: PostgresServer) -> str:
    """The name of a database with records that nobody has written to."""
    url = postgres.new_database()
    Records(url).close()
    # Each set of records draws an id of its own when first opened.
    assert url.database is not None
    postgres.execute("DELETE FROM installation", url.database)
    return url.database


@pytest.fixture(params=["sqlite", "postgresql"])
def new_records_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[NewUrl]:
    """Gives the URL of another fresh database each time; a test runs once with each kind."""
    if request.param == "postgresql":
        postgres = request.getfixturevalue("postgres")
        template = request.getfixturevalue("migrated")
        made: list[URL] = []

        def new_database() -> URL:
            made.append(postgres.new_database(template))
            return made[-1]

        yield new_database
        for url in made:  # each takes 8 MB of disk
            postgres.drop(url)
        return
    folders = iter(range(10_000))

    def new_file() -> URL:
        folder = tmp_path / f"records-{next(folders)}"
        folder.mkdir()
        put_empty_records(folder / "records.sqlite")
        return make_url(f"sqlite:///{folder / 'records.sqlite'}")

    yield new_file


@pytest.fixture
def records_url(new_records_url: NewUrl) -> URL:
    """The URL of a fresh database."""
    return new_records_url()


@pytest.fixture
def server_url(postgres: PostgresServer, migrated: str) -> Iterator[URL]:
    """The URL of a fresh database on the server."""
    url = postgres.new_database(migrated)
    yield url
    postgres.drop(url)


@pytest.fixture
def people(tmp_path: Path) -> Iterator[People]:
    """A board with accounts, Rui's among them."""
    from board_people import People

    people = People(tmp_path)
    yield people
    people.records.close()


@pytest.fixture
def api(tmp_path: Path) -> Iterator[ShownApi]:
    """A board with two alarms, asked by programs."""
    from support.shown_api import ShownApi

    made = ShownApi(tmp_path)
    made.fleet.commit(made.fleet.alarm(0), made.fleet.alarm(1))
    yield made
    made.close()
