"""What makes a mail's Message-ID unique in the world."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Postmark"]


@dataclass(frozen=True)
class Postmark:
    """What makes a Message-ID unique in the world: the installation's id and a domain."""

    installation: str
    domain: str

    def message_id(self, ticket: str, seq: int) -> str:
        """The Message-ID of a ticket's mail: the same however often it is made."""
        return f"<{ticket}.{seq}.{self.installation}@{self.domain}>"
