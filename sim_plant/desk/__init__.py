"""The desk: a simulated bank on a live page. Decision 36 says how the parts hang together."""
