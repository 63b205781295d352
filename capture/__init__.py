"""Benchtally's core: capture, store, judge and publish. It knows no instrument."""

__version__ = "0.1.0"
