"""Tickets: what a person is asked to do about an alarm, and the document that says so."""
