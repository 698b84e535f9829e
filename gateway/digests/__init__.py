"""Mails that list several tickets: when they are due, what goes into them, and how they read."""
