"""Monthly figures of water and energy: read from telemetry, worked out by the rules, kept."""
