"""Which timers suit this feed water: analysis, sweep on the plant's kernel, proposal (``skidproof study``)."""
