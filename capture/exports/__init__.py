"""Readings, results and trends as files that other programs open."""
