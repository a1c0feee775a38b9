"""Values that every layer speaks of: no I/O, no clock, no behaviour beyond their own arithmetic."""
