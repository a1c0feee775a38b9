"""Evidence to findings: pure functions and small classes, without I/O or clock."""
