"""What the units of a bank share: feed supply, slots, demand, shared causes."""
