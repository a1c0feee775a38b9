"""The command line: words and JSON over a session."""
