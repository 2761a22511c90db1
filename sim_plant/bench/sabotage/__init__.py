"""Sabotage: the firmware's tables changed one entry at a time, to see whether the requirement set notices."""
