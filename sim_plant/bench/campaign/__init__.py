"""The campaign: every fault of the catalogue in every state, at several moments and severities."""
