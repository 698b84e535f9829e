"""``basinward version``."""

from __future__ import annotations

import typer

__all__ = ["version"]


def version() -> None:
    """Print the version of basinward and of Python."""
    import platform  # noqa: PLC0415 - lazy
    from importlib import metadata  # noqa: PLC0415 - lazy

    try:
        number = metadata.version("basinward")
    except metadata.PackageNotFoundError:
        number = "(not installed; run from its source)"
    typer.echo(f"basinward {number}, Python {platform.python_version()}")
