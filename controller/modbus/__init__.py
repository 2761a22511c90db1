"""What speaks Modbus: the side that asks and the side that answers."""
