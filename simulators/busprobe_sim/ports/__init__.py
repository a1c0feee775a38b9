"""Ways to reach a simulated bus: virtual time, pty, TCP."""
