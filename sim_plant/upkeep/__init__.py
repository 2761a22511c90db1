"""Upkeep of membranes out of logged data: read, normalise, judge, advise. Knows no plant, no controller."""
