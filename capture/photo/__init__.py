"""Photos of displays: kept as evidence."""
