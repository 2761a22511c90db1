"""The physics: water, membranes, hydraulics, electrics, shared vessels. SI inside."""
