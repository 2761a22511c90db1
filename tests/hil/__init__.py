"""A stand-in for a stranger's PLC, and what is done with it: the bench against a program that is not ours."""
