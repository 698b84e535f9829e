"""A mail server that is slow, stalls, or is cut off in the midst of a mail."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable

from support.proxy import Network
from support.smtp import MailCatcher, Received
from support.watched_sites import WatchedSites

Watch = Callable[..., WatchedSites]


def test_a_slow_server_holds_up_nothing_and_a_kill_meanwhile_loses_no_ticket(
    watch: Watch, mail: MailCatcher, seed: int
) -> None:
    """The first mail is kept and not answered; all is stored and judged meanwhile."""
    answered = threading.Event()
    taken = threading.Event()

    def keep_waiting(_received: Received) -> None:
        taken.set()
        answered.wait(120)

    mail.behaviour.before_reply = keep_waiting
    watched = watch(seed)
    with watched.gateway as gateway, watched.sites() as sites:
        sites.finish()
        gateway.until(taken.is_set)
        gateway.until(lambda: watched.stored() == watched.expected.instants)
        gateway.until(lambda: gateway.status["alarm_events"] >= watched.expected.lines.total())
        assert len(mail.received) == 1
        gateway.kill()  # nobody can know whether the server has it: it is sent again, and marked
        mail.behaviour.before_reply = None
        answered.set()
        gateway.start()
        watched.settle()
    watched.prove()
    assert len(mail.received) > watched.expected.tickets.total()


def test_connections_to_the_mail_server_break_off_anywhere(
    watch: Watch, mail: MailCatcher, seed: int
) -> None:
    rng = random.Random(seed)
    with Network(mail.port) as network:
        watched = watch(seed, mail_port=network.port)
        with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
            for _ in range(3):
                network.cut_after = rng.randrange(1, 600)
                gateway.until(lambda: network.cut_after is None)
            sites.finish()
            watched.settle()
        watched.prove()
