"""The HTTP API. Needs the extra ``web``."""
