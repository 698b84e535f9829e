"""Migrations of the records, in order of their revision."""
