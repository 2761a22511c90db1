"""Small reusable blocks: timers, loop validity, journal lines."""
