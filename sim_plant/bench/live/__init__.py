"""A live controller under test: a PLC, or our own firmware in a process of its own, over Modbus."""
