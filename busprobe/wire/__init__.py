"""Bytes to frames and back: CRC, PDUs, RTU and MBAP framing, resynchronisation."""
