"""Line, drivers, receivers and UARTs as physics."""
