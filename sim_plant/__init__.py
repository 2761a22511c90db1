"""The simulated plant, and the bench around it."""
