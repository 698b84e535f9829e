"""Who is on call at a given moment, and who is told next if nobody answers. Pure."""
