"""Simulated RS-485 lines, meters, inverters and sites, in virtual or real time."""
