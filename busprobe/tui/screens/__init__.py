"""Screens, one for each step of the job."""
