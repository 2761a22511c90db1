"""One RO unit: its states, its table of moves, its protections, its outputs, its scan."""
