"""What the SCPI drivers share: the conversation with one instrument, and reading its answers."""
