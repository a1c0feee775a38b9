"""Ways to a bus: the only modules that open ports and sockets or read a clock."""
