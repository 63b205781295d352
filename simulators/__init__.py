"""Simulated instruments: written from the standards, sharing no code with the drivers."""
