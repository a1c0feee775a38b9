"""The site as planned, and plan held against what is found."""
