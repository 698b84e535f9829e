"""Mail: the outbox and the SMTP client that delivers tickets."""
