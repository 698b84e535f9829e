"""Everything that touches the world: broker, journal, stores, records, mail, commands."""
