"""Commands in, immutable events out: what both faces stand on."""
