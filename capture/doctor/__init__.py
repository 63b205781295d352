"""What is wrong with this host for a bench, and what to do about it."""
