"""What crossed a link and what came of it, in one file that survives whatever happens to us."""
