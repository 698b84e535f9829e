"""``basinward`` at a brisk pace: ``python -m support.brisk_gateway`` takes the same arguments.

Commits, snapshots and trimmings come many times a second instead of once in seconds or minutes, so
that a short test sees as many of them as days of work would.
"""

from __future__ import annotations

import sys

from gateway.cli import main
from gateway.mail.outbox import Backoff
from gateway.periodic import Pace
from gateway.service import Service

BRISK = Pace(
    clock_s=0.2, actions_s=0.2, rules_s=0.02, store_s=0.02, snapshot_s=0.3, upkeep_s=0.3,
    status_s=0.2,
)  # fmt: skip

if __name__ == "__main__":
    defaults = Service.__init__.__kwdefaults__
    assert defaults is not None
    defaults["pace"] = BRISK
    Backoff.__init__.__defaults__ = (1_000, 30 * 60_000)  # a mail that failed is tried soon
    sys.exit(main())
