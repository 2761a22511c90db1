"""The firmware of a bank of parallel reverse-osmosis units. Knows no simulator, no clock, no network."""
