"""Backup of a running gateway into one file, and its restoration somewhere else."""

from __future__ import annotations

from gateway.backup.make import make_backup
from gateway.backup.manifest import BackupError, Manifest
from gateway.backup.restore import restore

__all__ = ["BackupError", "Manifest", "make_backup", "restore"]
