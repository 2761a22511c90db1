"""Which timers suit a feed water: analysis, sweep on the plant's kernel, proposal (``skidproof study``)."""
