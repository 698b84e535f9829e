"""Another program holds the journal locked: messages wait, also when the gateway starts then."""

from __future__ import annotations

from collections.abc import Callable

from support.data_files import locked
from support.watched_sites import WatchedSites

Watch = Callable[..., WatchedSites]


def test_the_journal_is_locked_by_another_program(watch: Watch, seed: int) -> None:
    """While it runs, and while it starts anew."""
    watched = watch(seed)
    with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
        watched.until_published(sites, 0.2)
        with locked(watched.data / "journal.sqlite"):
            gateway.wait_for_line("journal.sqlite cannot be written")
            gateway.kill()
            gateway.start(wait=False)
            gateway.ended_within(7)
        gateway.kill()
        gateway.start()
        sites.finish()
        watched.settle()
    watched.prove()
