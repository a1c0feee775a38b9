"""Register maps: which registers to read, and what they mean."""
