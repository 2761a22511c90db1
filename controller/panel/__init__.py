"""What a panel or SCADA sees of the firmware over Modbus TCP, and the few commands that it may give."""
