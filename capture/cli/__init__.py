"""The command line: one module a command, wired in ``main``."""
