"""A site's own rules: conditions that people write in the settings files, judged like any fault."""
