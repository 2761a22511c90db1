"""Cases, requirement monitors, runs and evidence."""
