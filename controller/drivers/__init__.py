"""What carries images between the firmware and the field."""
