"""Who may log on to the MQTT broker, and what each account may publish and read there.

:mod:`~gateway.broker_access.accounts` says it of the site files, the other modules write it in
Mosquitto's forms: :mod:`~gateway.broker_access.passwords`, :mod:`~gateway.broker_access.topics`,
and :mod:`~gateway.broker_access.folder`, which keeps what was written before.
"""

from gateway.broker_access.accounts import Account, AccountsError, accounts_of
from gateway.broker_access.folder import AccessFolder, AccessFolderError, Changes

__all__ = [
    "AccessFolder",
    "AccessFolderError",
    "Account",
    "AccountsError",
    "Changes",
    "accounts_of",
]
