"""The terminal interface over a session."""
