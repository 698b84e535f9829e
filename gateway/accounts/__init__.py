"""People and programs that may use the board: names, passwords, secrets, limits.

No database and nothing of the web is here; :mod:`gateway.records.accounts` keeps what this package
makes, :mod:`gateway.board.people` asks for it.
"""
