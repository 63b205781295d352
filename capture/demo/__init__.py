"""The demonstration: real parts on simulated instruments, in a scenario of a sawmill."""
