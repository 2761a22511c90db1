"""The simulated plant as Modbus devices: what a controller polls as its remote I/O."""
