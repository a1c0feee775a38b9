"""busprobe: a Modbus field diagnostic tool with simulated devices."""

__version__ = "0.1.0"
